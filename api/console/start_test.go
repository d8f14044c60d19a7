package console_test

import (
	"encoding/json"
	"net/http/httptest"
	"regexp"
	"strings"
	"testing"
	"time"

	"rigledger/api"
	"rigledger/api/console"
)

func TestTheFirstStartIsForManagers(t *testing.T) {
	h := newHouse(t)
	h.visit("reader").get("/start").is(200).has("with a manager's token").hasNot("<form method=\"post\" action=\"/start")
	h.register("T01", "north", nil)
	h.visit("workshop").get("/start/T01").is(200).has("A manager takes these steps").hasNot(`data-form="`)
	h.visit("manager").get("/start/T99").is(404)
}

func TestAKindIsDescribedByWhatItBrings(t *testing.T) {
	h := newHouse(t)
	v := h.visit("manager")
	v.get("/start").is(200).has("Trailed boom sprayer", "Mounted boom sprayer", "Self-propelled boom sprayer", "Drawbar", `href="/start?class=trailed"`, "jobs. It can be changed")
	v.get("/start?class=self-propelled").is(200).has("Engine hours now", `data-form="rig"`)
	v.get("/start?class=trailed").is(200).hasNot("Engine hours now")
	v.get("/start?class=none").is(200).has("What kind of sprayer is it?")
}

func TestARefusedRigKeepsWhatWasTyped(t *testing.T) {
	h := newHouse(t)
	v := h.visit("manager")
	page := v.get("/start?class=trailed").is(200)
	again := v.fill(page, "/start?class=trailed", "rig", map[string]string{
		"s:/yard": "mill race", "s:/rig": "T01", "s:/name": "Low meadow", "n:/width_m": "240", "n:/tank_l": "3500", "n:/meters/0/value": "12",
	})
	again.is(422).has("at most 60 metres", `value="mill race"`, `value="240"`, `value="Low meadow"`)
}

func TestACounterThatIsLeftEmptyIsNotThere(t *testing.T) {
	h := newHouse(t)
	v := h.visit("manager")
	page := v.get("/start?class=trailed").is(200)
	in := v.fill(page, "/start?class=trailed", "rig", map[string]string{
		"s:/yard": "millrace", "s:/rig": "T01", "s:/name": "Low meadow", "n:/width_m": "24", "n:/tank_l": "3500", "n:/meters/0/value": "1250,5",
	}).is(303)
	if to := in.header.Get("Location"); to != "/start/T01" {
		t.Errorf("leads to %q", to)
	}
	steps := v.get("/start/T01").is(200).has("The rig is on record.", "pump: ", "1250.5</data> h", "hours").hasNot("area: ")
	// A counter more.
	v.fill(steps, "/start/T01", "meter", map[string]string{"s:/meter": "area", "s:/quantity": "area", "n:/value": "8000"}).is(303)
	v.get("/start/T01").is(200).has("area: ", "8000.0</data> ha")
}

func TestAReadingThatCannotBeBelievedIsSaidToWait(t *testing.T) {
	h := newHouse(t)
	h.register("T01", "north", obj{"meters": []obj{{"meter": "pump", "quantity": "hours", "value": 100, "at": h.now().Format(time.RFC3339)}}})
	v := h.visit("manager")
	h.pass(time.Hour)
	page := v.get("/start/T01").is(200).hasNot("could not be believed")
	v.fill(page, "/start/T01", "reading", map[string]string{"n:/counters/0/value": "190"}).is(303)
	v.get("/start/T01").is(200).has("could not be believed", `href="/intake"`)
}

