package console_test

import (
	"context"
	"fmt"
	"strings"
	"testing"
	"time"

	"rigledger/events"
	"rigledger/fleet"
)

// threeSeasons gives a rig two whole seasons and the beginning of a third, 6 h
// on two days of three from April to September.
func (h *house) threeSeasons(code, yard string) {
	h.t.Helper()
	now := h.now()
	h.clock.Store(time.Date(2024, 3, 1, 8, 0, 0, 0, time.UTC).UnixMilli())
	h.register(code, yard, obj{"first_use": "2020-03-01"})
	h.clock.Store(now.UnixMilli())
	var all []events.Arrival
	hours, n := 0.0, 0
	for _, year := range []int{2024, 2025, 2026} {
		for d := time.Date(year, 4, 1, 5, 0, 0, 0, time.UTC); d.Month() < time.October && d.Before(now.Add(-24*time.Hour)); d = d.AddDate(0, 0, 1) {
			if d.YearDay()%3 == 0 {
				continue
			}
			for part := range 7 {
				n++
				at := d.Add(time.Duration(part) * time.Hour)
				all = append(all, events.Arrival{
					Via: "api", By: "test", Rig: code, Event: fmt.Sprintf("s-%s-%d", code, n), Time: at, Kind: events.KindReading, Payload: []byte("{}"),
					Counters: []events.RawCounter{{Meter: "pump", Value: hours + float64(part), Unit: "HUR"}, {Meter: "area", Value: (hours + float64(part)) * 7, Unit: "H18"}},
				})
			}
			hours += 6
		}
	}
	for len(all) > 0 {
		some := all[:min(len(all), 400)]
		if _, err := h.fleet.Take(context.Background(), some); err != nil {
			h.t.Fatal(err)
		}
		all = all[len(some):]
	}
	h.raise()
	// Done before this season, or for those on even places in it; some are left.
	var jobs []string
	h.fleet.View(func(s *fleet.State) { jobs = append(jobs, s.Rigs[code].Open...) })
	for i, job := range jobs {
		if i%9 == 4 {
			continue
		}
		at := time.Date(2026, 3, 10, 9, i, 0, 0, time.UTC)
		if i%2 == 0 {
			at = now.Add(-time.Duration(20+i) * time.Hour)
		}
		open := false // a larger job may have counted for it
		h.fleet.View(func(s *fleet.State) { open = s.Items[job].Stage.Open() })
		if !open {
			continue
		}
		h.do(&fleet.FinishItem{Item: job, At: &at, By: "Rae"})
	}
	h.raise()
}

func TestTheRigPageSaysWhatHasToBeDone(t *testing.T) {
	h := newHouse(t)
	h.threeSeasons("T01", "north")
	h.send("manager", "POST", "/v1/bookings", obj{"rig": "T01", "from": "2026-05-11", "to": "2026-05-13", "hectares": 90})
	v := h.visit("manager")
	page := v.get("/rigs/T01").is(200)
	page.has(`<span class="code">T01</span> Low meadow`, "What has to be done before it goes out", `href="/items/`, "Next booking", "cases",
		`role="img"`, `aria-label="A trailed sprayer from its left side`, `class="mark`, `href="#mark-1"`, `id="mark-1"`, "Where the meter pump is going", `id="limit-a"`, `data-month="2026-04">Apr 2026</text>`,
		"What happened to it", "Job done", "Rae")
	page.hasNot("style=", "NaN", "<no value>", "%!")
	v.get("/rigs/T01?of=area&back=year").is(200).has("Where the meter area is going", "ha in ")
	v.get("/rigs/T01?facts=25").is(200).has("Newer", "Older", "Job came on the list")
	v.get("/rigs/T01?facts=100").is(200).has("Newer")
	v.get("/rigs/none").is(404)
	h.token("southern", "manager", []string{"south"})
	other := h.visit("southern")
	other.get("/rigs/T01").is(404)
	other.get("/parts/T01-pump").is(404)
	h.visit("reader").get("/rigs/T01").is(200).hasNot(`action="/rigs/T01"`)
	h.visit("operator").get("/rigs/T01").is(200).has("Report a defect", "Add a reading by hand").hasNot("Retire it", "Void a reading", "Fit a part")
}

