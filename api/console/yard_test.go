package console_test

import (
	"fmt"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"rigledger/fleet"
)

// answers gives the rigs of the yard under each answer, in the order shown.
func (s sheet) answers() map[string][]string {
	got := map[string][]string{}
	group := regexp.MustCompile(`(?s)<h2 id="(\w+)">(.*?)</section>`)
	rig := regexp.MustCompile(`<h3><a href="/rigs/([^"]+)"`)
	for _, g := range group.FindAllStringSubmatch(s.text, -1) {
		for _, r := range rig.FindAllStringSubmatch(g[2], -1) {
			got[g[1]] = append(got[g[1]], r[1])
		}
	}
	return got
}

// settled asks for a page until the days of all its rigs are worked out.
func (v *visitor) settled(path string) sheet {
	v.t.Helper()
	for end := time.Now().Add(time.Minute); ; time.Sleep(50 * time.Millisecond) {
		s := v.get(path).is(200)
		if !strings.Contains(s.text, "data-yard-waiting") {
			return s
		}
		if time.Now().After(end) {
			v.t.Fatal("the days are never worked out")
		}
	}
}

func TestTheYardAsksAboutTheNextWorkingDay(t *testing.T) {
	for name, c := range map[string]struct {
		at   string // in the fleet's zone
		want string
	}{
		"on a working morning, today":      {"2026-05-04T06:00:00+02:00", "Monday, <time datetime=\"2026-05-04\""},
		"after noon, tomorrow":             {"2026-05-04T13:00:00+02:00", "Tuesday, <time datetime=\"2026-05-05\""},
		"on Friday after noon, Monday":     {"2026-05-08T16:00:00+02:00", "Monday, <time datetime=\"2026-05-11\""},
		"on Saturday, Monday":              {"2026-05-09T09:00:00+02:00", "Monday, <time datetime=\"2026-05-11\""},
		"on Sunday evening, Monday":        {"2026-05-10T21:00:00+02:00", "Monday, <time datetime=\"2026-05-11\""},
		"by local midnight, not UTC's own": {"2026-05-11T00:30:00+02:00", "Monday, <time datetime=\"2026-05-11\""},
	} {
		t.Run(name, func(t *testing.T) {
			h := newHouse(t)
			at, err := time.Parse(time.RFC3339, c.at)
			if err != nil {
				t.Fatal(err)
			}
			h.clock.Store(at.UnixMilli())
			h.visit("manager").get("/").is(200).has("Who can go out on " + c.want)
		})
	}
	h := newHouse(t)
	v := h.visit("manager")
	v.get("/?on=2026-05-20").is(200).has("Who can go out on Wednesday, <time datetime=\"2026-05-20\"")
	h.register("T01", "north", nil)
	v.get("/?on=2026-04-20").is(200).has("gone by", "Who can go out on Monday, <time datetime=\"2026-05-04\"")
	v.get("/?on=soon").is(200).has("Who can go out on Monday, <time datetime=\"2026-05-04\"")
}

func TestTheYardGroupsRigsByTheAnswer(t *testing.T) {
	h := newHouse(t)
	old := obj{"first_use": "2026-04-20"}
	for _, rig := range []string{"A01", "B01", "C01", "D01", "E01"} {
		h.register(rig, "north", old)
	}
	h.register("S01", "south", old)
	v := h.visit("manager")
	was := v.settled("/?on=2026-05-04").answers()
	if len(was["stays"]) != 0 {
		t.Fatalf("new rigs stay in: %v", was)
	}
	// A safety defect stops; a plain one is looked at; a booked rest rests.
	h.send("manager", "POST", "/v1/defects", obj{"rig": "A01", "text": "PTO guard broken", "safety": true})
	h.send("manager", "POST", "/v1/defects", obj{"rig": "E01", "text": "PTO guard cracked", "safety": true})
	h.send("manager", "POST", "/v1/defects", obj{"rig": "B01", "text": "lamp dull", "safety": false})
	h.send("manager", "POST", "/v1/bookings", obj{"rig": "C01", "from": "2026-05-04", "to": "2026-05-05", "rest": true})
	h.send("manager", "POST", "/v1/bookings", obj{"rig": "E01", "from": "2026-05-04", "to": "2026-05-06", "hectares": 120})
	page := v.settled("/?on=2026-05-04")
	got := page.answers()
	// E01 is booked for the day and cannot go: it needs a decision before A01.
	if fmt.Sprint(got["stays"]) != "[E01 A01]" || fmt.Sprint(got["rests"]) != "[C01]" || !strings.Contains(fmt.Sprint(got["if"]), "B01") {
		t.Errorf("the answers are %v", got)
	}
	page.has("Booked for that day, but must stay in: <a href=\"/rigs/E01\">E01</a>.", "open safety defect: PTO guard cracked", "repair it and clear the defect",
		`<span class="fitness stop">do not use</span>`)
	if red, said := strings.Count(page.text, `class="fitness stop"`), strings.Count(page.text, "do not use"); red != said || red != 2 {
		t.Errorf("red %d times, do not use %d times", red, said)
	}
	if later := v.settled("/?on=2026-05-06").answers(); len(later["rests"]) != 0 {
		t.Errorf("a rest lasts longer than it is booked: %v", later)
	}
	south := v.settled("/?on=2026-05-04&yard=south")
	south.has("S01", "5</data> others left out", `1</data></b> goes`, `href="/start"`).hasNot("/rigs/A01")
	h.visit("reader").settled("/?yard=south").has("S01").hasNot(`href="/start"`)
	v.get("/start").is(200).has("<h1>Another rig</h1>")
	v.settled("/?on=2026-05-04&find=b01").has("B01").hasNot("/rigs/A01", "/rigs/S01")
	v.settled("/?find=nowhere").has("No rig here is found by that")
	byCode := v.settled("/?on=2026-05-04&sort=code").answers()
	if fmt.Sprint(byCode["stays"]) != "[A01 E01]" {
		t.Errorf("by code the answers are %v", byCode)
	}
	h.token("southern", fleet.RoleReader, []string{"south"})
	h.visit("southern").settled("/").has("S01").hasNot("A01", "E01", "north")
}

