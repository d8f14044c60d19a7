package console_test

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"rigledger/fleet"
)

func TestTheLedgerInWords(t *testing.T) {
	h := newHouse(t)
	h.register("T01", "north", nil)
	h.register("T02", "south", nil)
	h.hours("T01", h.now().Add(-24*time.Hour), 40)
	h.send("manager", "POST", "/v1/defects", obj{"rig": "T02", "text": "hose chafed", "safety": true})
	head := h.fleet.Head()
	page := h.visit("manager").get("/ledger").is(200)
	page.has(head.Hash.String(), "Counters read", "pump 40.00 h", "Safety defect reported", "hose chafed", "Token made", "24 hours late", fmt.Sprintf(">%d.0<", head.N), "rigledger verify --record FILE", "/access", "facts by kind")
	page.hasNot("request.kept", "hash\":")
	for name, token := range h.tokens {
		if strings.Contains(page.text, token) {
			t.Errorf("the page shows the token of %s", name)
		}
	}
	// Who may come in is the managers' business, and other yards' rigs are nobody else's.
	h.visit("reader").get("/ledger").is(200).has("Counters read").hasNot("Token made", "token.issued", "/access\"")
	h.token("south", fleet.RoleReader, []string{"south"})
	h.visit("south").get("/ledger").is(200).has("hose chafed", "Only what is about your yards").hasNot("T01", "40.00", "facts by kind", "Plan published")
	h.visit("operator").get("/ledger").is(403)
	v := h.visit("manager")
	v.get("/ledger?before=x").is(422)
	v.get(fmt.Sprintf("/ledger?before=%d", head.N)).is(200).has("Commits before").hasNot("hose chafed")
	v.get("/ledger?before=1").is(200)
}

// TestTheLedgerIsPaged: each commit is on exactly one page.
func TestTheLedgerIsPaged(t *testing.T) {
	h := newHouse(t)
	h.register("T01", "north", nil)
	for i := range 60 {
		h.hours("T01", h.now().Add(time.Duration(i-60)*time.Hour), float64(i+1))
	}
	v := h.visit("manager")
	path, seen := "/ledger", map[string]int{}
	for range 10 {
		page := v.get(path).is(200)
		for n := range 70 {
			if text := fmt.Sprintf("pump %d.00 h", n+1); strings.Contains(page.text, text+"</bdi>") {
				seen[text]++
			}
		}
		_, rest, ok := strings.Cut(page.text, `href="/ledger?before=`)
		if !ok {
			break
		}
		number, _, _ := strings.Cut(rest, `"`)
		path = "/ledger?before=" + number
	}
	if len(seen) != 60 {
		t.Errorf("%d readings are on the pages, want 60", len(seen))
	}
	for text, n := range seen {
		if n != 1 {
			t.Errorf("%s is on %d pages", text, n)
		}
	}
}

// later is a fleet of which more is known today than at the end of 1 June.
func later(t *testing.T) *house {
	h := newHouse(t)
	h.register("T01", "north", nil)
	h.register("T02", "south", nil)
	h.pass(28 * 24 * time.Hour) // Monday 1 June, 8 o'clock at the yard
	h.hours("T01", h.now().Add(-24*time.Hour), 40)
	h.hours("T02", h.now().Add(-24*time.Hour), 70)
	h.pass(3 * 24 * time.Hour) // 4 June
	h.hours("T01", h.now().Add(-3*24*time.Hour+2*time.Hour), 46)
	h.hours("T02", h.now(), 75)
	h.register("T03", "north", nil)
	return h
}

func TestWhatDidWeKnow(t *testing.T) {
	h := later(t)
	v := h.visit("manager")
	page := v.get("/ledger?asof=2026-06-01").is(200)
	checkHTML(t, "/ledger?asof", page.text)
	page.has("What we knew at the end of", "About one rig we know more today", `value="40.00"`, "pump 46.00 h: a reading came later", `value="70.00"`, "The same.").
		hasNot("T03", `value="46.00"`, `value="75.00"`)
	var stood uint64
	h.fleet.View(func(s *fleet.State) {
		for _, l := range s.Rigs["T03"].Timeline {
			stood = l.N
			break
		}
	})
	if strings.Contains(page.text, fmt.Sprintf(`stands on commit <data class="number" value="%d">`, stood)) {
		t.Error("it stands on a commit that came later")
	}
	v.get("/ledger?asof=2026-06-04").is(200).has("Nothing has been recorded since", `value="46.00"`, "T03")
	v.get("/ledger?asof=2026-05-01").is(200).has("No rig of these yards was on record")
	v.get("/ledger?asof=2026-06-05").is(422).has("That day has not come yet")
	v.get("/ledger?asof=first").is(422)
	v.get("/ledger?asof=2026-06-01&yard=south").is(200).has("T02").hasNot("T01")
	h.token("south", fleet.RoleReader, []string{"south"})
	h.visit("south").get("/ledger?asof=2026-06-01").is(200).has("T02").hasNot("T01", "40.00")

	// A counter that was changed by then, and entered later.
	h.send("manager", "POST", "/v1/rigs/T02/meters/pump/swap", obj{"at": "2026-06-01T09:00:00Z", "last": 74, "start": 0, "reason": "changed in the field"})
	v.get("/ledger?asof=2026-06-01").is(200).has(">2</data> rigs we know more", "Counter changed for another: pump").
		has(`value="70.00"`)
}

func TestWhatDidWeKnowInABrowser(t *testing.T) {
	h := later(t)
	b := h.open("reader", "/ledger")
	b.sees("commits in one chain")
	if !b.eval(`getComputedStyle(document.querySelector(".stands")).display === "block"`) {
		t.Error("the first sentence is torn into columns")
	}
	b.set("#asof", "2026-06-01")
	b.press("Look back")
	b.sees("What we knew at the end of")
	b.sees("pump 46.00 h: a reading came later")
	b.looks("ledger-past")
	b.size(1440, 900, "light")
	b.press("Back to today")
	b.sees("Newest commits")
}
