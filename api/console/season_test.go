package console_test

import (
	"fmt"
	"net/url"
	"regexp"
	"strings"
	"testing"
	"time"

	"golang.org/x/net/html"
)

// onDay is a date so many days after the tests' morning.
func onDay(n int) string { return theMorning.AddDate(0, 0, n).Format(time.DateOnly) }

// season asks for the season until the days of all rigs are worked out.
func (v *visitor) season(path string) sheet {
	v.t.Helper()
	for end := time.Now().Add(time.Minute); ; time.Sleep(20 * time.Millisecond) {
		page := v.get(path).is(200)
		if !strings.Contains(page.text, "data-again") {
			return page
		}
		if time.Now().After(end) {
			v.t.Fatal("the days are never worked out")
		}
	}
}

// jobsOf gives the open jobs of a rig as the API lists them.
func (h *house) jobsOf(rig string) (items []string) {
	h.t.Helper()
	all, _ := h.send("manager", "GET", "/v1/items?limit=200&rig="+rig, nil)["items"].([]any)
	for _, one := range all {
		items = append(items, one.(obj)["item"].(string))
	}
	return items
}

// jobOf gives the open job of a task of a rig.
func (h *house) jobOf(rig, task string) string {
	h.t.Helper()
	for _, item := range h.jobsOf(rig) {
		if strings.Contains(item, "."+task+".") {
			return item
		}
	}
	h.t.Fatalf("rig %s has no open job %s among %v", rig, task, h.jobsOf(rig))
	return ""
}

func TestTheSeasonWithoutARigSaysWhatToDo(t *testing.T) {
	h := newHouse(t)
	h.visit("manager").get("/season").is(200).has("There is no rig", `href="/start"`)
	h.visit("reader").get("/season").is(200).has("The manager brings rigs under the ledger").hasNot(`href="/start"`)
	h.register("T01", "north", nil)
	h.visit("manager").get("/season?yard=south").is(200).has("in this yard").hasNot("T01")
}

// The due list agrees with the forecast over the API: every task that falls due
// in the time asked for, safety and statutory ones by their early day.
func TestTheSeasonListsWhatTheForecastSays(t *testing.T) {
	h := newHouse(t)
	h.register("T01", "north", nil)
	h.register("T02", "south", nil)
	h.worked("T01", 60, 5)
	h.worked("T02", 60, 1)
	h.raise()
	h.token("northern", "workshop", []string{"north"})
	v := h.visit("manager")
	page := v.season("/season?weeks=6")
	for _, rig := range []string{"T01", "T02"} {
		tasks := h.send("manager", "GET", "/v1/rigs/"+rig+"/forecast", nil)["tasks"].([]any)
		until := onDay(42)
		want := map[string]bool{}
		for _, one := range tasks {
			task := one.(obj)
			by, _ := task["p50"].(string)
			if task["weight"] != "routine" {
				by, _ = task["p10"].(string)
			}
			if by != "" && by <= until {
				want[task["title"].(string)] = true
			}
		}
		got := listed(t, page, rig)
		for title := range want {
			if !got[title] {
				t.Errorf("%s: %q falls due until %s and is not on the page", rig, title, until)
			}
		}
		for title := range got {
			if !want[title] {
				t.Errorf("%s: %q is on the page and does not fall due until %s", rig, title, until)
			}
		}
		if len(want) == 0 || len(want) == len(tasks) {
			t.Errorf("%s: %d of %d tasks fall due: this tells nothing", rig, len(want), len(tasks))
		}
	}
	v.get("/season?yard=south").is(200).has("T02").hasNot(">T01<")
	h.visit("northern").get("/season").is(200).has("T01").hasNot("T02", "south")
	if n, m := strings.Count(v.season("/season?weeks=2").text, `class="what"`), strings.Count(page.text, `class="what"`); n == 0 || n >= m {
		t.Errorf("%d jobs in two weeks, %d in six", n, m)
	}
}

