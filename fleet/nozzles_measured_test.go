package fleet_test

import (
	"testing"
	"time"

	"rigledger/fleet"
	"rigledger/fleet/testbay"
)

// flowSheet holds nozzles of nominally 1.2 l/min; nil was not measured.
func flowSheet(flows ...*float64) testbay.Sheet {
	return testbay.Sheet{Measured: testbay.Readings{NozzleFlow: &testbay.CatchTest{FlowsLMin: flows, NominalLMin: ptr(1.2)}}}
}

func TestTheNewestMeasurementOfAllNozzlesCounts(t *testing.T) {
	b := benchAt(t, "2026-05-04 08:00")
	b.must(quiet("T01"))
	worst := func(want int, percent float64, when string) {
		t.Helper()
		b.View(func(s *fleet.State) {
			m := s.NozzlesOf(s.Rigs["T01"])
			if m == nil || m.Worst.Position != want || m.Worst.Percent < percent-0.01 || m.Worst.Percent > percent+0.01 || !m.At.Equal(day(when)) {
				t.Errorf("measured last %+v, want nozzle %d at %v %% on %s", m, want, percent, when)
			}
		})
	}
	b.View(func(s *fleet.State) {
		if m := s.NozzlesOf(s.Rigs["T01"]); m != nil {
			t.Errorf("nobody measured, and there is %+v", m)
		}
	})
	b.must(inspect("T01", flowSheet(nil, ptr(0.6))))
	worst(2, -50, "2026-05-04 08:00") // of two one was measured, and there is no other
	b.clock.set(day("2026-05-05 08:00"))
	b.must(calibration("T01"))
	worst(3, 3.333, "2026-05-05 08:00")
	b.clock.set(day("2026-05-06 08:00"))
	found := inspect("T01", flowSheet(ptr(1.2), ptr(0.9), ptr(1.21)))
	b.must(found)
	worst(2, -25, "2026-05-06 08:00")
	b.clock.set(day("2026-05-07 08:00"))
	gauge := inspect("T01", gaugeSheet(0.1)) // a retest that did not look at them
	gauge.Retest = found.ID
	b.must(gauge)
	b.must(inspect("T01", flowSheet(ptr(1.2), nil, ptr(1.2))))
	worst(2, -25, "2026-05-06 08:00")
	b.clock.set(day("2026-05-08 08:00"))
	retest := inspect("T01", flowSheet(ptr(1.2), ptr(1.2), ptr(1.2)))
	retest.Retest = found.ID
	b.must(retest)
	worst(1, 0, "2026-05-08 08:00")
	late := calibration("T01") // entered late, it is of the day it was made
	late.At = ptr(day("2026-05-07 12:00").Add(time.Minute))
	b.must(late)
	worst(1, 0, "2026-05-08 08:00")
	b.sameAfterReopening()
}
