package fleet

import (
	"cmp"
	"slices"
	"sync"
	"time"

	"rigledger/fleet/meter"
	"rigledger/fleet/plan"
)

// DueLine is how one task stands on one part of a rig.
type DueLine struct {
	Rig   string
	Part  *Part // do not keep: it belongs to the state
	Task  *plan.Task
	Plan  PlanRef
	Cycle int
	Item  string // the open item, "" when none was raised
	Due   plan.Due
	// Estimated are the quantities it counts whose totals are estimates, for want
	// of a meter. To be marked wherever the line shows.
	Estimated []meter.Quantity
}

// dueBook keeps each rig's lines until the rig changes or the day does, so that
// a fleet of ten thousand rigs costs only what moved.
type dueBook struct {
	mu   sync.Mutex
	rigs map[string]dueOfRig
}

type dueOfRig struct {
	changed uint64
	today   plan.Date
	lines   []DueLine
}

// DueOf gives the lines of a rig, the most pressing first. It is to be called
// within View, with that state.
func (f *Fleet) DueOf(s *State, rig *Rig, now time.Time) []DueLine {
	today := plan.Of(now, s.zone)
	f.due.mu.Lock()
	known, ok := f.due.rigs[rig.Rig]
	f.due.mu.Unlock()
	if ok && known.changed == rig.Changed && known.today == today {
		return known.lines
	}
	lines := s.Due(rig, today)
	f.due.mu.Lock()
	if f.due.rigs == nil {
		f.due.rigs = map[string]dueOfRig{}
	}
	f.due.rigs[rig.Rig] = dueOfRig{changed: rig.Changed, today: today, lines: lines}
	f.due.mu.Unlock()
	return lines
}

// Due works out every task of a rig on a day, the most pressing first. It is a
// pure function of the state and the day.
func (s *State) Due(rig *Rig, today plan.Date) []DueLine {
	if rig.Retired {
		return nil
	}
	adopted := s.PlanOf(rig.Plan)
	if adopted == nil {
		return nil
	}
	w := s.reckon(rig)
	shared := plan.Input{Today: today}
	if w.class != nil {
		shared.SeasonStart = w.class.Season.StartFor(today)
	}
	if at := rig.LastWorked(); !at.IsZero() {
		shared.LastUse = plan.Of(at, s.zone)
	}
	lines := make([]DueLine, 0, len(adopted.Tasks)+8)
	whole := s.Parts[rig.Rig]
	for i := -1; i < len(rig.parts); i++ {
		p := whole
		if i >= 0 {
			p = rig.parts[i]
		}
		tasks := adopted.TasksFor(p.Kind)
		if len(tasks) == 0 {
			continue
		}
		in := shared
		in.Now = w.totals(p, farFuture)
		w.fitted(&in, p)
		if p.Made != "" {
			in.Made, _ = plan.ParseDate(p.Made)
		}
		for _, t := range tasks {
			lines = append(lines, s.dueLine(w, p, t, w.byLaw(t, in)))
		}
	}
	inOrder(lines)
	return lines
}

// inOrder puts lines in order, the most pressing first. The lines are large, so
// their places are sorted first and each line is moved once.
func inOrder(lines []DueLine) {
	order := make([]int, len(lines))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(i, j int) int {
		a, b := &lines[i].Due, &lines[j].Due
		if c := cmp.Compare(b.Status.Rank(), a.Status.Rank()); c != 0 {
			return c
		}
		return cmp.Compare(b.Fraction, a.Fraction)
	})
	for start := range order {
		if order[start] == start {
			continue
		}
		first := lines[start]
		for at := start; ; {
			from := order[at]
			order[at] = at
			if from == start {
				lines[at] = first
				break
			}
			lines[at] = lines[from]
			at = from
		}
	}
}

// farFuture is after any reading: totals then are the newest known.
const farFuture = int64(1) << 60

func (s *State) dueLine(w *reckoning, p *Part, t *plan.Task, in plan.Input) DueLine {
	rig := w.rig
	line := DueLine{Rig: rig.Rig, Part: p, Task: t, Plan: rig.Plan, Cycle: 1}
	var open *Item
	if log := p.Tasks[t.Slug]; log != nil {
		line.Cycle = log.Cycles + 1
		if log.Cycles > 0 {
			done := w.mark(p, log.LastAt)
			in.LastDone = &done
		}
		if open = s.Items[log.Open]; open != nil {
			line.Item = open.Item
			// An open item keeps to the version of the plan that raised it.
			if raisedBy := s.PlanOf(PlanRef{open.Plan, open.Version}); raisedBy != nil && raisedBy.Task(t.Slug) != nil {
				line.Plan, line.Task = PlanRef{open.Plan, open.Version}, raisedBy.Task(t.Slug)
			}
		}
	}
	if line.Task.Condition != nil {
		in.Conditions = s.conditionsFor(rig, p, in.LastDone)
	}
	line.Due = line.Task.Due(in)
	if open != nil && open.Deferral != nil {
		line.Due = deferred(line.Due, open, in)
	}
	for _, q := range w.estimated {
		if of, ok := plan.QuantityOf(q); ok && line.Due.At.Has(of) {
			line.Estimated = append(line.Estimated, q)
		}
	}
	return line
}

// deferred is how a task stands once its limits were moved: to the new limit
// it counts as soon, on it as due, past it as overdue without any grace.
func deferred(due plan.Due, it *Item, in plan.Input) plan.Due {
	due.Status, due.Why = plan.Soon, "deferred"
	due.At, due.Remaining, due.Date, due.RemainingDays = plan.Amounts{}, plan.Amounts{}, plan.Date{}, 0
	worse := func(s plan.Status) {
		if s.Rank() > due.Status.Rank() {
			due.Status = s
		}
	}
	for q, limit := range planAmounts(it.Deferral.Due).All() {
		now, _ := in.Now.Get(q)
		due.At.Set(q, limit)
		due.Remaining.Set(q, limit-now)
		switch {
		case now > limit:
			worse(plan.Overdue)
		case now == limit:
			worse(plan.IsDue)
		}
	}
	if limit, err := plan.ParseDate(it.Deferral.Date); err == nil {
		due.Date, due.RemainingDays = limit, in.Today.DaysUntil(limit)
		switch {
		case due.RemainingDays < 0:
			worse(plan.Overdue)
		case due.RemainingDays == 0:
			worse(plan.IsDue)
		}
	}
	return due
}

// Totals gives the newest total of each of a rig's meters.
func (r *Rig) Totals() []MeterTotal {
	totals := make([]MeterTotal, 0, len(r.Meters))
	for _, m := range r.Meters {
		total, at := m.Series.Total()
		totals = append(totals, MeterTotal{Meter: m.Meter, Quantity: m.Series.Quantity, Total: total, ReadAt: unixMilli(at)})
	}
	return totals
}

// MeterTotal is a meter's total in base units; ReadAt is zero when it was never read.
type MeterTotal struct {
	Meter    string
	Quantity meter.Quantity
	Total    int64
	ReadAt   time.Time
	Estimate bool // for want of a meter; to be marked wherever it shows
}
