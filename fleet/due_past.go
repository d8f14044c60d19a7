package fleet

import (
	"strings"
	"time"

	"rigledger/events"
	"rigledger/fleet/plan"
)

// dueThen works out how a rig's tasks stood at a time past, from what is known
// today: the plan and parts of then, the totals of then, and the jobs done by
// then, those that were entered late included.
func (s *State) dueThen(rig *Rig, m moment) []DueLine {
	then := s.rigThen(rig, m)
	adopted := s.PlanOf(then.Plan)
	if adopted == nil {
		return nil
	}
	var season plan.Date
	if c := s.Class(rig.Class); c != nil {
		season = c.Season.StartFor(m.today)
	}
	in := plan.Input{Today: m.today, SeasonStart: season}
	// Of the last use only this matters: has the rig worked in the season by then?
	for _, meter := range rig.Meters {
		if !season.IsZero() && meter.Series.Usage(season.Time(s.zone).UnixMilli(), m.asOf) > 0 {
			in.LastUse = m.today
		}
	}
	w := s.reckon(rig)
	parts := s.partsThen(rig, m)
	book := s.bookThen(rig, parts, m)
	var lines []DueLine
	for _, p := range parts {
		tasks := adopted.TasksFor(p.Kind)
		if len(tasks) == 0 {
			continue
		}
		of := in
		of.Now = w.totals(p, m.asOf)
		w.fitted(&of, p)
		of.Made, _ = plan.ParseDate(p.Made)
		for _, t := range tasks {
			lines = append(lines, s.lineThen(w, then, p, t, w.byLaw(t, of), book))
		}
	}
	return lines
}

// rigThen is the rig under its plan and with its measured states of then.
func (s *State) rigThen(rig *Rig, m moment) *Rig {
	then := *rig
	then.Plan, then.Conditions, then.Defects = PlanRef{}, map[string]*Condition{}, s.openDefects(rig, m)
	var planned time.Time
	for i := range rig.Timeline {
		e := &rig.Timeline[i].Entry
		if !m.covers(e.At) {
			continue
		}
		switch f := e.Fact.(type) {
		case *events.PlanAdopted:
			if !e.At.Before(planned) {
				then.Plan, planned = PlanRef{f.Plan, f.Version}, e.At
			}
		case *events.ConditionMeasured:
			key := f.Part + "/" + f.Code
			if old := then.Conditions[key]; old == nil || old.At.Before(e.At) {
				then.Conditions[key] = &Condition{Part: f.Part, Code: f.Code, Value: f.Value, Unit: f.Unit, At: e.At}
			}
		}
	}
	return &then
}

// partsThen are the parts that were on the rig then, the rig itself first, each
// with its stays up to then.
func (s *State) partsThen(rig *Rig, m moment) []*Part {
	parts := []*Part{s.Parts[rig.Rig]}
	for _, list := range [][]string{rig.Fitted, rig.Left} {
		for _, id := range list {
			p := s.Parts[id]
			for i := range p.Stays {
				stay := &p.Stays[i]
				if stay.Rig != rig.Rig || stay.From > m.asOf && !stay.FromStart || stay.To != 0 && stay.To <= m.asOf {
					continue
				}
				then := *p
				then.Stays = p.Stays[:i+1]
				parts = append(parts, &then)
				break
			}
		}
	}
	return parts
}

// jobs is how far a task had come on a part.
type jobs struct {
	cycles int
	last   int64
	open   *Item
}

// bookOfThen has the jobs by "<part>.<task>", and the deferrals that stood by item,
// of which the last counts.
type bookOfThen struct {
	jobs     map[string]*jobs
	deferred map[string][]*events.ItemDeferred
}

// end is when an item ended, and the tasks that it counted for.
type end struct {
	at    time.Time
	tasks []string
}

// bookThen gathers what was done and deferred by then.
func (s *State) bookThen(rig *Rig, parts []*Part, m moment) bookOfThen {
	book := bookOfThen{jobs: map[string]*jobs{}, deferred: map[string][]*events.ItemDeferred{}}
	at := func(key string) *jobs {
		if book.jobs[key] == nil {
			book.jobs[key] = &jobs{}
		}
		return book.jobs[key]
	}
	rigs := map[string]bool{rig.Rig: true}
	for _, p := range parts {
		for _, stay := range p.Stays {
			rigs[stay.Rig] = true
		}
	}
	for code := range rigs {
		r := s.Rigs[code]
		if r == nil {
			continue
		}
		ends := map[string]end{} // by item; an end that was taken back never was
		for i := range r.Timeline {
			e := &r.Timeline[i].Entry
			switch f := e.Fact.(type) {
			case *events.ItemRaised:
				it := s.Items[f.Item]
				if m.covers(e.At) && (it.EndedAt.IsZero() || !m.covers(it.EndedAt)) {
					at(f.Part + "." + f.Task).open = it
				}
			case *events.ItemDeferred:
				if m.covers(e.At) {
					book.deferred[f.Item] = append(book.deferred[f.Item], f)
				}
			case *events.ItemFinished:
				it := s.Items[f.Item]
				ends[f.Item] = end{e.At, append([]string{it.Part + "." + it.Task}, f.Includes...)}
			case *events.ItemStruck:
				it := s.Items[f.Item]
				ends[f.Item] = end{e.At, []string{it.Part + "." + it.Task}}
			case *events.ItemReturned:
				switch {
				case f.Step == StepDone, f.Step == StepStruck:
					delete(ends, f.Item)
				case f.Step == StepDeferred && m.covers(e.At):
					if d := book.deferred[f.Item]; len(d) > 0 {
						book.deferred[f.Item] = d[:len(d)-1]
					}
				}
			}
		}
		for _, of := range ends {
			if !m.covers(of.at) {
				continue
			}
			for _, key := range of.tasks {
				j := at(key)
				j.cycles, j.last = j.cycles+1, max(j.last, of.at.UnixMilli())
			}
		}
	}
	return book
}

// lineThen is dueLine from the book of then.
func (s *State) lineThen(w *reckoning, rig *Rig, p *Part, t *plan.Task, in plan.Input, book bookOfThen) DueLine {
	line := DueLine{Rig: rig.Rig, Part: p, Task: t, Plan: rig.Plan, Cycle: 1}
	j := book.jobs[strings.Join([]string{p.Part, t.Slug}, ".")]
	if j != nil {
		line.Cycle = j.cycles + 1
		if j.cycles > 0 {
			done := w.mark(p, j.last)
			in.LastDone = &done
		}
		if j.open != nil {
			line.Item = j.open.Item
			if by := s.PlanOf(PlanRef{j.open.Plan, j.open.Version}); by != nil && by.Task(t.Slug) != nil {
				line.Plan, line.Task = PlanRef{j.open.Plan, j.open.Version}, by.Task(t.Slug)
			}
		}
	}
	if line.Task.Condition != nil {
		in.Conditions = s.conditionsFor(rig, p, in.LastDone)
	}
	line.Due = line.Task.Due(in)
	if j != nil && j.open != nil {
		if d := book.deferred[j.open.Item]; len(d) > 0 {
			open := *j.open
			open.Deferral = d[len(d)-1]
			line.Due = deferred(line.Due, &open, in)
		}
	}
	return line
}
