package fleet_test

import (
	"strings"
	"testing"

	"rigledger/fleet"
)

// What was open on a rig ends with it: nobody is to find work on a rig that is sold.
func TestARetiredRigLeavesNothingOpen(t *testing.T) {
	b := worked(t)
	b.must(&fleet.BookItem{Item: suction, Date: "2026-05-07"})
	b.must(&fleet.RetireRig{Rig: "T01", Reason: "sold"})
	b.View(func(s *fleet.State) {
		if open := s.Rigs["T01"].Open; len(open) > 0 {
			t.Errorf("open: %v", open)
		}
		it := s.Items[suction]
		if it.Stage != fleet.Struck || !strings.Contains(it.StruckFor, "sold") || it.EndedBy != "tester" {
			t.Errorf("the item: %+v", it)
		}
		if l := s.Parts["T01-filter-suction"].Tasks["suction-filter"]; l.Open != "" || l.Cycles != 0 {
			t.Errorf("the task's record: %+v", l)
		}
	})
	b.refused(&fleet.ReturnItem{Item: suction, Step: fleet.StepStruck, Reason: "x"}, fleet.Conflict)
	if n := b.raise(); n != 0 {
		t.Errorf("%d items were raised", n)
	}
}
