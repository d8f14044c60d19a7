package plan_test

import (
	"testing"

	"rigledger/fleet/plan"
)

// A rig without a distance meter cannot watch the kilometre steps of its
// wheel nuts; done at 20 h the step of 10 h must be over all the same.
func TestARunInStepThatNobodyMeasuresDoesNotHoldUpTheNext(t *testing.T) {
	var nuts *plan.Task
	for _, p := range plan.Starter() {
		if p.Slug == "trailed-boom" {
			nuts = p.Task("wheel-nuts")
		}
	}
	hours := func(h int64) (a plan.Amounts) { a.Set(plan.Hours, h*3600); return a }
	day := plan.On(2026, 5, 4)
	in := plan.Input{Fitted: plan.Mark{At: 1, Totals: hours(0), Date: day}, Now: hours(9), Today: day}
	if due := nuts.Due(in); !due.RunIn {
		t.Errorf("new and nothing done: %+v, want the run-in", due)
	}
	in.LastDone, in.Now = &plan.Mark{At: 2, Totals: hours(20), Date: day}, hours(30)
	due := nuts.Due(in)
	if at, _ := due.At.Get(plan.Hours); due.RunIn || at != 120*3600 {
		t.Errorf("done at 20 h: run-in %v, due at %d s, want 100 h (common practice) after it was done", due.RunIn, at)
	}
}
