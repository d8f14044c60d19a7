package fleet

import (
	"time"

	"rigledger/events"
)

// Steps of an item that can be taken back; the codes are part of the API.
const (
	StepBooked   = "booked"
	StepInHand   = "in-hand"
	StepDeferred = "deferred"
	StepDone     = "done"
	StepStruck   = "struck"
)

// Step is the last step of the item, "" when there is none to take back.
func (it *Item) Step() string {
	switch it.Stage {
	case Done:
		return StepDone
	case Struck:
		return StepStruck
	}
	return it.Latest
}

// ReturnItem takes the last step of an item back. Step names it, so that who
// asks twice does not take back two. What a meter showed when a job was
// finished stays a reading; it is voided by itself where it was wrong too.
type ReturnItem struct {
	Item    string `json:"-"`
	IfMatch uint64 `json:"-"`
	Step    string `json:"step"`
	Reason  string `json:"reason"`
}

// Touches everything: a larger job ended others with it, on any part of the rig.
func (r *ReturnItem) Touches() []string { return []string{Everything} }

func (r *ReturnItem) Decide(d Deciding) ([]events.Entry, error) {
	it := d.Items[r.Item]
	if it == nil {
		return nil, missing("item", r.Item)
	}
	if _, err := d.liveRig(it.Rig); err != nil {
		return nil, err
	}
	if err := unchanged(r.IfMatch, it.Changed); err != nil {
		return nil, err
	}
	var c check
	switch r.Step {
	case StepBooked, StepInHand, StepDeferred, StepDone, StepStruck:
	case "":
		c.fail("/step", "is missing")
	default:
		c.fail("/step", "must be booked, in-hand, deferred, done or struck")
	}
	c.text("/reason", r.Reason, 500)
	if err := c.err(); err != nil {
		return nil, err
	}
	switch last := it.Step(); {
	case last == "":
		return nil, conflict("item %s has just been raised: there is no step to take back", it.Item)
	case last != r.Step:
		return nil, conflict("the last step of item %s is %s, not %s", it.Item, last, r.Step)
	}
	if !it.Stage.Open() {
		if err := d.MayReopen(it); err != nil {
			return nil, err
		}
	}
	return []events.Entry{d.entry(&events.ItemReturned{Item: it.Item, Rig: it.Rig, Step: r.Step, Reason: r.Reason})}, nil
}

// MayReopen says why an item that has ended cannot be opened again, nil where it
// can: once its tasks went on, what came later was counted from its end.
func (s *State) MayReopen(it *Item) error {
	if it.Stage.Open() {
		return conflict("item %s is %s: it has not ended", it.Item, it.Stage)
	}
	if it.EndedWith != "" {
		return conflict("item %s was done with %s; take that one back", it.Item, it.EndedWith)
	}
	ended := append([]Counted{{Part: it.Part, Task: it.Task, Cycles: it.Cycle}}, it.Counted...)
	for _, of := range ended {
		p := s.Parts[of.Part]
		if p == nil || p.Rig() != it.Rig {
			return conflict("part %s is no longer on rig %s", of.Part, it.Rig)
		}
		l := p.Tasks[of.Task] // there is one: a cycle of it has ended
		if l.Open != "" {
			return conflict("item %s has been raised since, counted from the end of this one", l.Open)
		}
		if l.Cycles != of.Cycles {
			return conflict("task %s of part %s has been done or struck again since", of.Task, of.Part)
		}
	}
	return nil
}

// UnswapMeter takes a swap of a counter back: it was entered or concluded by
// mistake, and the old counter went on. At is when the swap stands on record.
type UnswapMeter struct {
	Rig    string    `json:"-"`
	Meter  string    `json:"-"`
	At     time.Time `json:"at"`
	Reason string    `json:"reason"`
}

func (u *UnswapMeter) Touches() []string { return []string{"rig:" + u.Rig} }

func (u *UnswapMeter) Decide(d Deciding) ([]events.Entry, error) {
	rig, err := d.liveRig(u.Rig)
	if err != nil {
		return nil, err
	}
	m := rig.Meter(u.Meter)
	if m == nil {
		return nil, missing("meter", u.Meter)
	}
	var c check
	c.text("/reason", u.Reason, 500)
	if u.At.IsZero() {
		c.fail("/at", "is missing")
	}
	if err := c.err(); err != nil {
		return nil, err
	}
	at := events.Milli(u.At)
	after := m.Series.Clone()
	if !after.Unswap(at.UnixMilli()) {
		return nil, missing("swap", u.Meter+" at "+at.Format(time.RFC3339Nano))
	}
	if when, falls := totalFalls(after); falls {
		if _, before := totalFalls(m.Series); !before {
			return nil, conflict("the readings since do not go on from the old counter: its total would fall at %s; void those of the mistaken counter first", unixMilli(when).UTC().Format(time.RFC3339Nano))
		}
	}
	e := d.entry(&events.MeterUnswapped{Rig: u.Rig, Meter: u.Meter, Reason: u.Reason})
	e.At = at
	return []events.Entry{e}, nil
}

// Reopen takes the dismissal of a reading back: it waits in quarantine again.
type Reopen struct {
	Quarantine string `json:"-"`
	Reason     string `json:"reason"`
}

// Touches everything, as Release does.
func (r *Reopen) Touches() []string { return []string{Everything} }

func (r *Reopen) Decide(d Deciding) ([]events.Entry, error) {
	h := d.Held[r.Quarantine]
	if h == nil {
		return nil, missing("quarantine", r.Quarantine)
	}
	var c check
	c.text("/reason", r.Reason, 500)
	if err := c.err(); err != nil {
		return nil, err
	}
	switch h.Outcome {
	case "dismissed":
		return []events.Entry{d.entry(&events.ReadingReopened{Quarantine: h.Quarantine, Rig: h.Rig, Reason: r.Reason})}, nil
	case "":
		return nil, conflict("%s still waits", h.Quarantine)
	}
	return nil, conflict("%s was released; void the reading instead", h.Quarantine)
}
