package console_test

import (
	"context"
	"fmt"
	"os"
	"regexp"
	"strings"
	"testing"
	"time"

	"rigledger/events"
	"rigledger/fleet"
)

// hours sends a reading of the pump alone.
func (h *house) hours(rig string, at time.Time, value float64) {
	h.t.Helper()
	h.send("manager", "POST", "/v1/rigs/"+rig+"/readings", obj{
		"id": fmt.Sprintf("p-%d", sent.Add(1)), "time": at.UTC().Format(time.RFC3339Nano), "counters": []obj{{"meter": "pump", "value": value, "unit": "HUR"}},
	})
}

func (h *house) totalHours(rig string) (total float64) {
	h.fleet.View(func(s *fleet.State) {
		m := s.Rigs[rig].Meter("pump")
		base, _ := m.Series.Total()
		total = m.Series.Quantity.FromBase(base)
	})
	return total
}

// heldID gives the one that waits for a rig.
func (h *house) heldID(rig string) (id string) {
	h.t.Helper()
	h.fleet.View(func(s *fleet.State) {
		for _, q := range s.Held {
			if q.Rig == rig && q.Outcome == "" {
				id = q.Quarantine
			}
		}
	})
	if id == "" {
		h.t.Fatalf("nothing of %s is held", rig)
	}
	return id
}

// heldAtIntake has a rig that read 300 h, and then 12 h: its counter was changed.
func heldAtIntake(t *testing.T) *house {
	h := newHouse(t)
	h.register("T01", "north", obj{"meters": []obj{{"meter": "pump", "quantity": "hours", "value": 280}}})
	h.hours("T01", h.now().Add(-48*time.Hour), 296)
	h.hours("T01", h.now().Add(-24*time.Hour), 300)
	h.hours("T01", h.now(), 4)
	return h
}

func TestWhatIsHeldSaysWhyAndWhatFollows(t *testing.T) {
	h := heldAtIntake(t)
	v := h.visit("workshop")
	page := v.get("/intake").is(200)
	page.has("One waits for a decision", "runs backwards", "A counter does not run backwards", `value="300.00"`, `value="4.00"`, "24 hours", "in which it fell",
		"over the API or by hand", "The counter was changed for another", "It is right as it is", "It should read something else", "It is not to count")
	page.has(`from <data class="number" value="300.00">300.00</data> h to <data class="number" value="304.00">304.00</data> h`)
	if strings.Contains(page.text, `id="q-`) && strings.Count(page.text, `<article class="card held"`) != 1 {
		t.Error("it is not one card")
	}
	id := h.heldID("T01")
	// A reason is asked for by the API, and the form comes back open and as typed.
	v.fill(page, "/intake", "value-"+id, map[string]string{"n:/values/pump": "299,5", "s:/reason": "misread"}).is(422).
		has(`id="d-value-`+id+`" open`, `value="299,5"`, "does not fit between its neighbours")
	v.fill(page, "/intake", "dismiss-"+id, nil).is(422).has(`id="d-dismiss-` + id + `" open`)
	// Readers see it and decide nothing; operators do not go there; other yards see nothing of it.
	h.visit("reader").get("/intake").is(200).has("runs backwards", "Managers and the workshop decide on it").hasNot(`data-form="swap-`)
	h.visit("operator").get("/intake").is(403)
	h.token("south", fleet.RoleWorkshop, []string{"south"})
	h.visit("south").get("/intake").is(200).has("Nothing waits for a decision").hasNot("T01", "300")

	v.fill(page, "/intake", "value-"+id, map[string]string{"n:/values/pump": "304", "s:/reason": "a digit was lost"}).is(303)
	if got := h.totalHours("T01"); got != 304 {
		t.Errorf("the total is %g h, want 304", got)
	}
	said := v.get("/intake").is(200).has("Released with the other value", "Nothing waits for a decision", "Take it back", "Everything that came was taken")
	v.get("/intake?state=ended").has("released with another value by", "a digit was lost").hasNot(`data-form="dismiss-`)
	// Its counter-fact: the reading is taken back.
	v.fill(said, "/intake", "undo", map[string]string{"s:/reason": "it was right after all"}).is(303)
	if got := h.totalHours("T01"); got != 300 {
		t.Errorf("taken back, the total is %g h, want 300", got)
	}
}