func TestARigStaysInOnceItsInspectionHasRunOut(t *testing.T) {
	h := newHouse(t)
	h.register("T01", "north", obj{"first_use": "2026-04-20"})
	h.send("manager", "POST", "/v1/yards/north/place", obj{"place": "DE"})
	v := h.visit("manager")
	// Pflanzenschutz-Geräteverordnung §3(1): a new machine within six months of its first
	// use. So it may go on 20 October 2026 and stays in on the 21st.
	v.settled("/").has(`no inspection passed yet, due by law by <time datetime="2026-10-20"`).hasNot("certificate for")
	h.clock.Store(time.Date(2026, 9, 20, 6, 0, 0, 0, time.UTC).UnixMilli())
	v.settled("/?on=2026-10-20").hasNot("no inspection in force")
	out := v.settled("/?on=2026-10-21").has(`no inspection in force since <time datetime="2026-10-20"`)
	if got := out.answers(); fmt.Sprint(got["stays"]) != "[T01]" {
		t.Errorf("on the day after the last the answers are %v", got)
	}
	out.hasNot("certificate ended")
	h.clock.Store(time.Date(2026, 10, 21, 6, 0, 0, 0, time.UTC).UnixMilli())
	v.settled("/").has(`no inspection passed yet, due by law since <time datetime="2026-10-20"`).hasNot("certificate ended")
	h.send("manager", "POST", "/v1/certificates", obj{"rig": "T01", "number": "DE-1", "tester": "L. Licensed", "inspected": "2026-10-01", "expires": "2026-10-19"})
	v.settled("/").has(`certificate ended <time datetime="2026-10-19"`).hasNot("no inspection passed yet")
	out.has(`href="/bay/T01/inspection"`, "pass the inspection and record the certificate")
}

func TestASilentRigIsSaidToBe(t *testing.T) {
	h := newHouse(t)
	h.register("T01", "north", nil)
	v := h.visit("manager")
	v.get("/").is(200).hasNot("Silent for")
	h.pass(15 * 24 * time.Hour)
	v.get("/").is(200).has(`Silent for <data class="number" value="15">15</data> days`)
}

func TestAnEmptyYardLeadsToTheFirstRig(t *testing.T) {
	h := newHouse(t)
	h.visit("manager").get("/").is(200).has("No rig is on record yet", `href="/start"`)
	h.visit("reader").get("/").is(200).has("No rig is on record yet").hasNot(`href="/start"`)
}

func TestHostileNamesAreTextInTheYardAndWhereTheyAreFound(t *testing.T) {
	h := newHouse(t)
	nasty := `<script>alert("x")</script>&'` + "\u202edrow 🚜"
	h.register("T01", "north", obj{"name": nasty, "serial": `"><img src=x onerror=y>`})
	h.register("T02", "north", obj{"name": strings.Repeat("W", 200)})
	h.send("manager", "POST", "/v1/defects", obj{"rig": "T01", "text": `<img src=x onerror=y>`, "safety": true})
	v := h.visit("manager")
	for path, want := range map[string]string{
		"/":                    "&lt;script&gt;alert(&#34;x&#34;)&lt;/script&gt;&amp;&#39;",
		"/find?q=%3Cscript%3E": "&lt;script&gt;alert(",
		"/find?q=%22%3E%3Cimg": "“&#34;&gt;&lt;img”",
		"/start/T01":           "&lt;script&gt;alert(",
		"/?find=%3Cscript%3E":  `value="&lt;script&gt;"`,
	} {
		v.get(path).is(200).has(want).hasNot("<script>alert", "<img src=x", "onerror=y>", " style=")
	}
	b := h.open("manager", "/")
	b.sees("WWWW")
	for _, path := range []string{"/", "/find?q=w", "/start/T02"} {
		b.goTo(path)
		b.size(390, 900, "light")
		if !b.eval("document.documentElement.scrollWidth <= innerWidth && document.querySelectorAll('main img, main script').length === 0") {
			t.Errorf("a hostile name breaks %s", path)
		}
	}
}

