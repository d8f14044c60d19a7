package plan_test

import (
	"testing"

	"rigledger/fleet/plan"
)

// hours makes totals of hours from hours.
func hours(h float64) plan.Amounts {
	return plan.Amounts{}.With(plan.Hours, int64(h*3600))
}

// life is a part's life as a test tells it: totals in hours, days as text, ""
// for what did not happen.
type life struct {
	fitted   string
	carried  float64
	done     string
	doneAt   float64
	now      float64
	today    string
	season   string
	lastUse  string
	made     string
	used     bool
	measured map[string]float64
}

func (l life) input() plan.Input {
	day := func(text string) plan.Date {
		if text == "" {
			return plan.Date{}
		}
		return date(text)
	}
	in := plan.Input{
		Fitted: plan.Mark{At: 1000, Date: day(l.fitted), Totals: hours(l.carried)},
		Now:    hours(l.now), Today: day(l.today), Used: l.used, Made: day(l.made),
		SeasonStart: day(l.season), LastUse: day(l.lastUse), Conditions: l.measured,
	}
	if l.done != "" {
		in.LastDone = &plan.Mark{At: 2000, Date: day(l.done), Totals: hours(l.doneAt)}
	}
	return in
}

func dueOf(t *testing.T, lines []string, l life) plan.Due {
	t.Helper()
	return mustParse(t, taskOf(lines...)).Tasks[0].Due(l.input())
}

func TestStatusAlongAnIntervalOfHours(t *testing.T) {
	const second = 1.0 / 3600
	routine := []string{"every: {hours: 500}"} // lead 50 h (10 %), grace 50 h (10 %)
	safety := []string{"every: {hours: 500}", "weight: safety"}
	short := []string{"every: {hours: 50}"}     // lead 10 h, more than 10 %
	veryShort := []string{"every: {hours: 10}"} // lead 5 h, half the interval
	strict := []string{"every: {hours: 500}", "lead: {hours: 300}", "grace: {hours: 0}"}
	for _, c := range []struct {
		name string
		task []string
		now  float64
		want plan.Status
	}{
		{"before the lead it is ok", routine, 450 - second, plan.OK},
		{"at the lead it is soon", routine, 450, plan.Soon},
		{"a second before the limit it is soon", routine, 500 - second, plan.Soon},
		{"exactly at the limit it is due", routine, 500, plan.IsDue},
		{"at the end of the grace it is due", routine, 550, plan.IsDue},
		{"a second past the grace it is overdue", routine, 550 + second, plan.Overdue},
		{"a safety task is due exactly at the limit", safety, 500, plan.IsDue},
		{"a safety task is overdue a second later", safety, 500 + second, plan.Overdue},
		{"10 h lead where that is more than 10 %: before", short, 40 - second, plan.OK},
		{"10 h lead where that is more than 10 %: at", short, 40, plan.Soon},
		{"never more than half the interval: before", veryShort, 5 - second, plan.OK},
		{"never more than half the interval: at", veryShort, 5, plan.Soon},
		{"a lead that the plan asks for is taken as it is", strict, 200, plan.Soon},
		{"a grace of nothing that the plan asks for too", strict, 500 + second, plan.Overdue},
	} {
		got := dueOf(t, c.task, life{fitted: "2026-01-01", now: c.now, today: "2026-01-02"})
		if got.Status != c.want {
			t.Errorf("%s: got %s, want %s", c.name, got.Status, c.want)
		}
	}
}