func TestADismissedReadingChangesNothing(t *testing.T) {
	h := heldAtIntake(t)
	v := h.visit("manager")
	v.fill(v.get("/intake"), "/intake", "dismiss-"+h.heldID("T01"), map[string]string{"s:/reason": "a test on the bench"}).is(303)
	said := v.get("/intake").has("Dismissed. The message stays on record.", "Take it back")
	// Too quick: it waits again, by the strip as by its card among what was decided.
	v.fill(said, "/intake", "undo", map[string]string{"s:/reason": "it was the rig's"}).is(303)
	v.fill(v.get("/intake").has("One waits for a decision"), "/intake", "dismiss-"+h.heldID("T01"), map[string]string{"s:/reason": "the bench after all"}).is(303)
	ended := v.get("/intake?state=ended").is(200).has("It is to be decided again")
	id := regexp.MustCompile(`data-form="reopen-(q-[0-9a-f]+)"`).FindStringSubmatch(ended.text)
	if id == nil {
		t.Fatal("no form opens it again")
	}
	v.fill(ended, "/intake?state=ended", "reopen-"+id[1], nil).is(422).has(`id="d-reopen-` + id[1] + `" open`)
	v.fill(ended, "/intake?state=ended", "reopen-"+id[1], map[string]string{"s:/reason": "let the manager look"}).is(303)
	v.get("/intake").has("One waits for a decision")
	if got := h.totalHours("T01"); got != 300 {
		t.Errorf("the total is %g h, want 300", got)
	}
}

func TestAReadingTooFastShowsTheLimit(t *testing.T) {
	h := newHouse(t)
	h.register("T01", "north", nil)
	h.hours("T01", h.now().Add(-10*time.Hour), 40)
	h.hours("T01", h.now(), 90)
	// An hour meter gains at most an hour an hour, by the class's limit of 24 h a day (common practice).
	h.visit("manager").get("/intake").is(200).has("ran too fast", "10 hours", `value="50.00"`, "at most", `value="10"`, `class="wedge"`)
}

// TestTwoCountersAreChangedOneByOne: a release as a swap would give both the same
// start, so each has a form of its own, and what fits then is released by itself.
func TestTwoCountersAreChangedOneByOne(t *testing.T) {
	h := newHouse(t)
	h.register("T01", "north", nil)
	h.read("T01", h.now().Add(-24*time.Hour), 300, 2000)
	h.read("T01", h.now(), 4, 20)
	v := h.visit("workshop")
	page := v.get("/intake").is(200)
	id := h.heldID("T01")
	page.hasNot(`data-form="swap-` + id + `"`)
	checkHTML(t, "/intake", page.text)
	v.fill(page, "/intake", "swap-"+id+"-pump", map[string]string{"s:/reason": "new box"}).is(303)
	page = v.get("/intake").has("One waits for a decision")
	v.fill(page, "/intake", "swap-"+id+"-area", map[string]string{"s:/reason": "new box"}).is(303)
	v.get("/intake").has("Nothing waits for a decision")
	if got := h.totalHours("T01"); got != 304 {
		t.Errorf("the total is %g h, want 304", got)
	}
}

