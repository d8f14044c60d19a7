package console_test

import (
	"regexp"
	"strings"
	"testing"
	"time"

	"rigledger/fleet"
)

// row is what the yard shows of one rig.
func (s sheet) row(rig string) string {
	s.t.Helper()
	_, after, found := strings.Cut(s.text, `<h3><a href="/rigs/`+rig+`"`)
	if !found {
		s.t.Fatalf("the yard does not show %s", rig)
	}
	row, _, _ := strings.Cut(after, `</details>`)
	return row
}

var (
	workFirst = regexp.MustCompile(`<p>([0-9a-z ]+) of work first</p>`)
	operators = regexp.MustCompile(`<p class="own">.*?</p>`)
	yardNext  = regexp.MustCompile(`Next job: <a href="([^"]+)">([^<]+)</a>`)
	rigNext   = regexp.MustCompile(`<dt>Next job</dt><dd><a href="([^"]+)">([^<]+)</a>`)
)

// of gives a group of a pattern's first match, "" for none.
func of(pattern *regexp.Regexp, text string, group int) string {
	if m := pattern.FindStringSubmatch(text); m != nil {
		return m[group]
	}
	return ""
}

// allButTheOperators finishes every open job of a rig that is not the operator's, and
// calibrates it after.
func (h *house) allButTheOperators(rig string) {
	h.t.Helper()
	for _, item := range h.jobsOf(rig) {
		open := h.send("manager", "GET", "/v1/items/"+item, nil)
		if open["usually_by"] != "operator" && open["stage"] == "raised" {
			h.do(&fleet.FinishItem{Item: item, By: "Rae"})
		}
	}
	h.send("workshop", "POST", "/v1/calibrations", obj{
		"rig": rig, "nozzle": "03", "tester": "B. Bench", "bar": 3, "km_h": 8, "spacing_m": 0.5, "flows_l_min": []float64{1.2, 1.2},
		"instruments": []obj{{"name": "jug", "checked_until": "2027-01-31"}},
	})
}

func TestTheYardAndTheRigsPageSayTheSame(t *testing.T) {
	h := newHouse(t)
	h.threeSeasons("T01", "north") // a good deal is due
	h.register("T02", "north", obj{"first_use": "2026-04-20"})
	h.worked("T02", 3, 8) // the operator's filters are due, and nothing else
	h.register("T03", "north", obj{"first_use": "2026-05-04"})
	h.register("T04", "north", nil)
	h.worked("T04", 60, 5)
	h.raise()
	h.allButTheOperators("T02")
	v := h.visit("manager")
	yard := v.settled("/")
	worked := 0
	for _, rig := range []string{"T01", "T02", "T03", "T04"} {
		row, page := yard.row(rig), v.get("/rigs/"+rig).is(200)
		if in, on := of(workFirst, row, 1), of(workFirst, page.text, 1); in != on {
			t.Errorf("%s: the yard says %q of work first, the rig's page %q", rig, in, on)
		} else if in != "" {
			worked++
		}
		next, there := of(yardNext, row, 2), of(rigNext, page.text, 2)
		if next == "" || next != there || of(yardNext, row, 1) != of(rigNext, page.text, 1) {
			t.Errorf("%s: next is %q in the yard, %q on the rig's page", rig, next, there)
		}
		// It is never one that is far off while another is overdue.
		overdue := map[string]bool{}
		all, _ := h.send("manager", "GET", "/v1/items?limit=200&rig="+rig, nil)["items"].([]any)
		for _, one := range all {
			if item := one.(obj); item["status"] == "overdue" {
				overdue[item["title"].(string)] = true
			}
		}
		if len(overdue) > 0 && !overdue[next] {
			t.Errorf("%s: next is %q while %v are overdue", rig, next, overdue)
		}
		if strings.Contains(row, "fitness stop") {
			continue // there the operator's are among those that do not stop it
		}
		if in, on := of(operators, row, 0), of(operators, page.text, 0); in != on {
			t.Errorf("%s: for the operator the yard says %q, the rig's page %q", rig, in, on)
		}
	}
	if worked < 2 {
		t.Errorf("%d rigs have work first: this tells little", worked)
	}
	if of(operators, yard.row("T02"), 0) == "" {
		t.Errorf("what is due for the operator of T02 is left out: %s", yard.row("T02"))
	}
}

func TestWhatTheOperatorDoesIsSaidAndHoldsNobodyBack(t *testing.T) {
	h := newHouse(t)
	h.register("T01", "north", obj{"first_use": "2026-04-20"})
	h.worked("T01", 3, 8)
	h.raise()
	h.allButTheOperators("T01")
	var due []string
	h.fleet.View(func(s *fleet.State) {
		for _, l := range h.fleet.DueOf(s, s.Rigs["T01"], h.now()) {
			if l.Task.By == "operator" && (l.Due.Status == "due" || l.Due.Status == "overdue") {
				due = append(due, l.Task.Title)
			}
		}
	})
	if len(due) < 2 {
		t.Fatalf("due for the operator are %v: this tells little", due)
	}
	v := h.visit("manager")
	page := v.settled("/?on=2026-05-04")
	if got := page.answers(); len(got["goes"])+len(got["if"]) != 1 {
		t.Errorf("the answers are %v", got)
	}
	said := of(operators, page.row("T01"), 0)
	if !strings.Contains(said, "For the operator, before going out") || !strings.Contains(said, due[0]) {
		t.Errorf("%v are due, and it says %q", due, said)
	}
	// Of a rig that stays in they are counted beside what stops it.
	h.send("manager", "POST", "/v1/defects", obj{"rig": "T01", "text": "PTO guard broken", "safety": true})
	v.settled("/?on=2026-05-04").has("of them for the operator", "do not stop it")
}