func TestWhatIsWrittenOnTheRigPage(t *testing.T) {
	h := newHouse(t)
	h.threeSeasons("T01", "north")
	v := h.visit("manager")
	at := "/rigs/T01"
	write := func(form string, fields map[string]string) sheet {
		t.Helper()
		v.fill(v.get(at).is(200), at, form, fields).is(303)
		return v.get(at).is(200)
	}
	named := func(page sheet, beginning string) string {
		t.Helper()
		_, after, found := strings.Cut(page.text, `data-form="`+beginning)
		if !found {
			t.Fatalf("no form begins with %s", beginning)
		}
		end, _, _ := strings.Cut(after, `"`)
		return beginning + end
	}
	t.Run("a safety defect stops the rig and clearing it lets it go", func(t *testing.T) {
		stopped := write("defect", map[string]string{"s:/part": "T01-pump", "s:/text": "Pump guard is torn", "b:/safety": "true"})
		stopped.has("Pump guard is torn", `fitness stop">do not use`, "Repair it and clear the defect", "Safety defect")
		cleared := write(named(stopped, "clear-"), map[string]string{"s:/action": "New guard"})
		cleared.hasNot("Repair it and clear the defect").has("Defect cleared", "Pump guard is torn; New guard")
	})
	t.Run("a defect without a text keeps what was chosen", func(t *testing.T) {
		v.fill(v.get(at), at, "defect", map[string]string{"s:/part": "T01-boom", "s:/text": ""}).is(422).has(`<details id="report" open>`, `value="T01-boom" selected`)
	})
	t.Run("it moves to another yard, once per look", func(t *testing.T) {
		old := v.get(at)
		v.fill(old, at, "amend", map[string]string{"s:/yard": "hollow", "s:/name": "High meadow"}).is(303)
		v.get(at).has("High meadow", `href="/?yard=hollow"`, "details changed", "name High meadow; yard hollow")
		v.fill(old, at, "amend", map[string]string{"s:/name": "Third meadow"}).is(412).has("Somebody changed this meanwhile")
	})
	t.Run("a form that is sent as it stands changes nothing", func(t *testing.T) {
		was := h.send("manager", "GET", "/v1/rigs/T01", nil)["changed_commit"]
		v.fill(v.get(at), at, "amend", nil).is(303)
		v.get(at).has("It stands as entered.")
		if is := h.send("manager", "GET", "/v1/rigs/T01", nil)["changed_commit"]; is != was {
			t.Errorf("the rig was changed by commit %v, then by %v", was, is)
		}
		write("amend", map[string]string{"n:/tank_l": "3600"}).has("details changed", "tank 3600")
	})
	t.Run("a meter is swapped, read by hand, and the reading voided", func(t *testing.T) {
		write("swap-pump", map[string]string{"n:/last": "", "n:/start": "0", "s:/reason": "display blind"}).has("Counter changed for another", "pump; new one from 0.00 h; display blind", "counters before it: 1")
		h.pass(3 * time.Hour)
		write("reading", map[string]string{"n:/counters/0/value": "1,5"}).has(`the counter shows <data class="number" value="1.50">`)
		page := v.get(at)
		_, choice, _ := strings.Cut(page.text, `id="void-pump-at"`)
		_, choice, _ = strings.Cut(choice, `<option value="`)
		stamp, _, _ := strings.Cut(choice, `"`)
		way := "/intake?rig=T01&meter=pump&at=" + stamp
		v.fill(v.get(way).is(200).has("without it"), way, "void", map[string]string{"s:/reason": "read from the wrong rig"}).is(303)
		v.get("/intake?rig=T01").has("Taken back: it no longer counts.", `data-form="undo"`)
		v.get(at).has("Reading taken back", "pump; read from the wrong rig", `the counter shows <data class="number" value="0.00">`)
	})
	t.Run("a meter is added", func(t *testing.T) {
		write("meter", map[string]string{"s:/meter": "road", "s:/quantity": "distance", "n:/value": "12"}).has("Meter added", "road 12.0 km")
	})
	t.Run("a part is removed, keeps its hours and is fitted again", func(t *testing.T) {
		part := v.get("/parts/T01-pump").is(200).has("On rig", "What is done on it", "Pump oil change")
		v.fill(part, "/parts/T01-pump", "remove", map[string]string{"s:/reason": "to be overhauled"}).is(303)
		v.get("/parts/T01-pump").has("Not on a rig", "?part=T01-pump#fit").hasNot(`data-form="remove"`)
		gone := v.get(at).has("Parts that were on it once", "fit it again", `class="piece missing"`)
		gone.hasNot(`<tr><td><a href="/parts/T01-pump">`)
		back := v.get(at + "?part=T01-pump")
		v.fill(back, at, "fit", map[string]string{"s:/position": "pump", "s:/part": "T01-pump"}).is(303)
		v.get(at).has(`<tr><td><a href="/parts/T01-pump">`).hasNot(`class="piece missing"`)
	})
	t.Run("a part that was just fitted is taken back", func(t *testing.T) {
		v.fill(v.get("/parts/T01-gauge"), "/parts/T01-gauge", "remove", map[string]string{"s:/reason": "glass broken", "b:/scrapped": "true"}).is(303)
		v.fill(v.get(at), at, "fit", map[string]string{"s:/position": "gauge", "s:/serial": "G-77"}).is(303)
		said := v.get(at).has("Part fitted.", "G-77")
		v.fill(said, at, "undo", map[string]string{"s:/reason": "wrong range"}).is(303)
		v.get(at).has("wrong range", `class="piece missing"`)
	})
	t.Run("a booking is taken back", func(t *testing.T) {
		h.send("manager", "POST", "/v1/bookings", obj{"rig": "T01", "from": "2026-05-20", "to": "2026-05-21", "hours": 12})
		write(named(v.get(at), "cancel-"), map[string]string{"s:/reason": "rain"}).has("Booking taken back", "; rain", "Nothing is booked")
	})
	t.Run("another plan, another law, and the end", func(t *testing.T) {
		write("adopt", map[string]string{"s:/plan": "mounted-boom"}).has("It follows mounted-boom")
		v.get(at).has(`href="/bay/T01/place"`, "The law of its place").hasNot(`data-form="place"`) // one form, which shows what stands
		v.fill(v.get(at), at, "retire", map[string]string{"s:/reason": "sold"}).is(303)
		v.get(at).is(200).has("Nothing: it is retired.").hasNot(`data-form="retire"`, `data-form="defect"`)
	})
}