func TestAWrongReadingIsTakenBackAndPutBack(t *testing.T) {
	h := newHouse(t)
	h.register("T01", "north", nil)
	h.hours("T01", h.now().Add(-2*time.Hour), 40)
	h.hours("T01", h.now().Add(-time.Hour), 41)
	v := h.visit("workshop")
	list := v.get("/intake?rig=T01").is(200).has(`value="41.00"`, `value="40.00"`, "1 hour late")
	at := h.now().Add(-time.Hour).UnixMilli()
	path := fmt.Sprintf("/intake?rig=T01&meter=pump&at=%d", at)
	list.has(strings.ReplaceAll(path, "&", "&amp;"))
	page := v.get(path).is(200).has("Take back a reading of T01", `value="41.00"`, "without it")
	checkHTML(t, path, page.text)
	v.fill(page, path, "void", map[string]string{"s:/reason": "the wrong rig"}).is(303)
	if got := h.totalHours("T01"); got != 40 {
		t.Errorf("the total is %g h, want 40", got)
	}
	said := v.get("/intake?rig=T01").is(200).has("Taken back: it no longer counts.")
	v.fill(said, "/intake?rig=T01", "undo", nil).is(303)
	if got := h.totalHours("T01"); got != 41 {
		t.Errorf("put back, the total is %g h, want 41", got)
	}
	h.visit("reader").get(path).is(200).hasNot(`data-form="void"`)
	v.get("/intake?rig=T01&meter=pump&at=x").is(422)
	v.get("/intake?rig=T99&meter=pump&at=1").is(404)
}

// TestTheNewestReadingIsTheOneMeasuredLast: what came last may tell of long ago.
func TestTheNewestReadingIsTheOneMeasuredLast(t *testing.T) {
	h := newHouse(t)
	h.register("T01", "north", nil)
	h.register("T02", "north", nil)
	h.read("T01", h.now().Add(-time.Hour), 41.25, 300)
	h.read("T02", h.now().Add(-3*time.Hour), 7, 50)
	h.hours("T01", h.now().Add(-5*time.Hour), 40)
	v := h.visit("manager")
	_, lately, _ := strings.Cut(v.get("/intake").is(200).text, `id="lately"`)
	sheet{t: t, text: lately}.has(`value="41.25"`, `value="300.00"`, `value="7.00"`, "1 hour late", "3 hours late", `href="/ledger/commits/`).hasNot(`value="40.00"`)
	if strings.Index(lately, ">T02<") < strings.Index(lately, ">T01<") {
		t.Error("the one measured last is not first")
	}
	_, lately, _ = strings.Cut(v.get("/intake?rig=T01").is(200).text, `id="lately"`)
	first, second := strings.Index(lately, `value="41.25"`), strings.Index(lately, `value="40.00"`)
	if first < 0 || second < first {
		t.Errorf("of one rig the newest is at %d and the one before at %d", first, second)
	}
	// A reading that came longer ago than is looked back is shown all the same.
	for i := range 800 {
		h.hours("T02", h.now().Add(-3*time.Hour+time.Duration(i+1)*10*time.Second), 7+float64(i+1)/400)
	}
	_, lately, _ = strings.Cut(v.get("/intake").is(200).text, `id="lately"`)
	sheet{t: t, text: lately}.has(`value="41.25"`, "longer ago", `value="9.00"`)
}

func TestAReadingOfThreeDecimalsIsPutBackAsItWas(t *testing.T) {
	h := newHouse(t)
	h.register("T01", "north", nil)
	h.hours("T01", h.now().Add(-time.Hour), 41.125)
	v := h.visit("workshop")
	path := fmt.Sprintf("/intake?rig=T01&meter=pump&at=%d", h.now().Add(-time.Hour).UnixMilli())
	v.fill(v.get(path).is(200), path, "void", map[string]string{"s:/reason": "the wrong rig"}).is(303)
	v.fill(v.get("/intake?rig=T01"), "/intake?rig=T01", "undo", nil).is(303)
	if got := h.totalHours("T01"); got != 41.125 {
		t.Errorf("put back, the total is %g h, want 41.125", got)
	}
}

