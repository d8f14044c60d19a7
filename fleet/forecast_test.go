package fleet_test

import (
	"fmt"
	"testing"
	"time"

	"rigledger/events"
	"rigledger/fleet"
	"rigledger/fleet/plan/forecast"
)

// seasoned is a rig that worked two seasons, 6 h on every second day from April
// to July, and has begun the third.
func seasoned(t *testing.T) *bench {
	t.Helper()
	b := newBench(t)
	b.clock.set(day("2024-03-01 08:00"))
	r := trailed("T01")
	r.FirstUse = "2020-03-01"
	b.must(r)
	b.clock.set(day("2026-05-01 08:00"))
	var arrivals []events.Arrival
	hours, n := 0.0, 0
	for _, year := range []int{2024, 2025, 2026} {
		for d := time.Date(year, 4, 1, 6, 0, 0, 0, time.UTC); d.Month() < time.August && d.Before(b.clock.now()); d = d.AddDate(0, 0, 2) {
			n++
			arrivals = append(arrivals, reading("T01", fmt.Sprintf("1:%d", 2*n-1), d, "pump", hours, "HUR", "area", hours*15, "H18"))
			hours += 6
			arrivals = append(arrivals, reading("T01", fmt.Sprintf("1:%d", 2*n), d.Add(7*time.Hour), "pump", hours, "HUR", "area", hours*15, "H18"))
		}
	}
	b.take(arrivals...)
	b.raise()
	return b
}

func (b *bench) forecast(w fleet.WhatIf) fleet.RigForecast {
	b.t.Helper()
	f, err := b.Forecast("T01", w)
	if err != nil {
		b.t.Fatal(err)
	}
	return f
}

func taskOf(t *testing.T, f fleet.RigForecast, key string) fleet.TaskForecast {
	t.Helper()
	for _, x := range f.Tasks {
		if x.Key == key {
			return x
		}
	}
	t.Fatalf("no forecast for %s", key)
	return fleet.TaskForecast{}
}

func TestAForecastFollowsTheWorkThatIsDone(t *testing.T) {
	b := seasoned(t)
	f := b.forecast(fleet.WhatIf{})
	if f.Basis["hours"] != forecast.OnOwnSeasons {
		t.Errorf("basis %q, want the rig's own seasons", f.Basis["hours"])
	}
	// The valves are due every 1000 h; by 1 May 2026 the pump has 61+61+15 days of 6 h = 822 h
	// less what the calendar makes of it, so some 180 h are left: 30 working days, into July.
	valves := taskOf(t, f, "T01-pump.pump-valves")
	if !valves.Band.P50.OK || valves.Band.P50.Date.Year != 2026 || valves.Band.P50.Date.Month < time.June || valves.Band.P50.Date.Month > time.July {
		t.Errorf("valves %+v, want the middle in June or July 2026", valves.Band)
	}
	if valves.Band.P90.OK && valves.Band.P90.Date.Before(valves.Band.P10.Date) {
		t.Errorf("band %+v is upside down", valves.Band)
	}
	if len(f.Visits) == 0 {
		t.Error("no visits are suggested")
	}
}

func TestABookingBringsTheDateForwardAndRestPutsItOff(t *testing.T) {
	b := seasoned(t)
	key := "T01-pump.pump-valves"
	head := b.Head()
	plain := taskOf(t, b.forecast(fleet.WhatIf{}), key).Band.P50.Date
	busy := taskOf(t, b.forecast(fleet.WhatIf{Bookings: []fleet.PlannedWork{{From: "2026-05-02", To: "2026-05-15", Hours: 150}}}), key).Band.P50.Date
	idle := taskOf(t, b.forecast(fleet.WhatIf{Bookings: []fleet.PlannedWork{{From: "2026-05-02", To: "2026-06-30", Rest: true}}}), key).Band.P50.Date
	if !busy.Before(plain) || !plain.Before(idle) {
		t.Errorf("P50 busy %s, as it stands %s, resting %s: want them in that order", busy, plain, idle)
	}
	if b.Head() != head {
		t.Error("supposing wrote to the ledger")
	}
	b.must(&fleet.MakeBooking{ID: "b-1", Rig: "T01", PlannedWork: fleet.PlannedWork{From: "2026-05-02", To: "2026-05-15", Hours: 150}})
	if got := taskOf(t, b.forecast(fleet.WhatIf{}), key).Band.P50.Date; got != busy {
		t.Errorf("booked for real the middle is %s, supposed it was %s", got, busy)
	}
	if got := taskOf(t, b.forecast(fleet.WhatIf{Without: []string{"b-1"}}), key).Band.P50.Date; got != plain {
		t.Errorf("without the booking %s, before it was made %s", got, plain)
	}
	b.must(&fleet.CancelBooking{Booking: "b-1"})
	if got := taskOf(t, b.forecast(fleet.WhatIf{}), key).Band.P50.Date; got != plain {
		t.Errorf("cancelled %s, before it was made %s", got, plain)
	}
}

func TestTheChanceToGetThroughABookingKnowsWhatIsInTheWay(t *testing.T) {
	b := seasoned(t)
	for _, item := range openItems(b, "T01") { // a larger task closes smaller ones before their turn
		if _, err := b.Do(t.Context(), "tester", &fleet.FinishItem{Item: item, By: "Ana"}, nil); err != nil && fleet.CodeOf(err) != fleet.Conflict {
			t.Fatal(err)
		}
	}
	f := b.forecast(fleet.WhatIf{Bookings: []fleet.PlannedWork{
		{From: "2026-05-02", Hours: 2, Note: "short"}, {From: "2026-05-03", To: "2026-05-07", Hours: 60, Note: "long"},
	}})
	if len(f.Bookings) != 2 {
		t.Fatalf("%d bookings, want 2", len(f.Bookings))
	}
	// Filters and joints fall due every 8 to 10 h: two hours go through, sixty do not.
	if short := f.Bookings[0]; short.Chance < 0.5 {
		t.Errorf("two hours: chance %.2f, in the way %q", short.Chance, short.InWay)
	}
	if long := f.Bookings[1]; long.Chance > 0.01 || long.InWay == "" {
		t.Errorf("sixty hours: chance %.2f, in the way %q; a 10 h task must stand in it", long.Chance, long.InWay)
	}
}

func TestAnotherIntervalMovesItsTaskOnly(t *testing.T) {
	b := seasoned(t)
	plain := b.forecast(fleet.WhatIf{})
	other := b.forecast(fleet.WhatIf{Intervals: []fleet.ChangedInterval{{Task: "pump-valves", Every: map[string]float64{"hours": 850}}}})
	if !taskOf(t, other, "T01-pump.pump-valves").Band.P50.Date.Before(taskOf(t, plain, "T01-pump.pump-valves").Band.P50.Date) {
		t.Error("150 h less does not bring the valves forward")
	}
	if taskOf(t, other, "T01-boom.boom-pads") != taskOf(t, plain, "T01-boom.boom-pads") {
		t.Error("another task moved too")
	}
	_, err := b.Forecast("T01", fleet.WhatIf{Intervals: []fleet.ChangedInterval{{Task: "no-such"}}, Bookings: []fleet.PlannedWork{{From: "soon"}}})
	if fleet.CodeOf(err) != fleet.Invalid {
		t.Errorf("error %v, want the fields named", err)
	}
}

func openItems(b *bench, rig string) (items []string) {
	b.View(func(s *fleet.State) { items = append(items, s.Rigs[rig].Open...) })
	return items
}