func TestTheYardWithFiveHundredRigs(t *testing.T) {
	h := newHouse(t)
	h.many(500)
	h.raise() // as every minute: what is due is known then
	v := h.visit("manager")
	page := v.get("/").is(200)
	for end := time.Now().Add(2 * time.Minute); strings.Contains(page.text, "data-yard-waiting"); page = v.get("/").is(200) {
		if time.Now().After(end) {
			t.Fatal("the days ahead are never worked out")
		}
		time.Sleep(100 * time.Millisecond)
	}
	rigs := 0
	for _, codes := range page.answers() {
		rigs += len(codes)
	}
	if rigs != 500 {
		t.Errorf("%d of 500 rigs are on the page", rigs)
	}
	if len(page.text) > 1_000_000 {
		t.Errorf("the page has %d bytes", len(page.text))
	}
	b := h.open("manager", "/")
	b.until("performance.getEntriesByType('navigation')[0].domContentLoadedEventEnd > 0", "the page to be set up")
	times, err := chromedp.Run(b.ctx, chromedp.Evaluate[string](`(n => "answered " + Math.round(n.responseEnd) + ", read " + Math.round(n.domInteractive) + ", set up " + Math.round(n.domContentLoadedEventEnd))(performance.getEntriesByType("navigation")[0])`))
	if err != nil {
		t.Fatal(err)
	}
	t.Log("500 rigs in the browser, milliseconds from asking:", times)
	b.type_("#yard-find", "m49")
	b.sees("of 500 rigs shown")
	if !b.eval("[...document.querySelectorAll('.ride:not([hidden]) h3 a')].every(a => a.textContent.includes('M49')) && document.querySelectorAll('.ride:not([hidden])').length === 10") {
		t.Error("the search as one types shows others")
	}
}

// The story of a morning: the manager at six sees who stays in and why, follows the
// reason, asks about another day and finds a rig.
func TestStoryOfAMorningRound(t *testing.T) {
	h := newHouse(t)
	h.many(8)
	h.clock.Store(time.Date(2026, 5, 4, 4, 5, 0, 0, time.UTC).UnixMilli()) // six in the yard's zone
	h.send("manager", "POST", "/v1/defects", obj{"rig": "M001", "text": "PTO guard broken", "safety": true})
	h.send("manager", "POST", "/v1/bookings", obj{"rig": "M001", "from": "2026-05-04", "to": "2026-05-05", "hectares": 90})
	h.send("manager", "POST", "/v1/bookings", obj{"rig": "M002", "from": "2026-05-11", "to": "2026-05-13", "hectares": 150})
	h.send("manager", "POST", "/v1/bookings", obj{"rig": "M003", "from": "2026-05-20", "to": "2026-05-24", "rest": true})
	b := h.open("manager", "/")
	b.sees("Who can go out on Monday")
	b.sees("Stays in")
	b.sees("Goes if …")
	b.sees("Booked for that day, but must stay in: M001.")
	b.sees("open safety defect: PTO guard broken")
	b.until("!document.querySelector('[data-yard-waiting]')", "the days of all rigs")
	b.looks("yard")
	if !b.eval("document.querySelector('#stays').closest('section').querySelector('.ride h3 a').textContent === 'M001'") {
		t.Error("what needs the decision first is not at the top")
	}
	// The reason leads to where it can be seen to, and back.
	b.click("#stays ~ ul .decides a")
	b.until("location.pathname === '/rigs/M001'", "the rig's page")
	b.sees("PTO guard broken")
	b.goTo("/")
	// Somebody else reports: the page follows without being asked.
	h.send("workshop", "POST", "/v1/defects", obj{"rig": "M002", "text": "boom lock cracked", "safety": true})
	b.sees("open safety defect: boom lock cracked")
	b.type_("#yard-find", "furrow 4")
	b.until("document.querySelectorAll('.ride:not([hidden])').length === 1", "one rig alone")
	b.sees("1 of 8 rigs shown.")
	b.goTo("/")
	b.press("next Monday")
	asks := func(day string) string { return "document.querySelector('h1 time')?.dateTime === '" + day + "'" }
	b.until(asks("2026-05-11"), "the question about Monday")
	b.set("#yard-on", "2026-05-12")
	b.press("Ask")
	b.until(asks("2026-05-12"), "the question about Tuesday")
	b.sees("Booked for that day, but must stay in: M002.")
	if href := b.eval("/^\\/(rigs|items|bay)\\//.test(document.querySelector('.decides a').getAttribute('href'))"); !href {
		t.Error("the reason leads nowhere")
	}
	b.type_("#find", "M00")
	b.press("Find")
	b.sees("Found for “M00”")
}
