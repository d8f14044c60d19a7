package console_test

import (
	"fmt"
	"maps"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
)

var jobLink = regexp.MustCompile(`<a class="job" href="/items/([^"]+)"`)

// onPage gives the jobs that a page lists, in order.
func (s sheet) onPage() (items []string) {
	for _, m := range jobLink.FindAllStringSubmatch(s.text, -1) {
		items = append(items, m[1])
	}
	return items
}

// hours is so many minutes as pages say it.
func hours(minutes int) string {
	switch {
	case minutes < 60:
		return fmt.Sprintf("%d min", minutes)
	case minutes%60 == 0:
		return fmt.Sprintf("%d h", minutes/60)
	}
	return fmt.Sprintf("%d h %d min", minutes/60, minutes%60)
}

// byRigs puts jobs that stand in order under their rigs: the rig of the first job first.
func byRigs(items []string) []string {
	var rigs []string
	of := map[string][]string{}
	for _, item := range items {
		rig := item[:3]
		if of[rig] == nil {
			rigs = append(rigs, rig)
		}
		of[rig] = append(of[rig], item)
	}
	var all []string
	for _, rig := range rigs {
		all = append(all, of[rig]...)
	}
	return all
}

// The page is the workshop's answer to programs: the same jobs in the same order,
// each with the others of its rig, and the same parts, for today and for other days.
func TestTheWorkshopListsWhatTheAPIAnswers(t *testing.T) {
	h := newHouse(t)
	h.register("T01", "north", nil)
	h.register("T02", "north", nil)
	h.register("T03", "south", nil)
	h.worked("T01", 60, 5)
	h.worked("T02", 40, 3)
	h.worked("T03", 20, 2)
	h.raise()
	one, other := h.jobOf("T02", "boom-pivots"), h.jobOf("T02", "air-chamber")
	h.send("workshop", "POST", "/v1/items/"+one+"/book", obj{"date": onDay(6), "for": "A. Example"})
	h.send("workshop", "POST", "/v1/items/"+other+"/start", obj{"by": "A. Example", "cautions_read": true})
	v := h.visit("workshop")
	lengths := map[int]bool{}
	for _, days := range []int{0, 6, 40} {
		for _, yard := range []string{"north", "south"} {
			at := "?yard=" + yard + "&date=" + onDay(days)
			page := v.get("/workshop" + at).is(200)
			yards := h.send("workshop", "GET", "/v1/workshop"+at, nil)["yards"].([]any)
			var want []string
			if len(yards) > 0 {
				y := yards[0].(obj)
				for _, item := range y["items"].([]any) {
					want = append(want, item.(obj)["item"].(string))
				}
				for _, p := range y["pick"].([]any) {
					pick := p.(obj)
					page.has(fmt.Sprintf(`value="%.0f">%.0f</data> ×</b> %s <span class="hint code">%s</span>`, pick["count"], pick["count"], pick["name"], pick["sku"]))
				}
				minutes := map[bool]int{} // by whether it is the operator's
				for _, item := range y["items"].([]any) {
					planned, _ := item.(obj)["planned_minutes"].(float64)
					minutes[item.(obj)["usually_by"] == "operator"] += int(planned)
				}
				if all := int(y["planned_minutes"].(float64)); minutes[true] == 0 || minutes[false]+minutes[true] != all {
					t.Errorf("%s: %v make up %d minutes", at, minutes, all)
				}
				page.has(hours(minutes[false]) + " of work for the workshop, " + hours(minutes[true]) + " for operators")
				if days == 0 { // the season counts as the workshop does
					v.season("/season?yard=" + yard).has(" of work for the workshop, " + hours(minutes[true]) + " for operators")
				}
			}
			want = byRigs(want)
			if got := page.onPage(); !slices.Equal(got, want) {
				t.Errorf("%s: the page lists\n%v, the API\n%v", at, got, want)
			}
			lengths[len(want)] = true
		}
	}
	if len(lengths) < 3 {
		t.Errorf("the lists have lengths %v: this tells little", lengths)
	}
	v.get("/workshop").is(200).has("Engine off, key out, PTO stopped", "in hand, A. Example")
	v.get("/workshop?date=tomorrow").is(422)
}

