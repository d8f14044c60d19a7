package fleet_test

import (
	"math"
	"strings"
	"testing"
	"time"

	"rigledger/fleet"
	"rigledger/fleet/plan"
)

// southern is the trailed class with the season turned round, as anyone can
// make it from a copy of the file.
const southern = `
class: trailed-south
title: Trailed boom sprayer, southern half of the world
source: common practice
plan: trailed-boom
limits: {max_km_h: 20, max_hours_per_day: 24, max_width_m: 60}
season: {from: "09-01", to: "04-30"}
parts:
  - {part: pump, kind: diaphragm-pump, title: Diaphragm pump, meter: pump}
  - {part: nozzles, kind: nozzle-set, title: Nozzle set, meter: pump}
`

func TestAClassOfOnesOwnSetsPartsLimitsAndSeason(t *testing.T) {
	b := newBench(t)
	b.refused(&fleet.PublishClass{Text: "class: x\nsea: 1\n"}, fleet.Invalid)
	b.must(&fleet.PublishClass{Text: southern})
	r := trailed("T01")
	r.Class, r.FirstUse = "trailed-south", "2020-09-01"
	b.must(r)
	b.clock.set(day("2027-01-10 08:00")) // in the middle of a season that spans the new year
	at := day("2027-01-09 08:00")
	b.take(reading("T01", "1:1", at, "area", 0.0, "H18"))
	// 24 m at this class's 20 km/h cover 48 ha in an hour; at the embedded 30 km/h it would be 72.
	o, _ := b.take(reading("T01", "1:2", at.Add(time.Hour), "area", 60.0, "H18"))
	if o[0].Reason != fleet.WhyTooFast {
		t.Errorf("60 ha in an hour: %+v, want too-fast by the class's own limit", o[0])
	}
	b.View(func(s *fleet.State) {
		rig := s.Rigs["T01"]
		if got := strings.Join(rig.Fitted, " "); got != "T01-pump T01-nozzles" {
			t.Errorf("parts %q, want the two of the class", got)
		}
		if start := s.Class(rig.Class).Season.StartFor(plan.On(2027, 1, 10)); start.String() != "2026-09-01" {
			t.Errorf("season of 10 January began %s, want 2026-09-01", start)
		}
		b.clock.set(day("2027-01-25 08:00"))
		if !s.Silent(rig, b.clock.now()) {
			t.Error("a rig that says nothing in its southern season is not silent")
		}
	})
}

func TestACounterThatIsMissingIsEstimatedAndMarked(t *testing.T) {
	b := newBench(t)
	r := trailed("T01")
	r.FirstUse = "2020-03-01"
	r.Meters = []fleet.StartMeter{{Meter: "sprayed", Quantity: "distance", Spraying: true}}
	b.must(r)
	b.take(reading("T01", "1:1", day("2026-05-01"), "sprayed", 0.0, "KMT"), reading("T01", "1:2", day("2026-05-04"), "sprayed", 100.0, "KMT"))
	b.View(func(s *fleet.State) {
		rig := s.Rigs["T01"]
		// By hand: 100 km × 24 m = 240 ha; 10.5 km/h × 24 m × 0.65 / 10 = 16.38 ha/h
		// (ASABE EP496.3, D497.7 from memory); 240 / 16.38 = 14.652 h.
		got := map[string]float64{}
		for _, e := range s.Estimates(rig) {
			if !e.Estimate {
				t.Errorf("%s is not marked as an estimate", e.Meter)
			}
			got[string(e.Quantity)] = e.Quantity.FromBase(e.Total)
		}
		if math.Abs(got["area"]-240) > 1e-6 || math.Abs(got["hours"]-14.652) > 0.001 {
			t.Errorf("estimates %v, want 240 ha and 14.652 h", got)
		}
		for _, l := range b.DueOf(s, rig, b.clock.now()) {
			if l.Part.Part == "T01-filter-suction" {
				if l.Due.Status == plan.OK || len(l.Estimated) != 1 || l.Estimated[0] != "hours" {
					t.Errorf("10 h task after about 14.7 h: %s, estimated %v; want it due and marked", l.Due.Status, l.Estimated)
				}
				return
			}
		}
		t.Error("no line for the suction filter")
	})
}