func TestStatusAlongTheCalendar(t *testing.T) {
	year := []string{"every: {months: 12}"} // 360 days: lead 36, grace 36
	safety := []string{"every: {months: 12}", "weight: safety"}
	week := []string{"every: {days: 7}", "weight: safety"}
	leap := []string{"every: {months: 12}", "weight: statutory"}
	monthly := []string{"every: {months: 1}", "weight: safety"}
	asked := []string{"every: {months: 12}", "lead: {months: 1}", "grace: {days: 3}"}
	for _, c := range []struct {
		name   string
		task   []string
		fitted string
		today  string
		want   plan.Status
		limit  string
	}{
		{"on the date itself it is due", safety, "2025-05-04", "2026-05-04", plan.IsDue, "2026-05-04"},
		{"the day after it is overdue without grace", safety, "2025-05-04", "2026-05-05", plan.Overdue, "2026-05-04"},
		{"the day before it is soon", safety, "2025-05-04", "2026-05-03", plan.Soon, "2026-05-04"},
		{"36 days before it is soon", year, "2025-05-04", "2026-03-29", plan.Soon, "2026-05-04"},
		{"37 days before it is ok", year, "2025-05-04", "2026-03-28", plan.OK, "2026-05-04"},
		{"within the grace it is due", year, "2025-05-04", "2026-06-09", plan.IsDue, "2026-05-04"},
		{"past the grace it is overdue", year, "2025-05-04", "2026-06-10", plan.Overdue, "2026-05-04"},
		{"a year from 29 February is 28 February", leap, "2024-02-29", "2025-02-28", plan.IsDue, "2025-02-28"},
		{"and 1 March is past it", leap, "2024-02-29", "2025-03-01", plan.Overdue, "2025-02-28"},
		{"a month from 31 January", monthly, "2026-01-31", "2026-02-28", plan.IsDue, "2026-02-28"},
		{"a month from 31 January in a leap year", monthly, "2024-01-31", "2024-02-28", plan.Soon, "2024-02-29"},
		{"a month from 31 March", monthly, "2026-03-31", "2026-05-01", plan.Overdue, "2026-04-30"},
		{"a week has one day of lead: before", week, "2026-05-01", "2026-05-06", plan.OK, "2026-05-08"},
		{"a week has one day of lead: at", week, "2026-05-01", "2026-05-07", plan.Soon, "2026-05-08"},
		{"a lead of a month is a calendar month: before", asked, "2025-03-31", "2026-02-27", plan.OK, "2026-03-31"},
		{"a lead of a month is a calendar month: at", asked, "2025-03-31", "2026-02-28", plan.Soon, "2026-03-31"},
		{"three days of grace: last", asked, "2025-03-31", "2026-04-03", plan.IsDue, "2026-03-31"},
		{"three days of grace: past", asked, "2025-03-31", "2026-04-04", plan.Overdue, "2026-03-31"},
	} {
		got := dueOf(t, c.task, life{fitted: c.fitted, today: c.today})
		if got.Status != c.want || got.Date != date(c.limit) || got.RemainingDays != date(c.today).DaysUntil(date(c.limit)) {
			t.Errorf("%s: got %s on %s (%d days), want %s on %s", c.name, got.Status, got.Date, got.RemainingDays, c.want, c.limit)
		}
	}
}

func TestTheFirstTriggerReachedCountsAndIsNamed(t *testing.T) {
	task := []string{"every: {hours: 500, hectares: 2000, months: 12}"}
	in := life{fitted: "2025-05-04", today: "2026-05-04", now: 500}.input()
	in.Now.Set(plan.Area, 100*10_000)
	p := mustParse(t, taskOf(task...)).Tasks[0]

	got := p.Due(in)
	if got.Status != plan.IsDue || got.Why != "hours" || got.Remaining != hours(0).With(plan.Area, 1900*10_000) || got.RemainingDays != 0 {
		t.Errorf("hours and months on the same day: got %+v", got)
	}
	in.Now.Set(plan.Hours, 499*3600)
	if got = p.Due(in); got.Status != plan.IsDue || got.Why != "months" {
		t.Errorf("months first: got %+v", got)
	}
	in.Now.Set(plan.Area, 2300*10_000)
	if got = p.Due(in); got.Status != plan.Overdue || got.Why != "hectares" {
		t.Errorf("hectares past the grace: got %+v", got)
	}
	if v, _ := got.Remaining.Get(plan.Area); v != -300*10_000 || got.Fraction != 1.15 {
		t.Errorf("300 ha past 2000: got %d m², fraction %g", v, got.Fraction)
	}
}

func TestCountingFromWhereItWasDone(t *testing.T) {
	for _, c := range []struct {
		name   string
		task   []string
		doneAt float64
		want   float64
	}{
		{"done late counts from the late reading", []string{"every: {hours: 500}"}, 540, 1040},
		{"done early counts from the early reading", []string{"every: {hours: 500}"}, 300, 800},
		{"on the grid, done early, the next line follows", []string{"every: {hours: 500}", "count: grid"}, 460, 1000},
		{"on the grid, done late, too", []string{"every: {hours: 500}", "count: grid"}, 540, 1000},
		{"on the grid, done nearer to the fitting, the first line stays", []string{"every: {hours: 500}", "count: grid"}, 240, 500},
		{"on the grid, done half-way, the earlier line counts", []string{"every: {hours: 500}", "count: grid"}, 250, 500},
		{"on the grid, done a cell late, lines in between are past", []string{"every: {hours: 500}", "count: grid"}, 1100, 1500},
	} {
		got := dueOf(t, c.task, life{fitted: "2026-01-01", done: "2026-03-01", doneAt: c.doneAt, now: c.doneAt, today: "2026-03-01"})
		if got.At != hours(c.want) {
			t.Errorf("%s: got %v, want %g h", c.name, got.At.Human(plan.Hours), c.want)
		}
	}
}

