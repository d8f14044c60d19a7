package forecast

import (
	"slices"
	"strings"

	"rigledger/fleet/plan"
)

// Task is one task of a rig as the forecast sees it: counted on a meter, held to a
// date, or both.
type Task struct {
	Key       string
	Meter     *Outlook // of the meter it is counted on; nil when Counted is false
	Counted   bool
	Remaining int64     // base units until its limit
	Every     int64     // length of its interval in base units, 0 when not known
	Calendar  plan.Date // its calendar limit, zero for none
	Binding   bool      // safety or statutory: reckoned by P10 instead of P50
	Minutes   int
}

// Due is the task's band: the counter's, or the calendar's where that is earlier.
func (t Task) Due() Band {
	var b Band
	if t.Counted && t.Meter != nil {
		b = t.Meter.Passage(t.Remaining)
	}
	return b.Before(t.Calendar)
}

// by is the day by which the task is to be done.
func (t Task) by() Day {
	if t.Binding {
		return t.Due().P10
	}
	return t.Due().P50
}

// Together says how far apart tasks may lie to be done in one visit.
type Together struct {
	Days  int     // a task comes at most so many days early
	Share float64 // and gives away at most this share of its interval, where that is known
}

// TwoWeeks is the usual choice: at most 14 days and a tenth of the interval early
// (common practice).
var TwoWeeks = Together{Days: 14, Share: 0.1}

// Job is a task in a visit and what doing it then gives away.
type Job struct {
	Task Task
	Due  Day // the day it would have been done by alone
	// GivenAway is the use, in base units of the task's meter, left until its
	// limit on the day of the visit, by the middle forecast: 0 for one on the day.
	GivenAway int64
	DaysEarly int
}

// Visit is one stop in the workshop.
type Visit struct {
	Day     plan.Date
	Jobs    []Job // the first is the one that sets the day
	Minutes int
}

// Visits groups a rig's tasks into as few visits as the bounds allow: the earliest
// task sets the day, and takes with it those that fall due soon after. A day that
// has gone by is taken as today. Tasks not due within the horizon are in no visit.
func Visits(tasks []Task, today plan.Date, bounds Together) []Visit {
	type line struct {
		task Task
		by   plan.Date
		due  Day
	}
	var lines []line
	for _, t := range tasks {
		due := t.by()
		if !due.OK {
			continue
		}
		by := due.Date
		if by.Before(today) {
			by = today
		}
		lines = append(lines, line{t, by, due})
	}
	slices.SortStableFunc(lines, func(a, b line) int {
		if c := a.by.Compare(b.by); c != 0 {
			return c
		}
		return strings.Compare(a.task.Key, b.task.Key)
	})
	var out []Visit
	for len(lines) > 0 {
		v := Visit{Day: lines[0].by}
		rest := lines[:0:0]
		for i, l := range lines {
			job := Job{Task: l.task, Due: l.due, DaysEarly: v.Day.DaysUntil(l.by)}
			if job.DaysEarly > 0 {
				job.GivenAway = l.task.leftOn(v.Day)
			}
			near := job.DaysEarly <= bounds.Days &&
				(job.DaysEarly == 0 || l.task.Every <= 0 || float64(job.GivenAway) <= bounds.Share*float64(l.task.Every))
			if i > 0 && !near {
				rest = append(rest, l)
				continue
			}
			v.Jobs = append(v.Jobs, job)
			v.Minutes += l.task.Minutes
		}
		out = append(out, v)
		lines = rest
	}
	return out
}

// leftOn is what is left until the limit on the morning of a day, by the middle forecast.
func (t Task) leftOn(day plan.Date) int64 {
	if !t.Counted || t.Meter == nil {
		return 0
	}
	_, used, _ := t.Meter.UseBy(day)
	return max(0, t.Remaining-used)
}
