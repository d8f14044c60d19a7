package fleet

import (
	"context"
	"sort"
	"time"

	"rigledger/events"
	"rigledger/fleet/plan"
)

// raiseRigs is how many rigs one raising looks at, so that the desk stays free
// for others in between.
const raiseRigs = 200

// Raiser raises service items. It remembers what it has looked at, so that only
// rigs that changed since, or all on a new day, are looked at again.
type Raiser struct {
	fleet *Fleet
	seen  map[string]uint64 // rig → its newest commit then
	today plan.Date
}

// NewRaiser gives a raiser that has seen nothing yet.
func NewRaiser(f *Fleet) *Raiser { return &Raiser{fleet: f, seen: map[string]uint64{}} }

// Raise opens an item for every task that has come inside its lead and has
// none open, and gives how many it opened. Raising twice is raising once.
func (r *Raiser) Raise(ctx context.Context) (raised int, err error) {
	now := r.fleet.Now()
	changed := map[string]uint64{}
	var todo []string
	r.fleet.View(func(s *State) {
		if today := plan.Of(now, s.zone); today != r.today {
			r.today = today
			clear(r.seen)
		}
		for code, rig := range s.Rigs {
			if r.seen[code] != rig.Changed {
				changed[code] = rig.Changed
				if r.fleet.wants(s, rig, now) {
					todo = append(todo, code)
				} else {
					r.seen[code] = rig.Changed
				}
			}
		}
	})
	sort.Strings(todo) // the same fleet raises in the same order everywhere
	for len(todo) > 0 {
		some := todo[:min(len(todo), raiseRigs)]
		todo = todo[len(some):]
		for len(some) > 0 {
			cmd := &raise{fleet: r.fleet, rigs: some}
			receipt, err := r.fleet.Do(ctx, "scheduler", cmd, nil)
			if err != nil {
				return raised, err
			}
			raised += len(receipt.Facts)
			some = some[cmd.looked:]
		}
	}
	// What was raised changed its rig; it is looked at once more next time.
	return raised, nil
}

// wants says whether a rig has a task to raise.
func (f *Fleet) wants(s *State, rig *Rig, now time.Time) bool {
	for _, line := range f.DueOf(s, rig, now) {
		if line.Item == "" && line.Due.Status != plan.OK {
			return true
		}
	}
	return false
}

// raise is the command behind Raise; looked is how many rigs it got to.
type raise struct {
	fleet  *Fleet
	rigs   []string
	looked int
}

func (r *raise) Touches() []string {
	keys := []string{"parts"}
	for _, rig := range r.rigs {
		keys = append(keys, "rig:"+rig)
	}
	return keys
}

func (r *raise) Decide(d Deciding) ([]events.Entry, error) {
	r.looked = 0
	var facts []events.Entry
	for _, code := range r.rigs {
		rig := d.Rigs[code]
		if rig == nil {
			r.looked++
			continue
		}
		var of []events.Entry
		for _, line := range r.fleet.DueOf(d.State, rig, d.Now) {
			if line.Item != "" || line.Due.Status == plan.OK {
				continue
			}
			of = append(of, d.entry(raisedFact(line)))
		}
		if len(facts) > 0 && len(facts)+len(of) > events.MaxFacts {
			break
		}
		facts = append(facts, of...)
		r.looked++
	}
	return facts, nil
}

func raisedFact(line DueLine) *events.ItemRaised {
	f := &events.ItemRaised{
		Item: ItemID(line.Part.Part, line.Task.Slug, line.Cycle),
		Rig:  line.Rig, Part: line.Part.Part, Task: line.Task.Slug, Cycle: line.Cycle,
		Plan: line.Plan.Plan, Version: line.Plan.Version, Due: amountsOf(line.Due.At), Why: line.Due.Why,
	}
	if !line.Due.Date.IsZero() {
		f.DueDate = line.Due.Date.String()
	}
	return f
}