func TestTheYardShowsEverythingThatIsBookedForTheDay(t *testing.T) {
	h := newHouse(t)
	h.register("T01", "north", nil)
	h.register("T02", "north", nil)
	h.worked("T01", 60, 4)
	h.raise()
	v := h.visit("manager")
	day := onDay(2)
	h.send("manager", "POST", "/v1/bookings", obj{"rig": "T01", "from": day, "to": onDay(4), "hectares": 120})
	h.send("manager", "POST", "/v1/bookings", obj{"rig": "T02", "from": onDay(9), "rest": true})
	v.settled("/?on="+day).has("120</data> ha").hasNot("It cannot be in two places", "In the workshop")
	v.season("/season").hasNot("as well.")
	h.send("workshop", "POST", "/v1/items/"+h.jobOf("T01", "boom-pivots")+"/book", obj{"date": day})
	row := v.settled("/?on=" + day).row("T01")
	if !strings.Contains(row, "120</data> ha") || !strings.Contains(row, `In the workshop <time datetime="`+day+`"`) || !strings.Contains(row, "It cannot be in two places") {
		t.Errorf("work and a visit on one day: %s", row)
	}
	v.settled("/?on=" + onDay(3)).hasNot("It cannot be in two places") // the visit is the day before
	v.season("/season").has(`Jobs of it are booked in the workshop on <time datetime="` + day + `"`)
	h.send("manager", "POST", "/v1/bookings", obj{"rig": "T01", "from": onDay(3), "rest": true})
	row = v.settled("/?on=" + onDay(3)).row("T01")
	if !strings.Contains(row, "120</data> ha") || !strings.Contains(row, "Rest booked") || !strings.Contains(row, "It cannot be in two places") {
		t.Errorf("work and rest on one day: %s", row)
	}
	v.season("/season").has("it is booked to rest as well.", "it is booked to work as well.")
	// A day that has gone by is none to book a job on.
	item := h.jobOf("T01", "air-chamber")
	v.fill(v.get("/items/"+item), "/items/"+item, "book", map[string]string{"d:/date": onDay(-3)}).is(422).
		has(`id="book-d-date-wrong"`, "what was done then is entered as finished", `value="`+onDay(-3)+`"`)
}

// The worst nozzle is that of the newest measurement of all of them, whoever made
// it; what an inspection found is named nozzle by nozzle, with the section.
func TestTheWorstNozzleIsOfTheNewestMeasurement(t *testing.T) {
	h := newHouse(t)
	h.register("T01", "north", nil)
	v := h.visit("workshop")
	flows := func(change map[int]float64) (all []float64) {
		for i := range 49 { // seven sections of seven
			all = append(all, 1.2)
			if q, ok := change[i+1]; ok {
				all[i] = q
			}
		}
		return all
	}
	h.send("workshop", "POST", "/v1/calibrations", obj{
		"rig": "T01", "nozzle": "03", "tester": "B. Bench", "bar": 3, "km_h": 8, "spacing_m": 0.5, "flows_l_min": flows(map[int]float64{42: 1.15}),
	})
	v.settled("/").has(`worst nozzle <data class="number" value="42">`, `value="-4.2"`)
	h.pass(24 * time.Hour)
	found := h.send("workshop", "POST", "/v1/inspections", obj{
		"rig": "T01", "statutory": false, "tester": "Y. Ours",
		"sheet": obj{"measured": obj{"nozzle_flow": obj{"nominal_l_min": 1.2, "flows_l_min": flows(map[int]float64{8: 1.36, 21: 0.9, 42: 1.34})}}},
	})["inspection"].(string)
	v.settled("/").has(`worst nozzle <data class="number" value="21">`, `value="-25.0"`, `% from nominal, <time datetime="2026-05-05"`)
	v.get("/bay").has(`Worst nozzle 21: <data class="number" value="-25.0">`)
	page := v.get("/inspections/" + found).is(200)
	change, _, _ := strings.Cut(page.text, "The sheet</h2>")
	for nozzle, section := range map[string]string{"8": "2", "21": "3", "42": "6"} {
		if !strings.Contains(change, `Change nozzle <b>`+nozzle+`</b> <span class="hint">in section `+section+` `) {
			t.Errorf("nozzle %s is not named among what to change, with section %s", nozzle, section)
		}
	}
	page.hasNot(`data-form="certificate"`)
	h.pass(time.Hour)
	h.send("workshop", "POST", "/v1/inspections", obj{
		"rig": "T01", "statutory": false, "tester": "Y. Ours", "retest_of": found,
		"sheet": obj{"measured": obj{"nozzle_flow": obj{"nominal_l_min": 1.2, "flows_l_min": flows(nil)}}},
	})
	v.settled("/").has(`worst nozzle <data class="number" value="1">`).hasNot(`value="-25.0"`)
}

// Of jobs that press alike the yard names the one that stands first in the workshop.
func TestTheNextJobIsTheFirstOfTheWorkshopsList(t *testing.T) {
	h := newHouse(t)
	h.register("T04", "south", obj{"name": "Silent"})
	h.raise()
	v := h.visit("manager")
	at := func(page, where string) string {
		found := regexp.MustCompile(`(?s)` + where + `[^<]*<a[^>]* href="(/items/T04[^"]+)"`).FindStringSubmatch(v.settled(page).text)
		if found == nil {
			t.Fatalf("%s has no job after %s", page, where)
		}
		return found[1]
	}
	first := at("/workshop?rig=T04", `<ol class="day">\s*<li>`)
	if yard, rig := at("/", "Next job:"), at("/rigs/T04", `<dt>Next job</dt><dd>`); yard != first || rig != first {
		t.Errorf("the workshop begins with %s, the yard says %s and the rig's page %s", first, yard, rig)
	}
}
