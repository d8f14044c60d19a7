package plan_test

import (
	"encoding/json"
	"testing"

	"rigledger/fleet/plan"
)

func TestDatesOfTheYear(t *testing.T) {
	winter := []string{`on: ["11-15"]`}          // lead 14 days, grace 7
	halves := []string{`on: ["06-30", "12-31"]`} // six months apart
	leap := []string{`on: ["02-29"]`}
	close := []string{`on: ["05-01", "05-31"]`} // 30 days: a job counts 15 days ahead
	for _, c := range []struct {
		name   string
		task   []string
		life   life
		want   string
		status plan.Status
	}{
		{"the first after the fitting", winter, life{fitted: "2026-03-01", today: "2026-05-01"}, "2026-11-15", plan.OK},
		{"fitted on the day itself", winter, life{fitted: "2026-11-15", today: "2026-11-15"}, "2026-11-15", plan.IsDue},
		{"fitted the day after waits for next year", winter, life{fitted: "2026-11-16", today: "2026-11-16"}, "2027-11-15", plan.OK},
		{"14 days before it is soon", winter, life{fitted: "2026-03-01", today: "2026-11-01"}, "2026-11-15", plan.Soon},
		{"7 days after it is still due", winter, life{fitted: "2026-03-01", today: "2026-11-22"}, "2026-11-15", plan.IsDue},
		{"8 days after it is overdue", winter, life{fitted: "2026-03-01", today: "2026-11-23"}, "2026-11-15", plan.Overdue},
		{"done 60 days early counts for it", winter, life{fitted: "2026-03-01", done: "2026-09-16", today: "2026-11-15"}, "2027-11-15", plan.OK},
		{"done 61 days early does not", winter, life{fitted: "2026-03-01", done: "2026-09-15", today: "2026-11-15"}, "2026-11-15", plan.IsDue},
		{"done late counts for the one past", winter, life{fitted: "2026-03-01", done: "2027-02-01", today: "2027-02-01"}, "2027-11-15", plan.OK},
		{"never done, the oldest stays the limit", winter, life{fitted: "2023-03-01", today: "2026-05-01"}, "2023-11-15", plan.Overdue},
		{"twice a year", halves, life{fitted: "2026-01-01", done: "2026-06-20", today: "2026-07-01"}, "2026-12-31", plan.OK},
		{"29 February in a common year", leap, life{fitted: "2026-12-01", today: "2027-02-28"}, "2027-02-28", plan.IsDue},
		{"29 February in a leap year", leap, life{fitted: "2027-12-01", today: "2028-02-28"}, "2028-02-29", plan.Soon},
		{"close together, a job does not swallow the next", close, life{fitted: "2026-01-01", done: "2026-05-01", today: "2026-05-10"}, "2026-05-31", plan.OK},
		{"close together, 15 days early counts", close, life{fitted: "2026-01-01", done: "2026-05-16", today: "2026-05-16"}, "2027-05-01", plan.OK},
	} {
		got := dueOf(t, c.task, c.life)
		if got.Date != date(c.want) || got.Status != c.status || got.Why != "date" {
			t.Errorf("%s: got %s on %s (%s), want %s on %s", c.name, got.Status, got.Date, got.Why, c.status, c.want)
		}
	}
}

func TestBeforeTheFirstUseOfASeason(t *testing.T) {
	flow := []string{"season_start: true", "weight: safety"} // lead 14 days, no grace
	routine := []string{"season_start: true"}                // grace 7 days
	for _, c := range []struct {
		name   string
		task   []string
		life   life
		want   string
		status plan.Status
	}{
		{"in winter it is ok", flow, life{fitted: "2024-05-01", season: "2026-03-01", today: "2026-01-10", lastUse: "2025-10-20"}, "2026-03-01", plan.OK},
		{"14 days before it is soon", flow, life{fitted: "2024-05-01", season: "2026-03-01", today: "2026-02-15", lastUse: "2025-10-20"}, "2026-03-01", plan.Soon},
		{"from the first day it is due", flow, life{fitted: "2024-05-01", season: "2026-03-01", today: "2026-03-01", lastUse: "2025-10-20"}, "2026-03-01", plan.IsDue},
		{"it stays due while the rig stands", flow, life{fitted: "2024-05-01", season: "2026-03-01", today: "2026-06-01", lastUse: "2025-10-20"}, "2026-03-01", plan.IsDue},
		{"once the rig has worked it is overdue", flow, life{fitted: "2024-05-01", season: "2026-03-01", today: "2026-03-20", lastUse: "2026-03-20"}, "2026-03-01", plan.Overdue},
		{"a routine task has a week", routine, life{fitted: "2024-05-01", season: "2026-03-01", today: "2026-03-07", lastUse: "2026-03-05"}, "2026-03-01", plan.IsDue},
		{"and no more", routine, life{fitted: "2024-05-01", season: "2026-03-01", today: "2026-03-08", lastUse: "2026-03-05"}, "2026-03-01", plan.Overdue},
		{"done 60 days before counts for it", flow, life{fitted: "2024-05-01", done: "2025-12-31", season: "2026-03-01", today: "2026-04-01", lastUse: "2026-03-20"}, "2027-03-01", plan.OK},
		{"done 61 days before does not", flow, life{fitted: "2024-05-01", done: "2025-12-30", season: "2026-03-01", today: "2026-03-01", lastUse: "2025-10-20"}, "2026-03-01", plan.IsDue},
		{"fitted in mid-season the fitting counts", flow, life{fitted: "2026-05-05", season: "2026-03-01", today: "2026-05-05", lastUse: "2026-05-04"}, "2026-05-05", plan.IsDue},
	} {
		got := dueOf(t, c.task, c.life)
		if got.Date != date(c.want) || got.Status != c.status || got.Why != "season" {
			t.Errorf("%s: got %s on %s (%s), want %s on %s", c.name, got.Status, got.Date, got.Why, c.status, c.want)
		}
	}
	if got := dueOf(t, flow, life{fitted: "2024-05-01", today: "2026-04-01"}); got.Status != plan.OK || got.Why != "" || !got.Date.IsZero() {
		t.Errorf("without a season nothing is watched: got %+v", got)
	}
}

