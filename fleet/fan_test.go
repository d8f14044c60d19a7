package fleet_test

import (
	"testing"

	"rigledger/fleet"
	"rigledger/fleet/meter"
	"rigledger/fleet/plan"
)

// The fan and the bands are told apart from each other: where the middle curve
// crosses a task's limit is the day that the task's own band gives.
func TestAFanCrossesItsLimitsOnTheDaysOfTheBands(t *testing.T) {
	b := seasoned(t)
	fans, f, err := b.Fans("T01", fleet.WhatIf{Bookings: []fleet.PlannedWork{{From: "2026-05-11", To: "2026-05-12", Hours: 30}}}, 70)
	if err != nil {
		t.Fatal(err)
	}
	seen := map[meter.Quantity]bool{}
	crossed := 0
	for _, fan := range fans {
		seen[fan.Quantity] = true
		if len(fan.Days) != 71 || fan.Days[0].Day != f.Today || fan.Days[0].P10 != fan.Total || fan.Days[0].P90 != fan.Total {
			t.Errorf("%s begins with %+v at %d", fan.Quantity, fan.Days[0], fan.Total)
		}
		for i, d := range fan.Days {
			if d.P10 > d.P50 || d.P50 > d.P90 {
				t.Errorf("%s: %+v is out of order", fan.Quantity, d)
			}
			if i > 0 && (d.P10 < fan.Days[i-1].P10 || d.P50 < fan.Days[i-1].P50 || d.P90 < fan.Days[i-1].P90) {
				t.Errorf("%s: the total falls on %s", fan.Quantity, d.Day)
			}
		}
		limits := map[string]int{}
		for _, l := range fan.Limits {
			limits[l.Key]++
			if limits[l.Key] > 1 {
				t.Errorf("%s: %s has two limits on one counter", fan.Quantity, l.Key)
			}
			task := taskOf(t, f, l.Key)
			if task.CountedOn != fan.Quantity || l.At <= fan.Total || !task.Band.P50.OK {
				continue
			}
			crosses := plan.Date{}
			for i, d := range fan.Days[1:] {
				if d.P50 >= l.At {
					crosses = fan.Days[i].Day // the work of a day is in the total of the next morning
					break
				}
			}
			// The calendar may come first; a counter never comes before its band.
			if !crosses.IsZero() && crosses.Before(task.Band.P50.Date) {
				t.Errorf("%s crosses on %s, before its band's %s", l.Key, crosses, task.Band.P50.Date)
			}
			if crosses == task.Band.P50.Date {
				crossed++
			}
		}
	}
	if !seen[meter.Hours] || crossed == 0 {
		t.Errorf("%v fans, %d limits crossed", seen, crossed)
	}
}