// hold puts messages that cannot be read into quarantine, as the wire does.
func (h *house) hold(rig, fault, detail string, payload []byte) {
	h.t.Helper()
	if _, err := h.fleet.Take(context.Background(), []events.Arrival{{
		Via: "rig." + rig + ".reading", Rig: rig, Event: fmt.Sprintf("h-%d", sent.Add(1)), Kind: events.KindReading, Fault: fault, Detail: detail, Payload: payload,
	}}); err != nil {
		h.t.Fatal(err)
	}
}

const wicked = "<script>alert(1)</script>\"'><img src=x onerror=alert(2)>"

func TestAHostileMessageIsText(t *testing.T) {
	h := newHouse(t)
	h.register("T01", "north", obj{"name": wicked})
	raw := []byte(wicked + "\x00\xff\u202e gnihtemos \u2066 \U0001F69C {{.Now}}\n")
	raw = append(raw, strings.Repeat("A", 3000)...)
	h.hold("T01", "bad-json", "not JSON: "+wicked, raw)
	h.hold(wicked+strings.Repeat("x", 300), "bad-event", wicked, []byte(strings.Repeat("é", 1400)))
	h.read("T01", h.now().Add(-time.Hour), 5, 30)
	v := h.visit("manager")
	page := v.get("/intake").is(200).hasNot("<script>alert", "<img src=x", "\u202e", "\u2066", "\x00")
	page.has("&lt;script&gt;alert(1)", `\u0000\xff\u202e`, `\u2066`, "\U0001F69C", "cannot be read", "no proper event", "more bytes are not shown", "{{.Now}}")
	v.get("/ledger").is(200).hasNot("<script>alert", "<img src=x").has("&lt;script&gt;alert(1)")

	b := h.open("manager", "/intake")
	b.sees("cannot be read")
	for _, width := range []int64{390, 1440} {
		b.size(width, 900, "light")
		if !b.eval("document.documentElement.scrollWidth <= innerWidth") {
			t.Errorf("a hostile message breaks the layout at %d px", width)
		}
	}
	if !b.eval(`document.querySelectorAll("main script, main img").length === 0`) {
		t.Error("a hostile message became part of the page")
	}
}

// TestTheWordsOfTheIntake: every reason that the desk or the wire gives has
// words; the wire's are read from where they are listed.
func TestTheWordsOfTheIntake(t *testing.T) {
	text, err := os.ReadFile("../../events/intake/decode.go")
	if err != nil {
		t.Fatal(err)
	}
	desk, err := os.ReadFile("../../fleet/take.go")
	if err != nil {
		t.Fatal(err)
	}
	h := newHouse(t)
	h.register("T01", "north", nil)
	n := 0
	for _, line := range strings.Split(string(text)+string(desk), "\n") {
		name, value, ok := strings.Cut(strings.TrimSpace(line), "= \"")
		if !ok || !strings.HasPrefix(name, "Fault") && !strings.HasPrefix(name, "Why") {
			continue
		}
		code, _, _ := strings.Cut(value, `"`)
		h.hold("T01", code, "as a test", []byte(code))
		n++
		page := h.visit("manager").get("/intake?reason=" + code).is(200)
		if strings.Contains(page.text, `<span class="because">`+code+`</span>`) {
			t.Errorf("%s has no words", code)
		}
		page.has(`<span class="because">`)
	}
	if n < 17 {
		t.Errorf("only %d reasons were found", n)
	}
}

func TestSilentRigsAreNamed(t *testing.T) {
	h := newHouse(t)
	h.register("T01", "north", nil)
	h.register("T02", "south", nil)
	h.pass(15 * 24 * time.Hour)
	h.read("T02", h.now(), 5, 30)
	page := h.visit("manager").get("/intake").is(200)
	page.has("One rig is silent", "Silent for", ">15</data> days")
	h.token("south", fleet.RoleReader, []string{"south"})
	h.visit("south").get("/intake").is(200).hasNot("One rig is silent", "T01")
}

