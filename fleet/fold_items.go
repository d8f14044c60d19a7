package fleet

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	"rigledger/events"
)

func (s *State) applyItem(c *events.Commit, e *events.Entry, rig *Rig) error {
	if f, ok := e.Fact.(*events.ItemRaised); ok {
		return s.itemRaised(c, rig, f)
	}
	var id string
	switch f := e.Fact.(type) {
	case *events.ItemBooked:
		id = f.Item
	case *events.ItemStarted:
		id = f.Item
	case *events.ItemDeferred:
		id = f.Item
	case *events.ItemFinished:
		id = f.Item
	case *events.ItemStruck:
		id = f.Item
	case *events.ItemReturned:
		id = f.Item
	default:
		return fmt.Errorf("the fold does not know %s", e.Fact.Kind())
	}
	it := s.Items[id]
	if it == nil {
		return fmt.Errorf("%s of the unknown item %q", e.Fact.Kind(), id)
	}
	it.Changed = c.N
	switch f := e.Fact.(type) {
	case *events.ItemBooked:
		it.Stage, it.BookedOn, it.BookedFor, it.Latest = Booked, f.Date, f.For, StepBooked
	case *events.ItemStarted:
		it.Stage, it.Worker, it.StartedAt, it.Latest = InHand, f.Worker, e.At, StepInHand
	case *events.ItemDeferred:
		it.Deferral, it.DeferBy, it.Latest = f, e.By, StepDeferred
	case *events.ItemFinished:
		it.Finish, it.Read = f, readAtFinish(c, e, f)
		for _, file := range f.Files {
			s.refer(file, it.Rig)
		}
		s.endCycle(c, it, e, Done, "")
		it.Counted = nil
		for _, also := range f.Includes {
			s.endIncluded(c, also, it, e)
		}
	case *events.ItemStruck:
		s.endCycle(c, it, e, Struck, f.Reason)
	case *events.ItemReturned:
		s.itemReturned(c, it, f)
	}
	return nil
}

// readAtFinish finds the reading that came with the end of an item: it stands in
// the same commit, under the item's name. Others share the commit, and whoever
// sends a reading names its event as he likes.
func readAtFinish(c *events.Commit, end *events.Entry, f *events.ItemFinished) []events.Counter {
	for i := range c.Facts {
		e := &c.Facts[i]
		read, ok := e.Fact.(*events.MeterRead)
		if ok && read.Event == finishEvent+f.Item && read.Rig == f.Rig && e.By == end.By && e.At.Equal(end.At) {
			return read.Counters
		}
	}
	return nil
}

func (s *State) itemRaised(c *events.Commit, rig *Rig, f *events.ItemRaised) error {
	p := s.Parts[f.Part]
	if p == nil {
		return fmt.Errorf("item on the unknown part %q", f.Part)
	}
	s.Items[f.Item] = &Item{ItemRaised: *f, RaisedAt: c.Recorded, RaisedIn: c.N, Stage: Raised, Changed: c.N}
	rig.Open = append(rig.Open, f.Item)
	delete(rig.Noted.Items, f.Item) // raised again after its part had been elsewhere
	p.log(f.Task).Open = f.Item
	return nil
}

// log gives the part's record of a task, made when there is none.
func (p *Part) log(task string) *TaskLog {
	l := p.Tasks[task]
	if l == nil {
		if p.Tasks == nil {
			p.Tasks = map[string]*TaskLog{}
		}
		l = &TaskLog{}
		p.Tasks[task] = l
	}
	return l
}

// endCycle closes an item and lets the task's next cycle count from e.At.
func (s *State) endCycle(c *events.Commit, it *Item, e *events.Entry, stage Stage, reason string) {
	it.Stage, it.EndedAt, it.EndedBy, it.StruckFor, it.Changed = stage, e.At, e.By, reason, c.N
	if rig := s.Rigs[it.Rig]; rig != nil {
		rig.Open = without(rig.Open, it.Item)
	}
	if p := s.Parts[it.Part]; p != nil {
		l := p.log(it.Task)
		it.Before = l.LastAt
		l.end(e.At.UnixMilli(), stage == Done)
	}
}

// endUndone strikes an item whose work is nobody's any more. Unlike one that a
// person struck, its task's cycle has not ended.
func (s *State) endUndone(c *events.Commit, it *Item, e *events.Entry, why string) {
	it.Stage, it.StruckFor, it.EndedAt, it.EndedBy, it.Changed = Struck, why, e.At, e.By, c.N
	if rig := s.Rigs[it.Rig]; rig != nil {
		rig.Open = without(rig.Open, it.Item)
	}
	if p := s.Parts[it.Part]; p != nil {
		p.log(it.Task).Open = ""
	}
}

// end closes a cycle. A service entered late must not move a newer one back.
func (l *TaskLog) end(at int64, done bool) {
	l.Cycles++
	if done {
		l.Done++
	}
	l.LastAt = max(l.LastAt, at)
	l.Open = ""
}