// A mechanic stands beside one rig: its jobs, why it stands where it does, what it
// takes and what it waits for are in one place, and the day's parts in another.
func TestARigsDayStandsTogether(t *testing.T) {
	h := newHouse(t)
	h.register("T01", "north", obj{"name": "Low meadow"})
	h.register("T02", "north", obj{"name": "Crow wood"})
	h.register("T03", "south", nil)
	h.worked("T01", 20, 2)
	h.worked("T02", 60, 9)
	h.worked("T03", 60, 9)
	h.raise()
	v := h.visit("workshop")
	page := v.get("/workshop?yard=north").is(200)
	one, two := strings.Index(page.text, `id="rig-T01"`), strings.Index(page.text, `id="rig-T02"`)
	if two < 0 || one < two {
		t.Error("the rig with a safety job that is overdue does not stand first")
	}
	page.has("Its place comes from: Wheel nuts torque", `href="#rig-T01"`, `href="#rig-T02"`, "do not use")
	page.has("Not handed over clean since it last worked", `href="/rigs/T02#handover"`)

	// What is picked for the day is what is picked for its rigs.
	counted := regexp.MustCompile(`data-(tick|tick-all)="([^"]+)"[^>]*> <span><b><data class="number" value="(\d+)">`)
	day, rigs := map[string]int{}, map[string]int{}
	for _, m := range counted.FindAllStringSubmatch(page.text, -1) {
		words := strings.Fields(m[2])
		n := 0
		_, _ = fmt.Sscan(m[3], &n)
		if m[1] == "tick-all" {
			day[words[len(words)-1]] += n
		} else {
			rigs[words[len(words)-1]] += n
		}
	}
	if len(day) == 0 || !maps.Equal(day, rigs) {
		t.Errorf("for the day %v are picked, for its rigs %v", day, rigs)
	}

	only := v.get("/workshop?rig=T02").is(200).has(`id="rig-T02"`, "Crow wood", "All rigs of the day").hasNot(`id="rig-T01"`, `id="rig-T03"`, "Parts to pick for the day")
	if got, want := only.onPage(), page.onPage(); !slices.Equal(got, want[:len(got)]) || len(got) == 0 {
		t.Errorf("alone the rig has %v, in its yard %v", got, want)
	}
	v.get("/workshop?rig=T02&date="+onDay(3)).is(200).has(`value="T02"`, `href="/workshop?date=`+onDay(4)+`&amp;rig=T02"`, `href="/workshop?rig=T02"`)
	v.get("/workshop?rig=T99").is(200).has("There is no rig T99 here").hasNot(`id="rig-`)
	h.token("southern", "workshop", []string{"south"})
	h.visit("southern").get("/workshop?rig=T02").is(200).has("There is no rig T02 here").hasNot("Crow wood")

	// Once it is handed over, nothing waits for that.
	h.send("workshop", "POST", "/v1/rigs/T02/handover", obj{"rinsed": true, "washed_outside": true, "last_products": []string{"water only"}, "signed_by": "Ana"})
	v.get("/workshop?rig=T02").is(200).hasNot("Not handed over clean")
}