func TestTheGridStartsAtTheFittingWithWhatWasCarriedIn(t *testing.T) {
	got := dueOf(t, []string{"every: {hours: 500}", "count: grid"},
		life{fitted: "2026-01-01", carried: 120, done: "2026-03-01", doneAt: 600, now: 700, today: "2026-03-02"})
	if got.At != hours(1120) {
		t.Errorf("got %g h, want 120 + 2 × 500", got.At.Human(plan.Hours))
	}
}

func TestTheGridInMonthsComesBackToTheThirtyFirst(t *testing.T) {
	for _, c := range []struct{ every, done, want string }{
		{"{months: 1}", "2026-02-27", "2026-03-31"}, // for the line of 28 February
		{"{months: 1}", "2026-03-02", "2026-03-31"}, // two days late for it
		{"{months: 1}", "2026-03-20", "2026-04-30"}, // early for 31 March
		{"{months: 1}", "2026-04-15", "2026-04-30"}, // half-way from 31 March to 30 April: the earlier counts
		{"{months: 12}", "2027-01-10", "2028-01-31"},
		{"{months: 12}", "2026-05-01", "2027-01-31"}, // too early to count for a line
		{"{days: 10}", "2026-02-13", "2026-02-20"},   // lines on 10 and 20 February
		{"{days: 10}", "2026-02-17", "2026-03-02"},
	} {
		got := dueOf(t, []string{"every: " + c.every, "count: grid"}, life{fitted: "2026-01-31", done: c.done, today: c.done})
		if got.Date != date(c.want) {
			t.Errorf("every %s, done %s: got %s, want %s", c.every, c.done, got.Date, c.want)
		}
	}
}

func TestTheRunInComesOnceInANewPartsLife(t *testing.T) {
	oil := []string{"every: {hours: 500, months: 12}", "run_in: {hours: 40}"}
	for _, c := range []struct {
		name  string
		life  life
		at    float64
		runIn bool
	}{
		{"a new part has its run-in first", life{fitted: "2026-01-01", now: 5, today: "2026-01-02"}, 40, true},
		{"after it the interval counts from where it was done", life{fitted: "2026-01-01", done: "2026-02-01", doneAt: 43, now: 44, today: "2026-02-02"}, 543, false},
		{"done early it is over too", life{fitted: "2026-01-01", done: "2026-02-01", doneAt: 20, now: 44, today: "2026-02-02"}, 520, false},
		{"usage carried in counts for it", life{fitted: "2026-01-01", carried: 10, now: 12, today: "2026-01-02"}, 40, true},
		{"carried in beyond the run-in there is none", life{fitted: "2026-01-01", carried: 40, now: 41, today: "2026-01-02"}, 540, false},
		{"nor for a part at work already", life{fitted: "2026-01-01", now: 5, today: "2026-01-02", used: true}, 500, false},
	} {
		got := dueOf(t, oil, c.life)
		if got.At != hours(c.at) || got.RunIn != c.runIn {
			t.Errorf("%s: got %g h, run-in %v; want %g h, %v", c.name, got.At.Human(plan.Hours), got.RunIn, c.at, c.runIn)
		}
	}
	idle := dueOf(t, oil, life{fitted: "2025-01-01", now: 5, today: "2026-01-01"})
	if idle.Status != plan.IsDue || idle.Why != "months" {
		t.Errorf("a new part that stood still for a year: got %+v", idle)
	}
}

