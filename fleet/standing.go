package fleet

import (
	"cmp"
	"context"
	"slices"
	"sort"
	"time"

	"rigledger/events"
	"rigledger/fleet/plan"
)

// Noted is how a rig stood when that was last noted (rig.standing). The zero
// value stands for a rig that is fit without a word; an open item that is not
// in Items counts as soon, as which most are raised.
type Noted struct {
	Fitness string                  `json:"fitness,omitempty"`
	Reasons []events.StandingReason `json:"reasons,omitempty"`
	More    int                     `json:"more,omitempty"`
	Items   map[string]string       `json:"items,omitempty"`
}

// standingNoted keeps what was noted. Items that have ended are forgotten.
func (s *State) standingNoted(rig *Rig, f *events.RigStanding) {
	items := map[string]string{}
	for _, id := range rig.Open {
		if status, ok := rig.Noted.Items[id]; ok {
			items[id] = status
		}
	}
	for _, it := range f.Items {
		if slices.Contains(rig.Open, it.Item) {
			items[it.Item] = it.Status
		}
	}
	if len(items) == 0 {
		items = nil
	}
	rig.Noted = Noted{Fitness: f.Fitness, Reasons: f.Reasons, More: f.More, Items: items}
}

const (
	standingReasons = 50  // of one rig that are noted; the rest is counted
	standingRigs    = 200 // that one command looks at, so that the desk stays free for others
)

// Noter notes how rigs stand where that has changed: with a fact of their own
// (a reading, a defect) or without one (a certificate that expires at midnight).
// It is level-triggered: it compares what was last noted with what holds now, so
// a missed run, a restart or a second instance notes nothing twice. It remembers
// what it has looked at, so that only rigs that changed since, or all on a new
// local day, are looked at again: nothing of a standing changes within a day
// unless a fact does it.
type Noter struct {
	fleet *Fleet
	seen  map[string]uint64 // rig → its newest commit then
	today plan.Date
}

// NewNoter gives a noter that has looked at nothing yet.
func NewNoter(f *Fleet) *Noter { return &Noter{fleet: f, seen: map[string]uint64{}} }

// Note commits one rig.standing for every rig that stands otherwise than noted,
// and gives how many.
func (n *Noter) Note(ctx context.Context) (noted int, err error) {
	now := n.fleet.Now()
	var changed []string
	n.fleet.View(func(s *State) {
		if today := plan.Of(now, s.zone); today != n.today {
			n.today = today
			clear(n.seen)
		}
		for code, rig := range s.Rigs {
			if n.seen[code] != rig.Changed {
				changed = append(changed, code)
			}
		}
	})
	sort.Strings(changed) // the same fleet notes in the same order everywhere
	for some := range slices.Chunk(changed, standingRigs) {
		var todo []string
		n.fleet.View(func(s *State) {
			for _, code := range some {
				rig := s.Rigs[code]
				if n.fleet.standing(s, rig, now) != nil {
					todo = append(todo, code)
				} else {
					n.seen[code] = rig.Changed
				}
			}
		})
		for len(todo) > 0 {
			cmd := &noteStanding{fleet: n.fleet, rigs: todo}
			receipt, err := n.fleet.Do(ctx, "scheduler", cmd, nil)
			if err != nil {
				return noted, err
			}
			noted += len(receipt.Facts)
			todo = todo[cmd.looked:]
		}
	}
	// What was noted changed its rig; it is looked at once more next time.
	return noted, nil
}

// noteStanding is the command behind Note; looked is how many rigs it got to.
type noteStanding struct {
	fleet  *Fleet
	rigs   []string
	looked int
}

func (n *noteStanding) Touches() []string {
	keys := []string{"parts"}
	for _, rig := range n.rigs {
		keys = append(keys, "rig:"+rig)
	}
	return keys
}

func (n *noteStanding) Decide(d Deciding) ([]events.Entry, error) {
	n.looked = 0
	var facts []events.Entry
	size := 0
	for _, code := range n.rigs {
		if rig := d.Rigs[code]; rig != nil {
			if f := n.fleet.standing(d.State, rig, d.Now); f != nil {
				entry := d.entry(f)
				size += bulk([]events.Entry{entry})
				if len(facts) > 0 && size > groupSize/2 {
					break
				}
				facts = append(facts, entry)
			}
		}
		n.looked++
	}
	return facts, nil
}

// standing is what is to be noted about a rig, nil when it stands as noted.
func (f *Fleet) standing(s *State, rig *Rig, now time.Time) *events.RigStanding {
	return s.standing(rig, f.FitnessOf(s, rig, now), f.DueOf(s, rig, now))
}

// standing compares a rig's fitness and due lines with what was last noted.
func (s *State) standing(rig *Rig, fit Fitness, lines []DueLine) *events.RigStanding {
	f := &events.RigStanding{Rig: rig.Rig, Fitness: fit.State}
	for i := range fit.Reasons {
		r := &fit.Reasons[i]
		f.Reasons = append(f.Reasons, events.StandingReason{
			Code: r.Code, Text: r.Text, Stops: r.Stops, Part: r.Part, Task: r.Task, Defect: r.Defect,
		})
	}
	// The order of a fitness's reasons follows the counters; noted is only another set.
	slices.SortFunc(f.Reasons, func(a, b events.StandingReason) int {
		if a.Stops != b.Stops {
			if a.Stops {
				return -1
			}
			return 1
		}
		return cmp.Or(cmp.Compare(a.Code, b.Code), cmp.Compare(a.Part, b.Part), cmp.Compare(a.Task, b.Task),
			cmp.Compare(a.Defect, b.Defect), cmp.Compare(a.Text, b.Text))
	})
	if more := len(f.Reasons) - standingReasons; more > 0 {
		f.Reasons, f.More = f.Reasons[:standingReasons:standingReasons], more
	}
	for i := range lines {
		id, status := lines[i].Item, string(lines[i].Due.Status)
		if id != "" && status != rig.Noted.itemStatus(id) {
			f.Items = append(f.Items, events.ItemStanding{Item: id, Status: status})
		}
	}
	slices.SortFunc(f.Items, func(a, b events.ItemStanding) int { return cmp.Compare(a.Item, b.Item) })
	last := &rig.Noted
	if len(f.Items) == 0 && f.Fitness == cmp.Or(last.Fitness, Fit) && f.More == last.More && slices.Equal(f.Reasons, last.Reasons) {
		return nil
	}
	return f
}

func (n *Noted) itemStatus(item string) string {
	return cmp.Or(n.Items[item], string(plan.Soon))
}
