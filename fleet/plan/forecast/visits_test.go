package forecast_test

import (
	"testing"

	"pgregory.net/rapid"

	"rigledger/fleet/plan"
	"rigledger/fleet/plan/forecast"
)

// planned gives an outlook that is known exactly: 10 h booked on each of 60 days
// from 4 May 2026, and nothing else.
func tenHoursADay() (*forecast.Outlook, plan.Date) {
	today := date("2026-05-04")
	var booked []forecast.Booking
	for d := range 60 {
		booked = append(booked, forecast.Booking{Day: today.AddDays(d), Amount: 10 * 3600})
	}
	return forecast.NewModel(forecast.History{}, nil, plan.Season{}, today).Curves(today, booked, 0), today
}

func TestTasksThatFallDueTogetherAreOneVisit(t *testing.T) {
	o, today := tenHoursADay()
	counted := func(key string, hours, every int64) forecast.Task {
		return forecast.Task{Key: key, Meter: o, Counted: true, Remaining: hours * 3600, Every: every * 3600, Minutes: 30}
	}
	visits := forecast.Visits([]forecast.Task{
		counted("diaphragms", 95, 500),                            // on the 10th day, 13 May
		counted("gearbox-oil", 135, 500),                          // on the 14th day: 45 h are left on 13 May's morning, 9 %
		counted("section-filters", 120, 50),                       // on the 12th day: 30 h left are 60 % of its interval
		counted("boom-wires", 410, 0),                             // on the 41st day
		counted("not-in-sight", 6010, 500),                        // never
		{Key: "hoses", Calendar: date("2026-05-20"), Minutes: 60}, // 7 days after 13 May
		{Key: "no-limit"},
	}, today, forecast.TwoWeeks)

	type job struct {
		key   string
		hours int64
		days  int
	}
	want := []struct {
		day     string
		minutes int
		jobs    []job
	}{
		{"2026-05-13", 120, []job{{"diaphragms", 0, 0}, {"gearbox-oil", 45, 4}, {"hoses", 0, 7}}},
		{"2026-05-15", 30, []job{{"section-filters", 0, 0}}},
		{"2026-06-13", 30, []job{{"boom-wires", 0, 0}}},
	}
	if len(visits) != len(want) {
		t.Fatalf("%d visits, want %d: %+v", len(visits), len(want), visits)
	}
	for i, w := range want {
		v := visits[i]
		if v.Day != date(w.day) || v.Minutes != w.minutes || len(v.Jobs) != len(w.jobs) {
			t.Errorf("visit %d: %s, %d minutes, %d jobs; want %+v", i, v.Day, v.Minutes, len(v.Jobs), w)
			continue
		}
		for j, wj := range w.jobs {
			if g := v.Jobs[j]; g.Task.Key != wj.key || g.GivenAway != wj.hours*3600 || g.DaysEarly != wj.days {
				t.Errorf("visit %d job %d: %s gives away %d h, %d days early; want %+v", i, j, g.Task.Key, g.GivenAway/3600, g.DaysEarly, wj)
			}
		}
	}
}

func TestBindingTasksAreReckonedByTheEarlyEndOfTheBand(t *testing.T) {
	histories, pool, s, today := benchFleet()
	o := forecast.NewModel(histories[0], pool, s, today).Curves(today, nil, 0)
	task := forecast.Task{Key: "brakes", Meter: o, Counted: true, Remaining: 200 * 3600}
	band := task.Due()
	if !band.P10.Date.Before(band.P50.Date) {
		t.Fatalf("this test needs a band that is open: %+v", band)
	}
	if v := forecast.Visits([]forecast.Task{task}, today, forecast.TwoWeeks); v[0].Day != band.P50.Date {
		t.Errorf("routine: %s, want %s", v[0].Day, band.P50.Date)
	}
	task.Binding = true
	if v := forecast.Visits([]forecast.Task{task}, today, forecast.TwoWeeks); v[0].Day != band.P10.Date {
		t.Errorf("binding: %s, want %s", v[0].Day, band.P10.Date)
	}
}

func TestACalendarLimitStopsAJobAndBoundsTheBand(t *testing.T) {
	o, today := tenHoursADay()
	task := forecast.Task{Key: "hoses", Meter: o, Counted: true, Remaining: 500 * 3600, Calendar: today.AddDays(10)}
	work := func(days int) forecast.Booking { return forecast.Booking{Day: today.AddDays(days), Amount: 3600} }
	for _, c := range []struct {
		days int
		want float64
	}{{9, 1}, {10, 0}, {11, 0}} {
		if got := o.ThroughTask(work(c.days), task); got != c.want {
			t.Errorf("work %d days ahead: %v, want %v", c.days, got, c.want)
		}
	}
	if b := task.Due(); b.P50.Date != task.Calendar {
		t.Errorf("due %s, want the calendar's %s", b.P50.Date, task.Calendar)
	}
}

func TestEveryTaskInSightIsInExactlyOneVisitAndNeverAfterItsDay(t *testing.T) {
	o, today := tenHoursADay()
	rapid.Check(t, func(t *rapid.T) {
		bounds := forecast.Together{Days: rapid.IntRange(0, 30).Draw(t, "days"), Share: rapid.Float64Range(0, 1).Draw(t, "share")}
		var tasks []forecast.Task
		want := map[string]bool{}
		for i := range rapid.IntRange(0, 12).Draw(t, "tasks") {
			task := forecast.Task{Key: string(rune('a' + i)), Meter: o, Every: rapid.Int64Range(0, 500*3600).Draw(t, "every")}
			if task.Counted = rapid.Bool().Draw(t, "counted"); task.Counted {
				task.Remaining = rapid.Int64Range(-3600, 700*3600).Draw(t, "remaining")
			}
			if rapid.Bool().Draw(t, "has date") {
				task.Calendar = today.AddDays(rapid.IntRange(-20, 200).Draw(t, "date"))
			}
			tasks = append(tasks, task)
			want[task.Key] = task.Due().P50.OK
		}
		seen := map[string]bool{}
		last := plan.Date{}
		for _, v := range forecast.Visits(tasks, today, bounds) {
			if v.Day.Before(today) || v.Day.Before(last) {
				t.Fatalf("visit on %s, after %s", v.Day, last)
			}
			last = v.Day
			for i, j := range v.Jobs {
				if seen[j.Task.Key] {
					t.Fatalf("%s is in two visits", j.Task.Key)
				}
				seen[j.Task.Key] = true
				if j.Due.Date.After(today) && v.Day.After(j.Due.Date) {
					t.Fatalf("%s, due %s, is put off to %s", j.Task.Key, j.Due.Date, v.Day)
				}
				if j.DaysEarly < 0 || j.DaysEarly > bounds.Days || j.GivenAway < 0 {
					t.Fatalf("%s: %d days early, gives away %d", j.Task.Key, j.DaysEarly, j.GivenAway)
				}
				if i > 0 && j.DaysEarly > 0 && j.Task.Every > 0 && float64(j.GivenAway) > bounds.Share*float64(j.Task.Every) {
					t.Fatalf("%s gives away %d of %d", j.Task.Key, j.GivenAway, j.Task.Every)
				}
			}
		}
		for key, in := range want {
			if seen[key] != in {
				t.Fatalf("%s: in a visit %v, want %v", key, seen[key], in)
			}
		}
	})
}