// No job is suggested for two visits, none of an operator's, and a safety or
// statutory job does not wait for a rest; but what grounds the rig already does not
// stand alone because of it: it belongs into the earliest visit, and that is said.
func TestVisitsShareOutTheJobs(t *testing.T) {
	h := newHouse(t)
	h.register("T01", "north", nil)
	h.worked("T01", 60, 5)
	h.raise()
	before := h.visit("manager").season("/season?weeks=6").has("the rig stays in until it is done")
	if n := strings.Count(before.text, `<div class="card stop-visit">`); n < 2 {
		t.Errorf("%d visits without a rest: this tells little", n)
	}
	h.send("manager", "POST", "/v1/bookings", obj{"rig": "T01", "from": onDay(5), "rest": true})
	page := h.visit("manager").season("/season?weeks=6")
	seen, grounding := map[string]string{}, 0
	for _, visit := range strings.Split(page.text, `<div class="card stop-visit">`)[1:] {
		visit, _, _ = strings.Cut(visit, "</form>")
		form := regexp.MustCompile(`data-form="([^"]+)"`).FindStringSubmatch(visit)
		for _, m := range regexp.MustCompile(`name="s:/items/\d+" value="([^"]+)"`).FindAllStringSubmatch(visit, -1) {
			item := h.send("manager", "GET", "/v1/items/"+m[1], nil)
			if was := seen[m[1]]; was != "" {
				t.Errorf("%s is in %s and in %s", m[1], was, form[1])
			}
			seen[m[1]] = form[1]
			if item["usually_by"] == "operator" {
				t.Errorf("%s is an operator's and in %s", m[1], form[1])
			}
			if item["weight"] != "routine" && strings.Contains(form[1], onDay(5)) {
				if grounding++; item["status"] != "overdue" {
					t.Errorf("%s is %v and waits for the rest", m[1], item["weight"])
				}
			}
		}
		if strings.Contains(form[1], onDay(5)) && strings.Count(visit, "the rig stays in until it is done") != grounding {
			t.Errorf("of %d jobs that ground the rig it is said %d times", grounding, strings.Count(visit, "the rig stays in until it is done"))
		}
	}
	rests := 0
	for _, form := range seen {
		if strings.Contains(form, onDay(5)) {
			rests++
		}
	}
	if rests < 5 || grounding == 0 || grounding == rests {
		t.Errorf("%d jobs for the rest, %d of them ground the rig: this tells little", rests, grounding)
	}
	// Every safety job that is overdue is in one visit or another.
	all, _ := h.send("manager", "GET", "/v1/items?limit=200&rig=T01", nil)["items"].([]any)
	for _, one := range all {
		if item := one.(obj); item["weight"] == "safety" && item["status"] == "overdue" && seen[item["item"].(string)] == "" {
			t.Errorf("%v grounds the rig and is in no visit", item["item"])
		}
	}
}

// listed gives the titles of a rig's rows in the due list.
func listed(t *testing.T, page sheet, rig string) map[string]bool {
	t.Helper()
	doc, err := html.Parse(strings.NewReader(page.text))
	if err != nil {
		t.Fatal(err)
	}
	titles := map[string]bool{}
	under := "" // what is due now stands under its rig
	for n := range doc.Descendants() {
		if n.Data == "a" && n.Parent.Data == "h3" && attr(n.Parent.Parent, "class") == "due-of" {
			under = attr(n, "href")
		}
		if n.Data != "p" || attr(n, "class") != "what" {
			continue
		}
		mine := strings.HasPrefix(attr(n.Parent, "class"), "now") && under == "/rigs/"+rig
		for x := range n.Descendants() {
			if x.Data == "a" && attr(x, "href") == "/rigs/"+rig {
				mine = true
			}
			if x.Data == "b" && attr(x, "class") == "" && mine {
				titles[x.FirstChild.Data] = true
			}
		}
	}
	return titles
}

