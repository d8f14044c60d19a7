package console_test

import (
	"fmt"
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

// The page is the workshop's answer to programs: the same jobs in the same order,
// the same parts, for today and for other days.
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
				page.has(fmt.Sprintf(`value="%.0f">%.0f</data> minutes planned`, y["planned_minutes"], y["planned_minutes"]))
			}
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
	if b.eval(`[...document.querySelectorAll(".stop-visit form")].find((f) => f.dataset.form.startsWith("visit-T01-` + onDay(3) + `")).querySelector("input[value*=wheel-nuts]") !== null`) {
		t.Error("a safety job that is overdue waits for the rest")
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
	b.click("ul.pick input[type=checkbox]")
	b.goTo("/workshop")
	b.until(`document.querySelector("ul.pick input[type=checkbox]").checked`, "the tick")
	b.click("ul.pick input[type=checkbox]")
	b.goTo("/workshop")
	if b.eval(`document.querySelector("ul.pick input[type=checkbox]").checked`) {
		t.Error("the tick came back")
	}
}