// endIncluded counts a task as done because a larger one was. The task is
// named "<part>.<task>"; an open item of it closes with the larger one.
func (s *State) endIncluded(c *events.Commit, name string, larger *Item, e *events.Entry) {
	part, task, ok := strings.Cut(name, ".")
	p := s.Parts[part]
	if !ok || p == nil {
		return
	}
	l := p.log(task)
	counted := Counted{Part: part, Task: task, Cycles: l.Cycles + 1, Before: l.LastAt, Item: l.Open}
	if it := s.Items[l.Open]; it != nil {
		it.Finish = &events.ItemFinished{Item: it.Item, Rig: it.Rig, Worker: larger.Finish.Worker, Findings: "done with " + larger.Item}
		it.EndedWith = larger.Item
		s.endCycle(c, it, e, Done, "")
	} else {
		l.end(e.At.UnixMilli(), true)
	}
	larger.Counted = append(larger.Counted, counted)
}

// itemReturned takes the last step of an item back.
func (s *State) itemReturned(c *events.Commit, it *Item, f *events.ItemReturned) {
	switch f.Step {
	case StepBooked, StepInHand, StepDeferred:
		s.stepAgain(it)
	case StepDone, StepStruck:
		for _, of := range it.Counted {
			if p := s.Parts[of.Part]; p != nil {
				p.log(of.Task).reopen(of.Before, true, of.Item)
				s.reopen(c, s.Items[of.Item])
			}
		}
		it.Counted = nil
		if p := s.Parts[it.Part]; p != nil {
			p.log(it.Task).reopen(it.Before, it.Stage == Done, it.Item)
		}
		s.reopen(c, it)
	}
	it.Stage = it.stageOpen()
}

// stepAgain lets an item be as the steps left it that were not taken back: one
// that was booked on another day is on its day of before again.
func (s *State) stepAgain(it *Item) {
	it.BookedOn, it.BookedFor, it.Worker, it.StartedAt, it.Deferral, it.DeferBy, it.Latest = "", "", "", time.Time{}, nil, "", ""
	for _, e := range s.stepsOf(it) {
		switch f := e.Fact.(type) {
		case *events.ItemBooked:
			it.BookedOn, it.BookedFor = f.Date, f.For
		case *events.ItemStarted:
			it.Worker, it.StartedAt = f.Worker, e.At
		case *events.ItemDeferred:
			it.Deferral, it.DeferBy = f, e.By
		}
		_, it.Latest = stepIn(e.Fact)
	}
}

// stepsOf lists an item's bookings, starts and deferrals that stand, oldest first.
func (s *State) stepsOf(it *Item) (steps []*events.Entry) {
	line := s.Rigs[it.Rig].Timeline
	raised, _ := slices.BinarySearchFunc(line, it.RaisedIn, func(l Logged, n uint64) int { return cmp.Compare(l.N, n) })
	for i := raised; i < len(line); i++ {
		e := &line[i].Entry
		if back, ok := e.Fact.(*events.ItemReturned); ok && back.Item == it.Item {
			for k := len(steps) - 1; k >= 0; k-- {
				if _, step := stepIn(steps[k].Fact); step == back.Step {
					steps = slices.Delete(steps, k, k+1)
					break
				}
			}
		} else if item, _ := stepIn(e.Fact); item == it.Item {
			steps = append(steps, e)
		}
	}
	return steps
}

// stepIn says which step of which item a fact is; "" for what is none, or its end.
func stepIn(f events.Fact) (item, step string) {
	switch f := f.(type) {
	case *events.ItemBooked:
		return f.Item, StepBooked
	case *events.ItemStarted:
		return f.Item, StepInHand
	case *events.ItemDeferred:
		return f.Item, StepDeferred
	}
	return "", ""
}

// reopen lets an item be as it was before it ended; nil for none.
func (s *State) reopen(c *events.Commit, it *Item) {
	if it == nil {
		return
	}
	it.EndedAt, it.EndedBy, it.Finish, it.Read, it.StruckFor, it.EndedWith, it.Before = time.Time{}, "", nil, nil, "", "", 0
	it.Stage, it.Changed = it.stageOpen(), c.N
	if rig := s.Rigs[it.Rig]; rig != nil {
		rig.Open = append(rig.Open, it.Item)
		delete(rig.Noted.Items, it.Item)
	}
}

// stageOpen is how far an item is that has not ended.
func (it *Item) stageOpen() Stage {
	switch {
	case !it.StartedAt.IsZero():
		return InHand
	case it.BookedOn != "":
		return Booked
	}
	return Raised
}

// reopen takes the end of a cycle back.
func (l *TaskLog) reopen(before int64, done bool, item string) {
	l.Cycles--
	if done {
		l.Done--
	}
	l.LastAt, l.Open = before, item
}

// ItemID names the item of a part, task and cycle (1, 2, 3 …).
func ItemID(part, task string, cycle int) string {
	return fmt.Sprintf("%s.%s.%d", part, task, cycle)
}