// With very many rigs the less pressing ones are named, and each has its jobs one step away.
func TestNoRigIsOutOfReachInABigWorkshop(t *testing.T) {
	h := newHouse(t)
	h.many(40)
	v := h.visit("manager")
	page := v.get("/workshop").is(200).has("more rigs wait for less pressing work")
	shown, named := strings.Count(page.text, `class="bench-rig"`), 0
	for i := range 40 {
		code := fmt.Sprintf("M%03d", i+1)
		if strings.Contains(page.text, "rig="+code+"&") || strings.Contains(page.text, `&amp;rig=`+code+`&amp;`) || strings.Contains(page.text, "#rig-"+code+`"`) {
			named++
		}
	}
	ways := regexp.MustCompile(`(M\d{3}) <span class="hint">\d+</span></a>`).FindAllStringSubmatch(page.text, -1)
	for i := 1; i < len(ways) && i < 13; i++ { // of one yard
		if ways[i-1][1] >= ways[i][1] {
			t.Errorf("of many rigs %s stands before %s", ways[i-1][1], ways[i][1])
		}
	}
	if named != 40 || shown >= 40 || shown < 3 {
		t.Errorf("%d rigs are shown and %d can be reached, want fewer than 40 and all 40", shown, named)
	}
}

func TestTheWorkshopWithNothingToDo(t *testing.T) {
	h := newHouse(t)
	h.visit("workshop").get("/workshop").is(200).has("There is no rig here yet")
	h.register("T01", "north", obj{"first_use": onDay(0)})
	h.visit("workshop").get("/workshop").is(200).has("Nothing is in hand, booked or due here", `href="/season"`)
}

// A rain-day visit booked and finished: the rest is entered on the season page,
// the jobs that fit into it are booked together, on the day the workshop shows
// them, and one after the other is done.
func TestARainDayVisitBookedAndFinished(t *testing.T) {
	h := newHouse(t)
	h.register("T01", "north", nil)
	h.worked("T01", 60, 4)
	h.raise()
	b := h.open("manager", "/season")
	b.press("A rain day or other rest")
	b.type_("#rest-s-rig", "T01")
	b.set("#rest-d-from", onDay(3))
	b.type_("#rest-s-note", "rain")
	b.press("Book the rest")
	b.sees("The rest is booked.")
	b.sees("rests then")
	b.sees("rain")
	b.looks("season")

	// A second thought: the undo that is offered takes the booking back, and it is made anew.
	b.press("Take it back")
	b.sees("Taken back.")
	b.until(`!document.body.innerText.includes("rests then")`, "the rest to be gone")
	b.press("A rain day or other rest")
	b.type_("#rest-s-rig", "T01")
	b.set("#rest-d-from", onDay(3))
	b.press("Book the rest")
	b.sees("rests then")

	// Of the jobs of the visit, two are left out.
	all := b.count(`.stop-visit form input[type=checkbox]`)
	if all < 4 {
		t.Fatalf("the visit has %d jobs to book", all)
	}
	b.eval(`(() => { const boxes = [...document.querySelectorAll(".stop-visit form input[type=checkbox]")]; for (const box of boxes.slice(2)) box.click(); return true })()`)
	if !b.eval(`[...document.querySelectorAll(".stop-visit form")].find((f) => f.dataset.form.startsWith("visit-T01-` + onDay(3) + `")).querySelector("input[value*=wheel-nuts]").closest("label").textContent.includes("the rig stays in until it is done")`) {
		t.Error("the safety job that grounds the rig is not in its earliest visit, with that said")
	}
	form := `document.querySelector(".stop-visit form").dataset.form`
	if !b.eval(form + `.startsWith("visit-T01-` + onDay(3) + `-")`) {
		t.Error("the first suggestion is not for the rest")
	}
	b.type_(".stop-visit form input[type=text]", "Ana")
	b.press("Book these together")
	b.sees("The visit is booked.")
	booked := 0
	for _, item := range h.jobsOf("T01") {
		if got := h.send("manager", "GET", "/v1/items/"+item, nil); got["stage"] == "booked" {
			if got["booked_on"] != onDay(3) || got["booked_for"] != "Ana" {
				t.Errorf("%s is booked on %v for %v", item, got["booked_on"], got["booked_for"])
			}
			booked++
		}
	}
	if booked != 2 {
		t.Fatalf("%d jobs are booked, want the two that stayed ticked", booked)
	}

	// The day has come.
	h.pass(3 * 24 * time.Hour)
	w := h.open("workshop", "/workshop?yard=north")
	w.sees("booked for")
	w.looks("workshop")
	first := h.bookedOf("T01")[0]
	w.click(`a.job[href="/items/` + first + `"]`)
	w.sees("First, so that nobody is hurt")
	if w.eval(`document.querySelector("[data-form=handover]") !== null`) {
		w.handOver()
	}
	w.looks("job-booked")
	w.type_("#start-s-by", "Ana")
	w.click("#start-b-cautions_read")
	w.press("Take it in hand")
	w.sees("In hand.")
	w.looks("job-in-hand")
	w.eval(`(() => { for (const box of document.querySelectorAll("[data-form=finish] input[type=checkbox]")) box.click(); return true })()`)
	w.type_("#finish-s-findings", "worn, within limits")
	w.type_("#finish-n-minutes", "35")
	w.press("Finish the job")
	w.sees("Finished.")
	w.sees("worn, within limits")
	w.looks("job-done")
	got := h.send("manager", "GET", "/v1/items/"+first, nil)
	done, _ := got["finished"].(obj)
	if got["stage"] != "done" || done["minutes"] != 35.0 || len(done["checked"].([]any)) != len(got["checklist"].([]any)) {
		t.Errorf("the job stands as %v", got)
	}
	// What comes next is the other job of the same visit, or another of this rig.
	w.click("ol.day a.job")
	w.sees("First, so that nobody is hurt")
	if !strings.HasPrefix(w.text(".lead"), "T01") {
		t.Errorf("next comes %q", w.text(".lead"))
	}
}

