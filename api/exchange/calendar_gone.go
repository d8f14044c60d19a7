package exchange

import (
	"slices"
	"strings"
	"time"

	"rigledger/api/exchange/calendar"
	"rigledger/api/workshop"
	"rigledger/events"
	"rigledger/fleet"
	"rigledger/fleet/plan"
)

// farewell is a rig's going out of a calendar: to another yard, or out of the fleet.
type farewell struct {
	commit uint64
	at     time.Time
	yard   string // that it was in until then
	why    string
}

// farewellOf finds how a rig last went out of a calendar, and the commit by which it
// last came into it; gone is nil while it is in it, or where it never was.
func farewellOf(r *fleet.Rig, k *fleet.Calendar) (gone *farewell, came uint64) {
	in, yard := false, ""
	for i := range r.Timeline {
		l := &r.Timeline[i]
		before := yard
		retired := false
		switch f := l.Entry.Fact.(type) {
		case *events.RigRegistered:
			yard = f.Yard
		case *events.RigAmended:
			if f.Yard != nil {
				yard = *f.Yard
			}
		case *events.RigRetired:
			retired = true
		default:
			continue
		}
		is := !retired && (k.Rig == r.Rig || k.Yard != "" && k.Yard == yard)
		switch {
		case is && !in:
			gone, came = nil, l.N
		case in && !is:
			gone = &farewell{commit: l.N, at: l.Recorded, yard: before, why: "moved to another yard"}
			if retired {
				gone.why = "the rig was retired"
			}
		}
		in = is
	}
	return gone, came
}

// cancelled lists what a calendar showed of a rig that went out of it, all of it
// off: what was open, what had ended of late, and the next turn of every task, which
// was ahead. It says nothing of what the rig did since, which may be another yard's.
func (gone *farewell) cancelled(s *fleet.State, r *fleet.Rig, earliest time.Time) (list []calendar.Entry) {
	off := func(id, title, weight, day string) {
		e := calendarEntry(r, id, title+": "+gone.why)
		e.Place, e.Category, e.Standing, e.Commit, e.Changed = gone.yard, weight, calendar.Cancelled, gone.commit, gone.at
		if e.First = day; day == "" {
			e.First = plan.Of(gone.at, s.Zone()).String()
		}
		list = append(list, e)
	}
	type turn struct{ part, task string }
	next := map[turn]int{} // the turn of each task that was listed then
	atMost := func(t turn, cycle int) {
		if n, ok := next[t]; !ok || cycle < n {
			next[t] = cycle
		}
	}
	for _, it := range s.Items {
		if it.Rig != r.Rig {
			continue
		}
		over := !it.Stage.Open()
		if it.Changed > gone.commit { // it was changed since; it may have been open then, or ahead
			atMost(turn{it.Part, it.Task}, it.Cycle)
			for _, also := range it.Counted {
				atMost(turn{also.Part, also.Task}, also.Cycles)
			}
			continue
		}
		if over && it.EndedAt.Before(earliest) {
			continue
		}
		day := it.BookedOn
		if day == "" && !over {
			day = it.DueDate
		}
		line := workshop.LineOf(s, it, r, nil)
		off(it.Item, line.Title, line.Weight, day)
		if !over {
			next[turn{it.Part, it.Task}] = 0 // it is that turn
		}
	}
	// Items have no order in the state, and what is made twice must be the same.
	slices.SortFunc(list, func(a, b calendar.Entry) int { return strings.Compare(a.ID, b.ID) })
	p := s.PlanOf(r.Plan)
	if p == nil {
		return list
	}
	for _, id := range append([]string{r.Rig}, r.Fitted...) {
		part := s.Parts[id]
		for _, t := range p.TasksFor(part.Kind) {
			k, cycle := turn{id, t.Slug}, 1
			if log := part.Tasks[t.Slug]; log != nil {
				cycle += log.Cycles
			}
			if n, ok := next[k]; ok {
				cycle = min(cycle, n)
			}
			if cycle > 0 {
				off(fleet.ItemID(id, t.Slug, cycle), t.Title, string(t.Weight), "")
			}
		}
	}
	return list
}
