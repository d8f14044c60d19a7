package fleet_test

import (
	"testing"

	"rigledger/fleet"
)

// A counter does not run backwards, whenever its change is entered: found by the
// fuzz of the API, which entered one days late with a start above what the new
// counter had shown since.
func TestASwapThatWouldTakeHoursAwayIsRefused(t *testing.T) {
	b := newBench(t)
	b.must(trailed("T01"))
	b.clock.set(day("2026-05-20 08:00"))
	b.take(reading("T01", "1:1", day("2026-05-09 06:00"), "pump", 10.0, "HUR"), reading("T01", "1:2", day("2026-05-14 06:00"), "pump", 40.0, "HUR"))
	between := day("2026-05-12 06:00")
	for name, swap := range map[string]*fleet.SwapMeter{
		"a start above a later reading":      {At: &between, Start: 192.34},
		"a last below an earlier reading":    {At: &between, Last: ptr(4.0), Start: 0},
		"a last below the newest reading":    {Last: ptr(39.0), Start: 0},
		"a start above it, a last that fits": {At: &between, Last: ptr(20.0), Start: 40.5},
	} {
		swap.Rig, swap.Meter, swap.Reason = "T01", "pump", name
		b.refused(swap, fleet.Invalid)
		if got := b.total("T01", "pump"); got != 40 {
			t.Fatalf("%s: the total is %v", name, got)
		}
	}
	// 25 on the old counter, then from 30 to 40 on the new one.
	b.must(&fleet.SwapMeter{Rig: "T01", Meter: "pump", At: &between, Last: ptr(25.0), Start: 30, Reason: "new display"})
	if got := b.total("T01", "pump"); got != 35 {
		t.Errorf("the total is %v, want 25 + 10", got)
	}
}