// Every minute is drawn once: what is booked on its day, the rest where it falls due.
func TestTheLoadCountsEveryMinuteOnce(t *testing.T) {
	h := newHouse(t)
	h.register("T01", "north", nil)
	h.worked("T01", 60, 5)
	h.raise()
	before := minutesIn(t, h.visit("manager").season("/season?weeks=6"))
	item := h.jobOf("T01", "boom-pivots")
	minutes := int(h.send("manager", "GET", "/v1/items/"+item, nil)["planned_minutes"].(float64))
	h.send("workshop", "POST", "/v1/items/"+item+"/book", obj{"date": onDay(9)})
	after := minutesIn(t, h.visit("manager").season("/season?weeks=6"))
	if before[0] != 0 || minutes == 0 || after[0] != minutes || after[1] != before[1]-minutes {
		t.Errorf("booked and falling due: %v, then %v; the job takes %d min by its plan", before, after, minutes)
	}
	days := h.visit("manager").season("/season?weeks=2")
	if want := fmt.Sprintf(`<th scope="row"><time datetime="%[1]s" data-day>%[1]s</time></th><td class="number"><data class="number" value="%[2]d">%[2]d</data>`, onDay(9), minutes); !strings.Contains(days.text, want) {
		t.Error("the day it is booked for does not show its minutes")
	}
}

// minutesIn sums the columns booked, falls due, may come early of the numbers.
func minutesIn(t *testing.T, page sheet) (sums [3]int) {
	t.Helper()
	page.is(200)
	doc, err := html.Parse(strings.NewReader(page.text))
	if err != nil {
		t.Fatal(err)
	}
	for n := range doc.Descendants() {
		if n.Data != "td" || attr(n, "class") != "number" {
			continue
		}
		column := 0
		for x := n.PrevSibling; x != nil; x = x.PrevSibling {
			if x.Data == "td" {
				column++
			}
		}
		var minutes int
		for x := range n.Descendants() {
			if x.Data == "data" {
				_, _ = fmt.Sscan(attr(x, "value"), &minutes)
			}
		}
		sums[column] += minutes
	}
	return sums
}

// A routine job is deferred from the season; for a statutory or safety one the
// rule that forbids it stands at the field of the day.
func TestDeferringFromTheSeason(t *testing.T) {
	h := newHouse(t)
	h.register("T01", "north", nil)
	h.worked("T01", 60, 5)
	h.raise()
	v := h.visit("manager")
	routine, binding := "", ""
	all, _ := h.send("manager", "GET", "/v1/items?limit=200&rig=T01", nil)["items"].([]any)
	for _, one := range all {
		if item := one.(obj); item["weight"] == "routine" {
			routine = item["item"].(string)
		} else {
			binding = item["item"].(string)
		}
	}
	at := "/season?weeks=6&job=" + url.QueryEscape(binding)
	page := v.get(at).is(200).has("cannot be put off past its own limit", "job cannot be struck").hasNot(`data-form="strike"`)
	refused := v.fill(page, at, "defer", map[string]string{"s:/reason": "harvest first", "d:/until": onDay(300)}).is(403)
	refused.has(`value="harvest first"`, `value="`+onDay(300)+`"`, "cannot be deferred past its limit", `aria-invalid="true"`, `id="defer-d-until-wrong"`)
	page = v.get("/season?weeks=6&job=" + url.QueryEscape(routine)).is(200)
	v.fill(page, at, "defer", map[string]string{"s:/reason": "", "d:/until": onDay(20)}).is(422).has(`id="defer-s-reason-wrong"`)
	v.fill(page, at, "defer", map[string]string{"s:/reason": "parts come on Friday", "d:/until": onDay(20)}).is(303)
	v.get("/season").is(200).has("The job is deferred.", "deferred: parts come on Friday")
	page = v.get("/season?weeks=6&job=" + url.QueryEscape(routine)).is(200)
	v.fill(page, at, "strike", map[string]string{"s:/reason": "the part goes out of use"}).is(303)
	if got := h.send("manager", "GET", "/v1/items/"+routine, nil)["stage"]; got != "struck" {
		t.Errorf("the job is %v", got)
	}
	h.visit("workshop").get("/season?job="+url.QueryEscape(binding)).is(200).has(`data-form="book"`).hasNot(`data-form="strike"`, `data-form="rest"`)
	h.visit("operator").get("/season?job="+url.QueryEscape(binding)).is(200).hasNot(`data-form="book"`, `data-form="defer"`, `data-form="rest"`)
}

