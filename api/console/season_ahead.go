package console

import (
	"cmp"
	"slices"
	"time"

	"rigledger/fleet"
	"rigledger/fleet/meter"
	"rigledger/fleet/plan"
	"rigledger/fleet/plan/forecast"
)

// seasonDays is how far the season page looks ahead: six weeks.
const seasonDays = 42

// rigSeason is what the season page needs of a rig's forecast: the jobs that may
// fall due within six weeks, and how they go together.
type rigSeason struct {
	jobs     []seasonJob
	visits   []seasonVisit
	bookings map[string]seasonChance // by booking
}

// seasonJob is a task and when it falls due. Safety and statutory tasks are placed
// by the early edge of their band, others by its middle.
type seasonJob struct {
	Key, Part, Task, Title, Item string
	Weight                       plan.Weight
	Status                       plan.Status
	Minutes                      int
	Estimated, Operator          bool
	By                           plan.Date // zero beyond the horizon
	Early, Late                  plan.Date // P10 and P90; zero beyond the horizon
}

// seasonVisit is one stop in the workshop that several jobs share.
type seasonVisit struct {
	Day     plan.Date
	Booking string // the rest that it falls in, "" for none
	Minutes int
	Jobs    []seasonVisitJob
	Stops   int // that it spares: days on which its jobs would have come alone, but one
}

type seasonVisitJob struct {
	seasonJob
	DaysEarly, DaysLate int
	Away                float64 // use given away, in Unit
	Unit                string
	Can, Ticked         bool // it can be booked for the visit; it is to be
	Grounds             bool // the rig is not to be used until it is done
}

type seasonChance struct {
	Chance float64
	InWay  string // the title of the task most in the way
}

// restVisit is what fits into a booked rest.
type restVisit struct {
	booking string
	visit   forecast.Visit
}

// seasonOf takes from a forecast what the season page shows. A rest of the rig
// comes first: what falls due soon after it is best done then. What plans give to
// operators is no work of the workshop, and no reason to come in.
func seasonOf(f fleet.RigForecast, operators func(key string) bool) *rigSeason {
	end := f.Today.AddDays(seasonDays)
	r := &rigSeason{bookings: map[string]seasonChance{}}
	byKey := map[string]seasonJob{}
	units := map[string]meter.Quantity{}
	for _, t := range f.Tasks {
		by := t.Band.P50
		if t.Weight.Binding() {
			by = t.Band.P10
		}
		j := seasonJob{
			Key: t.Key, Part: t.Part, Task: t.Task, Title: t.Title, Item: t.Item, Weight: t.Weight, Status: t.Status, Minutes: t.Minutes,
			Estimated: t.Estimated, By: by.Date, Early: t.Band.P10.Date, Late: t.Band.P90.Date, Operator: operators(t.Key),
		}
		byKey[t.Key], units[t.Key] = j, t.CountedOn
		if !j.Early.IsZero() && !j.Early.After(end) || t.Item != "" {
			r.jobs = append(r.jobs, j)
		}
	}
	var left []forecast.Task
	for _, v := range f.Visits {
		for _, j := range v.Jobs {
			if !operators(j.Task.Key) {
				left = append(left, j.Task)
			}
		}
	}
	grounds := func(t forecast.Task) bool {
		j := byKey[t.Key]
		return j.Weight.Binding() && j.Status == plan.Overdue
	}
	var rests []restVisit
	for _, b := range f.Bookings {
		r.bookings[b.Booking] = seasonChance{b.Chance, byKey[b.InWay].Title}
		from, err := plan.ParseDate(b.Work.From)
		if err != nil || !b.Work.Rest || from.After(end) {
			continue
		}
		if from.Before(f.Today) {
			from = f.Today
		}
		one := restVisit{booking: b.Booking}
		one.visit, left = visitOn(from, left)
		one.visit.Day = from
		rests = append(rests, one)
	}
	slices.SortStableFunc(rests, func(a, b restVisit) int { return a.visit.Day.Compare(b.visit.Day) })
	others := forecast.Visits(left, f.Today, forecast.TwoWeeks)
	// What grounds the rig belongs into the earliest visit there is: it does not
	// come to stand alone because a rest has gathered the others.
	if len(others) > 0 && len(rests) > 0 && !slices.ContainsFunc(others[0].Jobs, func(j forecast.Job) bool { return !grounds(j.Task) }) {
		earliest := &rests[0].visit
		earliest.Jobs = append(slices.Clone(others[0].Jobs), earliest.Jobs...)
		earliest.Minutes += others[0].Minutes
		others = others[1:]
	}
	made := func(v forecast.Visit, booking string) {
		one := visitMade(v, byKey, units)
		one.Booking = booking
		for i := range one.Jobs {
			one.Jobs[i].Grounds = grounds(v.Jobs[i].Task)
		}
		r.visits = append(r.visits, one)
	}
	for _, rest := range rests {
		if len(rest.visit.Jobs) > 0 {
			made(rest.visit, rest.booking)
		}
	}
	for _, v := range others {
		if len(v.Jobs) > 1 && !v.Day.After(end) {
			made(v, "")
		}
	}
	slices.SortStableFunc(r.visits, func(a, b seasonVisit) int { return a.Day.Compare(b.Day) })
	return r
}