// bookedOf gives a rig's booked jobs.
func (h *house) bookedOf(rig string) (items []string) {
	h.t.Helper()
	for _, item := range h.jobsOf(rig) {
		if h.send("manager", "GET", "/v1/items/"+item, nil)["stage"] == "booked" {
			items = append(items, item)
		}
	}
	return items
}

// handOver signs the rig over as clean, where the job asks for it first.
func (b *tab) handOver() {
	b.t.Helper()
	b.click("#handover-b-rinsed")
	b.click("#handover-b-washed_outside")
	b.type_("#handover-l-last_products", "water only")
	b.type_("#handover-s-signed_by", "Ana")
	b.press("Hand over as clean")
	b.sees("Handed over clean.")
}

// count gives how many things a selector finds.
func (b *tab) count(selector string) int {
	b.t.Helper()
	n, err := chromedp.Run(b.ctx, chromedp.Evaluate[int](fmt.Sprintf(`document.querySelectorAll(%q).length`, selector)))
	if err != nil {
		b.t.Fatal(err)
	}
	return n
}

// What is picked stays ticked when the page is made anew, in this browser only.
func TestPickedPartsStayTicked(t *testing.T) {
	h := newHouse(t)
	h.register("T01", "north", nil)
	h.worked("T01", 60, 9)
	h.raise()
	item := ""
	for _, one := range h.jobsOf("T01") {
		if len(h.send("manager", "GET", "/v1/items/"+one, nil)["pick"].([]any)) > 0 {
			item = one
		}
	}
	h.send("workshop", "POST", "/v1/items/"+item+"/book", obj{"date": onDay(0)})
	b := h.open("workshop", "/workshop")
	b.click("input[data-tick]")
	b.goTo("/workshop")
	b.until(`document.querySelector("input[data-tick]").checked`, "the tick")
	b.click("input[data-tick]")
	b.goTo("/workshop")
	if b.eval(`document.querySelector("input[data-tick]").checked`) {
		t.Error("the tick came back")
	}
	// The day's tick of a part stands for those of all its rigs.
	b.press("Parts to pick for the day, north")
	b.click("input[data-tick-all]")
	b.until(`(() => { const all = document.querySelector("input[data-tick-all]").dataset.tickAll; return [...document.querySelectorAll("input[data-tick]")].filter((e) => e.dataset.of === all).every((e) => e.checked) })()`, "the rigs' ticks")
	b.goTo("/workshop")
	b.until(`document.querySelector("input[data-tick-all]").checked`, "the day's tick")
}
