package console_test

import (
	"fmt"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"
)

// On a phone what one chooses by stands folded, with its state in one line; on a wide
// screen it stands open, and so does what is folded further down.
func TestWhatOneChoosesByIsFoldedOnAPhone(t *testing.T) {
	h := newHouse(t)
	h.many(30)
	h.worked("M001", 1, 1)
	b := h.open("manager", "/")
	seen := func(selector string) bool {
		return b.eval(fmt.Sprintf(`(() => { const e = document.querySelector(%q); return e !== null && e.checkVisibility({contentVisibilityAuto: true}) && e.getBoundingClientRect().height > 1 })()`, selector))
	}
	for _, c := range []struct{ at, fold, field, says string }{
		{"/?yard=millrace&sort=hours", "#yard-asked", "#yard-on", "millrace, most hours first"},
		{"/season?yard=millrace&weeks=2", "#season-asked", "#season-yard", "millrace, two weeks"},
		{"/workshop?yard=millrace", "#workshop-asked", "#workshop-yard", "millrace, "},
		{"/intake?state=ended", "#sifted", "#sift-yard", "all yards"},
	} {
		b.size(390, 844, "light")
		b.goTo(c.at)
		if !seen(c.fold+" > summary") || seen(c.field) {
			t.Errorf("%s: the form is not folded at 390 px", c.at)
		}
		if got := b.text(c.fold + " > summary"); !strings.Contains(got, c.says) {
			t.Errorf("%s: the line says %q, want %q", c.at, got, c.says)
		}
		b.click(c.fold + " > summary")
		if !seen(c.field) {
			t.Errorf("%s: the form does not open", c.at)
		}
		b.size(1440, 900, "light")
		b.goTo(c.at)
		if seen(c.fold+" > summary") || !seen(c.field) {
			t.Errorf("%s: the form is folded at 1440 px", c.at)
		}
	}

	// What decides comes first in a rig's row; the rest is one touch away, or open where there is room.
	b.size(390, 844, "light")
	b.goTo("/")
	if !seen(".ride .fitness") || seen(".ride .facts") {
		t.Error("a rig's row on a phone does not begin with what decides")
	}
	b.click(".ride .ahead > summary")
	if !seen(".ride .facts") {
		t.Error("the rest of a rig's row does not open")
	}
	b.size(1440, 900, "light")
	b.goTo("/")
	if !seen(".ride .facts") {
		t.Error("a rig's row is folded at 1440 px")
	}

	// A drawing that goes on says so, where it does.
	b.goTo("/season")
	b.until(`document.querySelector(".due-rest details, #more-visits") !== null`, "what falls due")
	if seen(".goes-on") || b.eval(`document.querySelector(".lane").scrollWidth > document.querySelector(".lane").clientWidth`) {
		t.Error("the drawing goes on at 1440 px, or says so")
	}
	if !seen(".due-rest ul.due li") {
		t.Error("the other jobs of a rig are folded at 1440 px")
	}
	b.size(390, 844, "light")
	b.goTo("/season")
	if !seen(".goes-on") || !b.eval(`document.querySelector(".lane").scrollWidth > document.querySelector(".lane").clientWidth`) {
		t.Error("the drawing does not go on at 390 px, or does not say so")
	}
	if seen(".due-rest ul.due li") {
		t.Error("the other jobs of a rig are not folded at 390 px")
	}
}

// hittable fails the test where something that one has to hit is lower or narrower
// than 44 px (WCAG 2.2, success criterion 2.5.5), its label counted with it.
func (b *tab) hittable(page string) {
	b.t.Helper()
	small, err := chromedp.Run(b.ctx, chromedp.Evaluate[string](`[...document.querySelectorAll("main a, main button, main summary, main input:not([type=hidden]), main select, main textarea, nav.places a, .mark a, header button")].filter((e) => e.checkVisibility({contentVisibilityAuto: true}) && getComputedStyle(e).visibility !== "hidden" && e.getClientRects().length > 0).filter((e) => {
		let wide = 0, high = 0;
		for (const one of [e, e.labels?.[0], e.closest("label")]) {
			if (!one) continue;
			const box = one.getBoundingClientRect();
			wide = Math.max(wide, box.width);
			high = Math.max(high, box.height);
		}
		return wide < 43.9 || high < 43.9;
	}).map((e) => e.outerHTML.slice(0, 120) + " " + Math.round(e.getBoundingClientRect().width) + "×" + Math.round(e.getBoundingClientRect().height)).join("\n")`))
	if err != nil {
		b.t.Fatal(err)
	}
	if small != "" {
		b.t.Errorf("%s has what is hard to hit:\n%s", page, small)
	}
}

// In the workshop everything can be hit with a wet glove, and the next step of a job
// is in sight however far one has read.
func TestTheWorkshopWithWetGloves(t *testing.T) {
	h := newHouse(t)
	h.register("T01", "north", nil)
	h.register("T02", "north", nil)
	h.worked("T01", 60, 4)
	h.worked("T02", 60, 6)
	h.raise()
	item := h.jobOf("T01", "axle-pivots")
	b := h.open("workshop", "/workshop")
	inSight := func(text string) {
		t.Helper()
		for _, at := range []string{"0", "document.body.scrollHeight / 3", "document.body.scrollHeight"} {
			b.eval(`(scrollTo(0, ` + at + `), true)`)
			if !b.eval(fmt.Sprintf(`[...document.querySelectorAll(".next-step .button")].some((e) => { const r = e.getBoundingClientRect(); return e.textContent.trim() === %q && r.top >= 0 && r.bottom <= innerHeight && document.elementFromPoint(r.x + r.width / 2, r.y + r.height / 2) === e })`, text)) {
				t.Errorf("%q is not in sight after scrolling to %s", text, at)
			}
		}
		b.eval(`(scrollTo(0, 0), true)`)
	}
	for _, width := range []int64{390, 820} {
		b.size(width, 844, "light")
		b.goTo("/workshop?yard=north")
		b.hittable("the list")
		b.goTo("/items/" + item + "/card")
		b.hittable("the card")
		b.goTo("/items/" + item)
		b.hittable("the job")
		inSight("Begin")
	}
	// On a phone a rig's jobs are folded until one goes to the rig.
	b.size(390, 844, "light")
	b.goTo("/workshop?yard=north")
	if b.eval(`document.querySelector("#jobs-T01").open`) {
		t.Error("the jobs of the second rig stand open already")
	}
	b.click(`a[href="#rig-T01"]`)
	b.until(`document.querySelector("#jobs-T01").open`, "the rig's jobs")
	b.click(`a.job[href="/items/` + item + `"]`)
	b.sees("First, so that nobody is hurt")
	b.press("Begin")
	b.type_("#start-s-by", "Ana")
	b.click("#start-b-cautions_read")
	b.press("Take it in hand")
	b.sees("In hand.")
	b.hittable("the job in hand")
	inSight("To the reading")
	b.press("To the reading")
	b.until(`(() => { const at = (s) => document.querySelector(s).getBoundingClientRect(); return at("#finish-n-counters-0-value").top >= 0 && at("#form-finish > button").bottom <= at(".next-step").top })()`, "the reading and the button that finishes, both in sight")
	b.type_("#finish-n-counters-0-value", "241")
	b.press("Finish the job")
	b.sees("Finished.")
	b.hittable("the job that is done")
}
