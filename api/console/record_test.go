package console_test

import (
	"net/http"
	"net/url"
	"strings"
	"testing"
	"time"

	"rigledger/fleet"
)

func TestARecordIsHandedOutToThePersonWhoIsSignedIn(t *testing.T) {
	h := newHouse(t)
	h.register("T01", "north", nil)
	h.hours("T01", h.now().Add(-2*time.Hour), 9.4)
	h.raise()
	const job = "T01-filter-suction.suction-filter.1"
	h.send("workshop", "POST", "/v1/items/"+job+"/finish", obj{"by": "Ana", "minutes": 20})
	h.pass(time.Hour)
	h.send("manager", "POST", "/v1/rigs/T01/meters/pump/swap", obj{"last": 9.5, "start": 2, "reason": "new box"})
	v := h.visit("reader")
	page := v.get("/rigs/T01/record").is(200)
	checkHTML(t, "/rigs/T01/record", page.text)
	page.has(`href="/rigs/T01/record/json"`, "pump 9.47 h (read before 2026-05-04 06:00:00, 9.40 h, manager, commit 9; ", "counter changed 2026-05-04 09:00:00, the old one ended at 9.50 h", "9.47 h, 0.00 ha and never done before; it counts from 2026-05-04",
		"counter changed", "from 2.00 h", "the old one ended at 9.50 h", "/ledger/commits/"+h.commitOf("T01"), "/v1/rigs/T01/record")
	file := v.get("/rigs/T01/record/json").is(200)
	if got := file.header.Get("Content-Disposition"); got != "attachment; filename=rigs-T01-record.json" {
		t.Errorf("handed out as %q", got)
	}
	file.has(`"record":"rig"`, `"meters":[{"meter":"pump"`, `"since_last":[`)
	h.token("southern", fleet.RoleReader, []string{"south"})
	h.visit("southern").get("/rigs/T01/record/json").is(404).hasNot("pump")
	h.visit("operator").get("/rigs/T01/record/json").is(403).hasNot("pump")
	// What another site has a browser send is no way to it.
	r, _ := http.NewRequest("POST", h.url+"/rigs/T01/record/json", strings.NewReader(url.Values{}.Encode()))
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	if sent := v.send(r); sent.status == 200 {
		t.Error("a form that is not ours is answered")
	} else {
		sent.hasNot("pump")
	}
}

// TestTheFileForTheAuditorFitsItsPaper: nothing is cut off at the side, and a
// fact takes no more room than its words.
func TestTheFileForTheAuditorFitsItsPaper(t *testing.T) {
	h := newHouse(t)
	h.register("T01", "north", obj{"name": "Low meadow beyond the old railway", "serial": strings.Repeat("S", 40)})
	h.worked("T01", 90, 4)
	done := 0
	for range 7 {
		h.raise()
		for {
			open := "" // a job done may count for others: the next that is open
			h.fleet.View(func(s *fleet.State) {
				if list := s.Rigs["T01"].Open; len(list) > 0 {
					open = list[0]
				}
			})
			if open == "" {
				break
			}
			h.do(&fleet.FinishItem{Item: open, By: "Ana", Minutes: 20, Findings: "mesh clean, O-ring greased"})
			done++
		}
		h.pass(24 * time.Hour)
		h.hours("T01", h.now(), h.totalHours("T01")+20)
	}
	h.send("workshop", "POST", "/v1/calibrations", obj{"rig": "T01", "tester": "B. Bench", "nozzle": "03", "bar": 3, "spacing_m": 0.5, "km_h": 8, "flows_l_min": []float64{1.2, 1.2, 1.2, 1.2}})
	b := h.open("manager", "/rigs/T01/record")
	b.sees("File of rig T01")
	for _, width := range []int64{390, 820, 1440} {
		b.size(width, 900, "light")
		if !b.eval("document.documentElement.scrollWidth <= innerWidth") {
			t.Errorf("it scrolls sideways at %d px", width)
		}
	}
	sheets := b.print("record-on-paper")
	b.onPaper()
	b.size(718, 1000, "light") // A4 with Chromium's margins of 1 cm, at 96 px an inch
	if !b.eval(`document.documentElement.scrollWidth <= innerWidth && [...document.querySelectorAll(".record td, .record th")].every((e) => e.getBoundingClientRect().right <= innerWidth)`) {
		t.Error("on A4 something is cut off at the side")
	}
	if most := 3 + done/15; done < 40 || sheets > most {
		t.Errorf("%d jobs done take %d sheets, want at most %d", done, sheets, most)
	}
}