// TestASwappedMeterIsReleased is a story: readings rise, a lower counter comes,
// is held, is seen at the intake without asking, and goes on as a new counter.
func TestASwappedMeterIsReleased(t *testing.T) {
	h := newHouse(t)
	h.register("T01", "north", obj{"meters": []obj{{"meter": "pump", "quantity": "hours", "value": 280}}})
	h.hours("T01", h.now().Add(-48*time.Hour), 296)
	h.hours("T01", h.now().Add(-24*time.Hour), 300)
	b := h.open("workshop", "/intake")
	b.sees("Nothing waits for a decision")
	b.sees("pump 300.00 h")
	h.hours("T01", h.now(), 4)
	b.sees("One waits for a decision") // the page follows the ledger
	b.sees("runs backwards")
	b.looks("intake-held")
	if got := h.totalHours("T01"); got != 300 {
		t.Fatalf("what is held counts: %g h", got)
	}
	id := h.heldID("T01")
	b.press("The counter was changed for another")
	form := "#form-swap-" + id
	b.type_(form+` input[name="s:/reason"]`, "pump controller replaced")
	b.set(form+` input[name="n:/last"]`, "301")
	b.looks("intake-deciding")
	b.size(1440, 900, "light")
	b.press("Release as a new counter")
	b.sees("Released as the first reading of a new counter.")
	b.sees("Nothing waits for a decision")
	if got := h.totalHours("T01"); got != 305 {
		t.Errorf("the total is %g h, want 305: 301 on the old counter and 4 on the new", got)
	}
	h.pass(24 * time.Hour)
	h.hours("T01", h.now(), 9)
	b.sees("pump 9.00 h")
	if got := h.totalHours("T01"); got != 310 {
		t.Errorf("the total is %g h, want 310", got)
	}
	swapped := false
	h.fleet.View(func(s *fleet.State) {
		for _, l := range s.Rigs["T01"].Timeline {
			if f, ok := l.Entry.Fact.(*events.MeterSwapped); ok {
				swapped = f.Reason == "pump controller replaced" && *f.Last == 301*3600
			}
		}
	})
	if !swapped {
		t.Error("the rig's timeline does not have the swap")
	}
	b.goTo("/ledger")
	b.sees("Counter changed for another")
	b.sees("old one ended at 301.00 h")
	b.sees("Released from the intake")
	b.looks("ledger")
}

func TestTheIntakeOfALargeFleetIsTurnedPageByPage(t *testing.T) {
	h := newHouse(t)
	h.many(200)
	h.holdMany(200)
	h.visit("manager").get("/intake?from=180").is(200).has(`value="181"`)
}

// Readings that wait for one decision are one card; the decision on the first
// settles those that fit then.
func TestReadingsThatWaitForOneDecisionAreOneCard(t *testing.T) {
	h := newHouse(t)
	h.register("T01", "north", nil)
	h.worked("T01", 20, 4)
	for i, hours := range []float64{1, 2, 3} {
		h.read("T01", h.now().Add(time.Duration(i-3)*time.Hour), hours, 560+float64(i))
	}
	v := h.visit("manager")
	page := v.get("/intake").is(200).has(`value="2">2</data> later ones of this rig wait for the same reason`)
	if n := strings.Count(page.text, `class="card held"`); n != 1 {
		t.Fatalf("%d cards", n)
	}
	all := v.get("/intake?rig=T01").is(200)
	if n := strings.Count(all.text, `class="card held"`); n != 3 {
		t.Fatalf("%d cards of all", n)
	}
	id := regexp.MustCompile(`class="card held" id="([^"]+)"`).FindStringSubmatch(page.text)[1]
	h.send("manager", "POST", "/v1/quarantine/"+id+"/release", obj{"how": "swap", "reason": "new counter", "start": 0})
	v.get("/intake").is(200).has("Nothing waits for a decision")
}