// visitOn gives the visit that takes place on a day, and the tasks that are not
// for it. Safety and statutory tasks that fall due before do not wait for it.
func visitOn(day plan.Date, tasks []forecast.Task) (on forecast.Visit, rest []forecast.Task) {
	asked := []forecast.Task{{Calendar: day}} // sets the day, and is none of the jobs
	for _, t := range tasks {
		if by := t.Due().P10; t.Binding && by.OK && by.Date.Before(day) {
			rest = append(rest, t)
		} else {
			asked = append(asked, t)
		}
	}
	taken := map[string]bool{}
	for _, v := range forecast.Visits(asked, day, forecast.TwoWeeks) {
		if len(v.Jobs) > 0 && v.Jobs[0].Task.Key == "" {
			on = v
			on.Jobs = v.Jobs[1:]
		}
	}
	for _, j := range on.Jobs {
		taken[j.Task.Key] = true
	}
	for _, t := range asked[1:] {
		if !taken[t.Key] {
			rest = append(rest, t)
		}
	}
	return on, rest
}

func visitMade(v forecast.Visit, byKey map[string]seasonJob, units map[string]meter.Quantity) seasonVisit {
	out := seasonVisit{Day: v.Day, Minutes: v.Minutes}
	days := map[plan.Date]bool{}
	for _, j := range v.Jobs {
		job := seasonVisitJob{seasonJob: byKey[j.Task.Key], DaysEarly: j.DaysEarly}
		if j.Due.OK {
			job.DaysLate = max(0, j.Due.Date.DaysUntil(v.Day))
		}
		if q := units[j.Task.Key]; q.Valid() && j.GivenAway > 0 {
			job.Away, job.Unit = q.FromBase(j.GivenAway), shortUnit(q)
		}
		days[v.Day.AddDays(j.DaysEarly)] = true
		out.Jobs = append(out.Jobs, job)
	}
	out.Stops = max(0, len(days)-1)
	return out
}

// shortUnit is the unit as people write it behind a number.
func shortUnit(q meter.Quantity) string {
	switch q {
	case meter.Hours:
		return "h"
	case meter.Area:
		return "ha"
	case meter.Volume:
		return "l"
	case meter.Distance:
		return "km"
	}
	return ""
}

// seasonPatience is how long the page works out anew what has changed since it
// was last looked at, the newest change first.
const seasonPatience = 80 * time.Millisecond

// seasonsOf gives what is known of these rigs' seasons, how many are not known
// yet, and how many are from before the rig's newest fact.
func (v *visit) seasonsOf(codes []string, today plan.Date) (known map[string]*rigSeason, waiting, older int) {
	looked, waiting := v.ahead.of(v.Console, codes, today)
	type stale struct {
		code    string
		changed uint64
	}
	var behind []stale
	v.fleet.View(func(s *fleet.State) {
		for code, o := range looked {
			if r := s.Rigs[code]; r != nil && r.Changed != o.changed {
				behind = append(behind, stale{code, r.Changed})
			}
		}
	})
	slices.SortFunc(behind, func(a, b stale) int { return cmp.Compare(b.changed, a.changed) })
	begin := time.Now()
	for i, b := range behind {
		if time.Since(begin) > seasonPatience {
			older = len(behind) - i
			break
		}
		looked[b.code] = v.outlookOf(b.code)
	}
	known = make(map[string]*rigSeason, len(looked))
	for code, o := range looked {
		if o.season != nil {
			known[code] = o.season
		}
	}
	return known, waiting, older
}
