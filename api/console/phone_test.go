package console_test

import (
	"fmt"
	"strings"
	"testing"
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