// A booking is made, shown, taken back by its undo, and cancelled from the list.
func TestABookingIsTakenBack(t *testing.T) {
	h := newHouse(t)
	h.register("T01", "north", nil)
	v := h.visit("manager")
	page := v.get("/season").is(200).has("No rig is booked in this time")
	v.fill(page, "/season", "work", map[string]string{"s:/rig": "T01", "d:/from": onDay(3), "d:/to": onDay(1)}).is(422).
		has(`id="work-d-to-wrong"`, `id="work-n-hectares-wrong"`, `value="`+onDay(1)+`"`)
	v.fill(page, "/season", "work", map[string]string{"s:/rig": "T01", "d:/from": onDay(3), "d:/to": onDay(5), "n:/hectares": "120,5", "s:/note": "beet"}).is(303)
	page = v.get("/season").is(200).has("The work is booked.", "beet", `class="work-booked"`, "Gets through without a job falling due")
	v.fill(page, "/season", "undo", nil).is(303)
	page = v.get("/season").is(200).has("Taken back.", "No rig is booked in this time").hasNot("beet")
	v.fill(page, "/season", "rest", map[string]string{"s:/rig": "T01", "d:/from": onDay(4)}).is(303)
	page = v.get("/season").is(200).has("The rest is booked.", `class="rest-booked"`, "<b>rest</b>").hasNot("as well.")
	list, _ := h.send("manager", "GET", "/v1/bookings", nil)["bookings"].([]any)
	if len(list) != 1 || list[0].(obj)["rest"] != true {
		t.Fatalf("bookings are %v", list)
	}
	v.fill(page, "/season", "cancel-"+list[0].(obj)["booking"].(string), nil).is(303)
	v.get("/season").is(200).has("No rig is booked in this time")
}

// Of 500 rigs the first look says what is still missing, a later one has everything.
func TestTheSeasonOf500Rigs(t *testing.T) {
	h := newHouse(t)
	h.many(500)
	v := h.visit("manager")
	page := v.get("/season?weeks=6").is(200)
	for end := time.Now().Add(2 * time.Minute); strings.Contains(page.text, "still being worked out"); page = v.get("/season?weeks=6").is(200) {
		if time.Now().After(end) {
			t.Fatal("the days are never worked out")
		}
		time.Sleep(100 * time.Millisecond)
	}
	if size := len(page.text); size > 600<<10 {
		t.Errorf("the season of 500 rigs has %d kB", size>>10)
	}
}

// What people type shows as text, wherever it comes out.
func TestTheSeasonShowsHostileTextAsText(t *testing.T) {
	h := newHouse(t)
	evil := `<script>alert(1)</script>"'&` + "\u202eevil\u202c \U0001F69C"
	long := strings.Repeat("Furrow", 13)
	h.register("T01", "north", obj{"name": evil})
	h.register("T02", "north", obj{"name": long})
	h.worked("T01", 60, 5)
	h.worked("T02", 60, 5)
	h.raise()
	h.send("manager", "POST", "/v1/bookings", obj{"rig": "T01", "from": onDay(1), "rest": true, "note": evil})
	job := h.jobOf("T01", "boom-pivots")
	h.send("manager", "POST", "/v1/items/"+job+"/book", obj{"date": onDay(0), "for": evil})
	h.send("manager", "POST", "/v1/items/"+job+"/defer", obj{"until": onDay(30), "reason": evil})
	v := h.visit("manager")
	for _, at := range []string{"/season", "/season?job=" + job, "/workshop", "/workshop?yard=" + url.QueryEscape(`x"><b>`), "/season?yard=" + url.QueryEscape(`x"><b><script>alert(1)`), "/items/" + job, "/items/" + job + "/card"} {
		page := v.get(at).is(200).hasNot("<script>alert", `"><b><script`)
		if !strings.Contains(at, "yard=") {
			page.has("&lt;script&gt;")
		}
	}
	b := h.open("manager", "/season")
	b.size(390, 900, "light")
	for _, at := range []string{"/season", "/workshop", "/items/" + job, "/items/" + job + "/card"} {
		b.goTo(at)
		if !b.eval("document.documentElement.scrollWidth <= innerWidth") {
			t.Errorf("%s scrolls sideways at 390 px", at)
		}
	}
}