func TestWhatIsAskedForTheIntervalIsHeldToHalfOfARunIn(t *testing.T) {
	oil := []string{"every: {hours: 500, months: 12}", "run_in: {hours: 40, months: 1}", "lead: {hours: 60, months: 2}", "grace: {hours: 60, months: 2}"}
	for _, c := range []struct {
		name  string
		now   float64
		today string
		want  plan.Status
	}{
		{"before half of the hours", 19.9, "2026-01-02", plan.OK},
		{"at half of the hours", 20, "2026-01-02", plan.Soon},
		{"half of them past", 60, "2026-01-02", plan.IsDue},
		{"more than half of them past", 60.1, "2026-01-02", plan.Overdue},
		{"before half of the month", 1, "2026-01-16", plan.OK},
		{"at half of the month", 1, "2026-01-17", plan.Soon},
		{"half of it past", 1, "2026-02-16", plan.IsDue},
		{"more than half of it past", 1, "2026-02-17", plan.Overdue},
	} {
		if got := dueOf(t, oil, life{fitted: "2026-01-01", now: c.now, today: c.today}); got.Status != c.want {
			t.Errorf("%s: got %s, want %s", c.name, got.Status, c.want)
		}
	}
}

func TestRunInStepsAfterEveryFitting(t *testing.T) {
	task := mustParse(t, taskOf("every: {hours: 100}", "run_in: [{kilometres: 2}, {kilometres: 10}, {kilometres: 50, hours: 10}]", "run_in_after: fitting")).Tasks[0]
	km := func(h, km float64) plan.Amounts { return hours(h).With(plan.Distance, int64(km*1000)) }
	fitted := plan.Mark{At: 1000, Date: date("2026-01-01"), Totals: km(300, 4000)}
	for _, c := range []struct {
		name string
		done *plan.Mark
		now  plan.Amounts
		km   float64 // 0: no run-in
	}{
		{"first at 2 km from the fitting", nil, km(300, 4001), 4002},
		{"a job at an earlier fitting does not count", &plan.Mark{At: 500, Totals: km(290, 3900)}, km(300, 4001), 4002},
		{"then at 10 km", &plan.Mark{At: 2000, Totals: km(300, 4002)}, km(300, 4003), 4010},
		{"done nearer to 10 km counts for it", &plan.Mark{At: 2000, Totals: km(301, 4007)}, km(301, 4007), 4050},
		{"done past the middle to 50 km it is over", &plan.Mark{At: 2000, Totals: km(304, 4031)}, km(304, 4031), 0},
		{"or by hours", &plan.Mark{At: 2000, Totals: km(310, 4011)}, km(310, 4011), 0},
	} {
		got := task.Due(plan.Input{Fitted: fitted, LastDone: c.done, Now: c.now, Today: date("2026-01-02")})
		at, _ := got.At.Get(plan.Distance)
		if at != int64(c.km*1000) || got.RunIn != (c.km != 0) {
			t.Errorf("%s: got %d m, run-in %v", c.name, at, got.RunIn)
		}
	}
	noDistance := task.Due(plan.Input{Fitted: plan.Mark{At: 1000, Totals: hours(300)}, Now: hours(301), Today: date("2026-01-02")})
	if at, _ := noDistance.At.Get(plan.Hours); at != 310*3600 || !noDistance.Unmeasured.Has(plan.Distance) {
		t.Errorf("without a distance meter the hours count: got %+v", noDistance)
	}
}

func TestATriggerWithoutAMeterIsToldNotGuessed(t *testing.T) {
	got := dueOf(t, []string{"every: {hours: 50, hectares: 500}"}, life{fitted: "2026-01-01", now: 50, today: "2026-01-02"})
	if got.Status != plan.IsDue || got.Unmeasured.Units()[0] != "hectares" || got.At.Has(plan.Area) {
		t.Errorf("got %+v", got)
	}
}

func TestAgeCountsFromTheDateOfManufacture(t *testing.T) {
	// DIN 20066:2002-10, DGUV 113-020: hydraulic hoses 6 years from manufacture.
	hose := []string{"every: {months: 72}", "count: made", "weight: safety"}
	for _, c := range []struct {
		name string
		life life
		want string
	}{
		{"made two years before it was fitted", life{fitted: "2024-03-10", made: "2022-02-15", today: "2026-01-01"}, "2028-02-15"},
		{"date of manufacture unknown: from the fitting", life{fitted: "2024-03-10", today: "2026-01-01"}, "2030-03-10"},
		{"once done, from there", life{fitted: "2024-03-10", made: "2022-02-15", done: "2025-06-01", today: "2026-01-01"}, "2031-06-01"},
	} {
		if got := dueOf(t, hose, c.life); got.Date != date(c.want) {
			t.Errorf("%s: got %s, want %s", c.name, got.Date, c.want)
		}
	}
}