func TestAPasswordIsShownOnceWithExamples(t *testing.T) {
	h := newHouse(t)
	h.register("T01", "north", nil)
	v := h.visit("manager")
	page := v.get("/start/T01").is(200).has("/v1/rigs/T01/readings").hasNot("nats pub", "mosquitto_pub")
	shown := v.fill(page, "/start/T01", "credential", nil).is(200)
	shown.has("nats pub --server nats://127.0.0.1:14222 --user T01", "rig.T01.reading").hasNot("mosquitto_pub") // the service's own port, and no MQTT
	m := regexp.MustCompile(`id="rig-password">([^<]+)<`).FindStringSubmatch(shown.text)
	if m == nil {
		t.Fatal("no password is shown")
	}
	if rig, ok := h.fleet.RigFor("T01", m[1]); !ok || rig != "T01" {
		t.Errorf("the password that is shown lets in %q", rig)
	}
	if n := strings.Count(shown.text, m[1]); n != 2 {
		t.Errorf("the password stands %d times on the page, want once by itself and once in the example", n)
	}
	v.get("/start/T01").is(200).hasNot(m[1], "nats pub").has("It has a user and a password")
	// What the example sends is taken as it stands.
	ev := regexp.MustCompile(`-d &#39;(\{&#34;id.*?\})&#39;`).FindStringSubmatch(shown.text)
	if ev == nil {
		t.Fatal("no REST example")
	}
	var body obj
	if err := json.Unmarshal([]byte(strings.ReplaceAll(ev[1], "&#34;", `"`)), &body); err != nil {
		t.Fatal(err)
	}
	h.send("manager", "POST", "/v1/rigs/T01/readings", body)
}

func TestAnExampleForMQTTStandsWhereThereIsMQTT(t *testing.T) {
	h := newHouse(t)
	h.register("T01", "north", nil)
	server := httptest.NewServer(api.New(api.Options{Fleet: h.fleet, Rigs: console.RigAddresses{NATS: "127.0.0.1:14222", MQTT: "127.0.0.1:11883"}}))
	t.Cleanup(server.Close)
	h.url = server.URL
	v := h.visit("manager")
	v.fill(v.get("/start/T01"), "/start/T01", "credential", nil).is(200).has("mosquitto_pub -h 127.0.0.1 -p 11883 ", "-t rig/T01/reading", "nats://127.0.0.1:14222")
}

func TestARigWithoutACounterIsShownWhereToAddOne(t *testing.T) {
	h := newHouse(t)
	h.register("T01", "north", obj{"meters": []obj{}})
	h.visit("manager").get("/start/T01").is(200).has(`<details id="add-meter" open>`, "Its first counter", "Add a counter first").hasNot("&#34;counters&#34;:[]")
	h.visit("manager").get("/start?class=trailed").has("Left empty, the rig counts as new", "Left empty, the rig has no such counter")
}

// The story of a newcomer: from an empty house to the first job that falls due.
func TestStoryOfANewcomersFirstRig(t *testing.T) {
	h := newHouse(t)
	b := h.open("manager", "/")
	b.sees("No rig is on record yet.")
	b.press("Bring the first rig under the ledger")
	b.sees("What kind of sprayer is it?")
	b.looks("start-kinds")
	b.click("#kind-trailed")
	b.sees("What its counters show now")
	b.type_("[name='s:/yard']", "millrace")
	b.type_("[name='s:/rig']", "T01")
	b.type_("[name='s:/name']", "Low meadow")
	b.type_("[name='n:/width_m']", "24")
	b.type_("[name='n:/tank_l']", "3500")
	b.set("[name='d:/first_use']", "2026-05-04")
	b.type_("[name='n:/meters/0/value']", "0")
	b.type_("[name='n:/meters/1/value']", "0")
	b.looks("start-rig")
	b.press("Put the rig on record")
	b.sees("The rig is on record.")
	b.sees("First steps of T01 Low meadow")
	b.sees("Trailed boom sprayer with diaphragm pump, version 1")
	b.set("[name='s:/place']", "DE")
	b.press("This place")
	b.sees("The law of the yard is on record.")
	b.press("Give it a user and a password")
	b.sees("Shown this once")
	b.sees("nats pub")
	b.looks("start-steps")
	// Two days of work later.
	h.pass(48 * time.Hour)
	b.goTo("/start/T01")
	b.sees("It has a user and a password")
	if b.eval("document.body.innerText.includes('nats pub')") {
		t.Error("the password's examples are shown again")
	}
	b.type_("[name='n:/counters/0/value']", "12")
	b.type_("[name='n:/counters/1/value']", "84")
	b.press("Send the reading")
	b.sees("The reading was taken.")
	h.raise() // as the scheduler does every minute; the page follows
	b.sees("Its first jobs are on the list")
	b.sees("Suction filter clean")
	b.looks("start-done")
	b.press("To the yard")
	b.sees("T01")
	b.sees("12.0 h")
	b.goTo("/start/T01")
	b.press("Suction filter clean")
	b.until("location.pathname === '/items/T01-filter-suction.suction-filter.1'", "the job's page")
	b.sees("Suction filter clean")
}