func TestWeeklyWorkRestsBetweenSeasons(t *testing.T) {
	week := []string{"every: {days: 7}", "in_season: true"}
	for _, c := range []struct{ name, done, today, season, want string }{
		{"in season the week counts", "2026-05-01", "2026-05-03", "2026-03-01", "2026-05-08"},
		{"between seasons it waits for the next", "2026-10-28", "2026-11-20", "2027-03-01", "2027-03-01"},
		{"and is due on its first day", "2026-10-28", "2027-03-01", "2027-03-01", "2027-03-01"},
	} {
		if got := dueOf(t, week, life{fitted: "2025-01-01", done: c.done, today: c.today, season: c.season}); got.Date != date(c.want) {
			t.Errorf("%s: got %s, want %s", c.name, got.Date, c.want)
		}
	}
	all := dueOf(t, []string{"every: {days: 7}"}, life{fitted: "2025-01-01", done: "2026-10-28", today: "2026-11-20", season: "2027-03-01"})
	if all.Date != date("2026-11-04") {
		t.Errorf("work that does not rest: got %s", all.Date)
	}
}

func TestAMeasuredConditionCallsForTheTask(t *testing.T) {
	for _, c := range []struct {
		name   string
		weight string
		play   map[string]float64
		want   plan.Status
	}{
		{"not measured", "routine", nil, plan.OK},
		{"at the limit it is not past it", "routine", map[string]float64{"play": 2}, plan.OK},
		{"past it a routine task is due", "routine", map[string]float64{"play": 2.1}, plan.IsDue},
		{"past it a safety task is overdue", "safety", map[string]float64{"play": 2.1}, plan.Overdue},
		{"another code says nothing", "safety", map[string]float64{"wear": 9}, plan.OK},
	} {
		got := dueOf(t, []string{"condition: {code: play, above: 2, unit: mm}", "weight: " + c.weight}, life{fitted: "2026-01-01", today: "2026-01-02", measured: c.play})
		if got.Status != c.want {
			t.Errorf("%s: got %s, want %s", c.name, got.Status, c.want)
		}
	}
	low := dueOf(t, []string{"condition: {code: charge, below: 1.5}"}, life{fitted: "2026-01-01", today: "2026-01-02", measured: map[string]float64{"charge": 1.4}})
	if low.Status != plan.IsDue || low.Why != "condition" {
		t.Errorf("below: got %+v", low)
	}
}

func TestDueInJSONLeavesOutWhatIsNotThere(t *testing.T) {
	for _, c := range []struct {
		name string
		task []string
		want string
	}{
		{"a counter", []string{"every: {hours: 100}"}, `{"status":"soon","why":"hours","at":{"hours":100},"remaining":{"hours":5},"fraction":0.95}`},
		{"a date today keeps its nought", []string{"every: {days: 1}"}, `{"status":"due","why":"days","date":"2026-01-02","remaining_days":0,"fraction":1}`},
		{"no meter", []string{"every: {hectares: 1}"}, `{"status":"ok","fraction":0,"unmeasured":["hectares"]}`},
	} {
		text, err := json.Marshal(dueOf(t, c.task, life{fitted: "2026-01-01", now: 95, today: "2026-01-02"}))
		if err != nil || string(text) != c.want {
			t.Errorf("%s: got %s, %v; want %s", c.name, text, err, c.want)
		}
	}
}