func TestHostileNamesOnTheRigPage(t *testing.T) {
	h := newHouse(t)
	long := strings.Repeat("W", 180)
	h.register("T01", "north", obj{"name": `<script>alert("x")</script>` + "\u202eabc 🚜" + long[:100]})
	h.send("manager", "POST", "/v1/defects", obj{"rig": "T01", "part": "T01-pump", "text": `<img src=x onerror=alert(1)>` + strings.Repeat("M", 300), "safety": true})
	h.send("manager", "POST", "/v1/rigs/T01/parts/T01-gauge/remove", obj{"reason": "</p><script>1</script>"})
	h.send("manager", "POST", "/v1/rigs/T01/parts", obj{"position": "gauge", "part": "g-2", "name": `"><svg onload=alert(2)>` + long[:150], "serial": long[:100]})
	h.raise()
	for _, path := range []string{"/rigs/T01", "/parts/g-2", "/parts/T01"} {
		h.visit("manager").get(path).is(200).hasNot("<script>alert", "<img src=x", "<svg onload", "</p><script>1")
	}
	b := h.open("manager", "/rigs/T01")
	b.sees(`<script>alert("x")</script>`)
	for _, width := range []int64{390, 820, 1440} {
		b.size(width, 900, "light")
		for _, path := range []string{"/rigs/T01", "/parts/g-2"} {
			b.goTo(path)
			if !b.eval("document.documentElement.scrollWidth <= innerWidth") {
				b.t.Errorf("%s scrolls sideways at %d px", path, width)
			}
		}
	}
}

