package fleet_test

import (
	"fmt"
	"testing"
	"time"

	"rigledger/events"
	"rigledger/fleet"
	"rigledger/fleet/plan"
)

func TestMeasuredConditionsCallForTheirTask(t *testing.T) {
	at := day("2026-05-03 08:00")
	condition := func(n int, at time.Time, c ...events.RawCondition) events.Arrival {
		return events.Arrival{Via: "rig.T01.condition", Rig: "T01", Event: fmt.Sprintf("9:%d", n), Time: at, Kind: events.KindCondition, Conditions: c, Payload: fmt.Appendf(nil, "%d", n)}
	}
	drift := func(n int, used, area, rate float64) events.Arrival {
		return condition(n, at, events.RawCondition{Code: fleet.TankUsed, Value: used, Unit: "LTR"},
			events.RawCondition{Code: fleet.AreaDone, Value: area, Unit: "H18"}, events.RawCondition{Code: fleet.RateSet, Value: rate})
	}
	for _, tc := range []struct {
		name, part, task string
		arrival          events.Arrival
		want             plan.Status
	}{
		{"milky oil", "T01-pump", "pump-diaphragms", condition(1, at, events.RawCondition{Part: "pump", Code: "oil-milky", Value: 1}), plan.IsDue},
		{"clear oil", "T01-pump", "pump-diaphragms", condition(1, at, events.RawCondition{Part: "pump", Code: "oil-milky", Value: 0}), plan.OK},
		{"a drop at the limit", "T01-filter-pressure", "pressure-filter", condition(1, at, events.RawCondition{Part: "filter-pressure", Code: "filter-drop", Value: 0.5, Unit: "BAR"}), plan.OK},
		{"a drop past the limit", "T01-filter-pressure", "pressure-filter", condition(1, at, events.RawCondition{Part: "filter-pressure", Code: "filter-drop", Value: 0.51, Unit: "BAR"}), plan.IsDue},
		{"another part's drop", "T01-filter-pressure", "pressure-filter", condition(1, at, events.RawCondition{Part: "filter-suction", Code: "filter-drop", Value: 2, Unit: "BAR"}), plan.OK},
		// By hand: 2120 l over 10 ha at 200 l/ha are 6 % too much, 2100 l are 5 %.
		{"the flow meter 6 % out", "T01-flow-meter", "flow-meter-check", drift(1, 2120, 10, 200), plan.IsDue},
		{"the flow meter 5 % out", "T01-flow-meter", "flow-meter-check", drift(1, 2100, 10, 200), plan.OK},
	} {
		t.Run(tc.name, func(t *testing.T) {
			b := newBench(t)
			r := trailed("T01")
			r.FirstUse = "2020-03-01"
			b.clock.set(day("2026-02-01"))
			b.must(r)
			done := day("2026-02-15")
			b.clock.set(day("2026-03-01"))
			b.raise()
			if line, _ := b.line("T01", tc.part, tc.task); line.Item != "" { // the season's own check is done
				b.must(&fleet.FinishItem{Item: line.Item, By: "Ana", At: &done})
			}
			b.clock.set(day("2026-05-04 08:00"))
			b.take(tc.arrival)
			line, _ := b.line("T01", tc.part, tc.task)
			if line.Due.Status != tc.want {
				t.Errorf("%s, because of %q; want %s", line.Due.Status, line.Due.Why, tc.want)
			}
			if tc.want == plan.OK {
				return
			}
			// Doing the job answers the condition.
			b.raise()
			line, _ = b.line("T01", tc.part, tc.task)
			b.must(&fleet.FinishItem{Item: line.Item, By: "Ana"})
			if line, _ = b.line("T01", tc.part, tc.task); line.Due.Status != plan.OK {
				t.Errorf("after the job: %s because of %q", line.Due.Status, line.Due.Why)
			}
		})
	}
}

func TestADefectCodeCallsForItsTask(t *testing.T) {
	b := newBench(t)
	text := `
plan: by-code
version: 1
title: One task on a code
classes: [trailed]
notice: The handbook comes first.
tasks:
  - task: seal
    title: Seal changed
    part: diaphragm-pump
    condition: {code: defect-seal-leak, above: 0}
    source: common practice
`
	b.must(&fleet.PublishPlan{Text: text})
	r := trailed("T01")
	r.Plan = "by-code"
	b.must(r)
	b.must(&fleet.ReportDefect{ID: "d-1", Rig: "T01", Part: "pump", Code: "seal-leak", Text: "drips at the shaft"})
	if line, _ := b.line("T01", "T01-pump", "seal"); line.Due.Status != plan.IsDue {
		t.Errorf("%s with the defect open, want due", line.Due.Status)
	}
	b.must(&fleet.ClearDefect{Defect: "d-1", Action: "new seal"})
	if line, _ := b.line("T01", "T01-pump", "seal"); line.Due.Status != plan.OK {
		t.Errorf("%s with the defect cleared, want ok", line.Due.Status)
	}
}
