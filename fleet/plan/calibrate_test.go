package plan_test

import (
	"slices"
	"testing"

	"rigledger/fleet/plan"
)

// Work on pump, meter, nozzle or regulation asks for a calibration (trade.md
// section 7, common practice); greasing, oil and looking do not.
func TestHousePlansSayAfterWhatTheRigIsCalibrated(t *testing.T) {
	for slug, want := range map[string][]string{
		"trailed-boom":        {"pump-diaphragms", "pump-valves", "flow-meter-check"},
		"mounted-boom":        {"pump-diaphragms", "pump-valves", "flow-meter-check"},
		"self-propelled-boom": {"centrifugal-seal", "flow-meter-check"},
	} {
		var got []string
		for _, task := range starterPlan(slug).Tasks {
			if task.Calibrate {
				got = append(got, task.Slug)
			}
		}
		if !slices.Equal(got, want) {
			t.Errorf("%s calibrates after %v, want %v", slug, got, want)
		}
	}
}

func TestCalibrateAfterIsTrueOrFalse(t *testing.T) {
	const text = "plan: a\nversion: 1\ntitle: A\nclasses: [trailed]\nnotice: n\ntasks:\n  - {task: x, title: X, part: rig, every: {hours: 1}, source: s, calibrate_after: "
	p, err := plan.Parse("a", []byte(text+"true}\n"))
	if err != nil || !p.Task("x").Calibrate {
		t.Errorf("%v, %v", p, err)
	}
	if _, err := plan.Parse("a", []byte(text+"later}\n")); err == nil {
		t.Error("a word that is neither true nor false was taken")
	}
}