func TestTheRigInABrowser(t *testing.T) {
	h := newHouse(t)
	h.threeSeasons("T01", "north")
	h.send("manager", "POST", "/v1/bookings", obj{"rig": "T01", "from": "2026-05-11", "to": "2026-05-13", "hectares": 90})
	h.send("manager", "POST", "/v1/defects", obj{"rig": "T01", "part": "T01-boom-section-2", "text": "Hinge bent", "safety": false})
	h.send("manager", "POST", "/v1/rigs/T01/parts/T01-gauge/remove", obj{"reason": "broken"})
	h.register("T02", "north", nil)
	b := h.open("manager", "/rigs/T01")
	b.sees("What has to be done before it goes out")
	b.looks("rig")
	b.click(`.drawing a[href="#mark-1"] .ring`)
	b.until(`location.hash === "#mark-1" && document.querySelector("#mark-1:target") !== null`, "the row of the callout")

	b.goTo("/rigs/T02")
	stops := `[...document.querySelectorAll("ol.rig-reasons .go")].some((e) => e.textContent === "Repair it and clear the defect")`
	red := `document.querySelector(".rig-head .fitness.stop") !== null`
	if b.eval(stops) || b.eval(red) {
		t.Error("something stops it already")
	}
	b.press("Report a defect")
	b.set("#defect-s-part", "T02-pump")
	b.type_("#defect-s-text", "Guard of the shaft torn")
	b.click("#defect-b-safety")
	b.press("Report it")
	b.sees("Defect reported.")
	b.sees("do not use")
	b.until(red, "the fitness turned")
	b.until(stops, "the way to clear it")
	b.until(`document.querySelector(".drawing .piece.stop") !== null && document.querySelector(".drawing a.mark.stop") !== null`, "the pump marked in red")
	b.shot("rig-stopped")
	b.press("Repair it and clear the defect")
	b.until(`location.hash.startsWith("#defect-")`, "the defect")
	b.click(`.rig-defect:target summary`)
	b.type_(`.rig-defect:target textarea`, "New guard fitted")
	b.press("Clear the defect")
	b.sees("Defect cleared.")
	b.until("!"+stops+" && !("+red+")", "the reason to go")

	b.goTo("/parts/T01-pump")
	b.sees("What is done on it")
	b.looks("part")
}

// TestARigOnPaper: what a mechanic or an auditor takes along fits a few sheets,
// with its drawings and parts; what is folded stays folded.
func TestARigOnPaper(t *testing.T) {
	h := newHouse(t)
	h.threeSeasons("T01", "north")
	h.send("manager", "POST", "/v1/defects", obj{"rig": "T01", "part": "T01-pump", "text": "Guard of the shaft torn", "safety": true})
	b := h.open("manager", "/rigs/T01")
	b.sees("What has to be done before it goes out")
	if n := b.print("rig-on-paper"); n < 1 || n > 4 {
		t.Errorf("it takes %d sheets", n)
	}
	b.onPaper()
	for what, is := range map[string]string{
		"the drawing":               `document.querySelector(".drawing .piece").getBoundingClientRect().width > 0`,
		"the bars of its use":       `document.querySelector(".drawing .gain").getBoundingClientRect().width > 0`,
		"the folded parts":          `document.querySelector("#fitted td").checkVisibility({contentVisibilityAuto: true}) && document.querySelector("#fitted td").getBoundingClientRect().height > 0`,
		"as of when it was printed": `document.querySelector(".paper-only").getBoundingClientRect().height > 0`,
		"no form and no folded list": `[...document.querySelectorAll(".rig form, .rig #weeks, .rig #change")].every((e) => e.getBoundingClientRect().height === 0) &&
			[...document.querySelectorAll(".rig-facts details:not([open]) ul")].every((e) => !e.checkVisibility())`,
	} {
		if !b.eval(is) {
			t.Errorf("on paper is not as it should be: %s", what)
		}
	}
}

// The page of a rig with three seasons of readings, as it stands and when a
// reading came before each look, so that due lines and forecast are made anew.
func BenchmarkTheRigPageOfThreeSeasons(b *testing.B) {
	h := newHouse(b)
	h.threeSeasons("T01", "north")
	v := h.visit("manager")
	for _, anew := range []bool{false, true} {
		b.Run(map[bool]string{false: "as it stands", true: "after a reading"}[anew], func(b *testing.B) {
			v.get("/rigs/T01").is(200)
			took := time.Duration(0)
			for range b.N {
				if anew {
					h.pass(time.Minute)
					h.read("T01", h.now(), 1600, 11200)
				}
				begin := time.Now()
				v.get("/rigs/T01")
				took += time.Since(begin)
			}
			b.ReportMetric(float64((took/time.Duration(b.N)).Microseconds())/1000, "ms/page")
		})
	}
}
