package fleet

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"
	"sort"
	"time"

	"rigledger/events"
	"rigledger/fleet/plan"
)

// The state keeps what counters showed and not in which commit each reading came:
// that would be most of its memory. A record names few readings, so they are
// looked up in the ledger. A reading is recorded after it was measured, as far
// as clocks agree, so the look begins there and ends at the last that is found:
// it is as long as the latest reading was late.

// sought is a reading whose commit is looked for.
type sought struct {
	meter  string
	value  int64 // base units
	at     time.Time
	behind uint64 // the commit that took an earlier one of that time back, 0 for none
	into   []*RecordReading
}

// earliest is when a reading can have been recorded.
func (w *sought) earliest() time.Time { return w.at.Add(-futureSlack - clocksApart) }

// findReadings names the commits of the record's readings and adds them to those
// that prove it.
func (r *Record) findReadings(ctx context.Context, store events.Store) error {
	open := r.seek()
	seen := map[uint64]time.Time{}
	for _, c := range r.Commits {
		seen[c.N] = c.Recorded
	}
	look := ledgerLook{ctx: ctx, store: store, last: r.AsOf.N}
	for _, c := range r.Commits {
		look.marks = append(look.marks, CommitProof{N: c.N, Recorded: c.Recorded})
	}
	open, err := r.findOn(&look, open, seen)
	if err == nil && len(open) > 0 { // clocks that were further apart than they may be
		err = look.read(1, func(c *events.Commit) bool {
			open = r.found(c, open, seen)
			return len(open) > 0
		})
	}
	if err != nil {
		return err
	}
	r.Commits = r.Commits[:0]
	for n, recorded := range seen {
		r.Commits = append(r.Commits, CommitProof{N: n, Recorded: recorded})
	}
	slices.SortFunc(r.Commits, func(a, b CommitProof) int { return cmp.Compare(a.N, b.N) })
	return nil
}

// seek lists the readings to look for, each once, the oldest first.
func (r *Record) seek() []*sought {
	type key struct {
		meter string
		at    int64
		value int64
	}
	known := map[key]*sought{}
	var all []*sought
	r.readings(func(name string, one *RecordReading) {
		k := key{name, one.At.UnixMilli(), base(one.Counter)}
		w := known[k]
		if w == nil {
			w = &sought{meter: name, value: k.value, at: one.At, behind: r.voided[voidedReading{name, k.at}]}
			known[k] = w
			all = append(all, w)
		}
		w.into = append(w.into, one)
	})
	slices.SortStableFunc(all, func(a, b *sought) int { return a.at.Compare(b.at) })
	return all
}

func base(a plan.Amounts) (v int64) {
	for _, v = range a.All() {
		return v
	}
	return 0
}

// findOn goes through the ledger once, from where the oldest reading can stand on
// and past the stretches in which none can, and gives those that were not found.
func (r *Record) findOn(look *ledgerLook, open []*sought, seen map[uint64]time.Time) (missing []*sought, err error) {
	read := uint64(0) // up to where
	for len(open) > 0 && len(missing) == 0 && read < look.last {
		from, err := look.firstAt(open[0].earliest())
		if err != nil {
			return nil, err
		}
		idle := 0
		err = look.read(max(from, read+1), func(c *events.Commit) bool {
			read = c.N
			for len(open) > 0 && !open[0].earliest().After(c.Recorded.Add(clocksApart)) {
				missing, open = append(missing, open[0]), open[1:]
			}
			if missing = r.found(c, missing, seen); len(missing) > 0 {
				idle = 0
				return true
			}
			idle++
			return len(open) > 0 && idle < readOn
		})
		if err != nil {
			return nil, err
		}
		if idle < readOn {
			break // all are found, or the ledger has come to its end
		}
	}
	return append(missing, open...), nil
}

// found fills in the readings that a commit holds, and gives those it does not.
func (r *Record) found(c *events.Commit, open []*sought, seen map[uint64]time.Time) []*sought {
	for i := range c.Facts {
		e := &c.Facts[i]
		read, ok := e.Fact.(*events.MeterRead)
		if !ok || read.Rig != r.Rig.Rig {
			continue
		}
		open = slices.DeleteFunc(open, func(w *sought) bool {
			if c.N < w.behind || !w.at.Equal(e.At) || !slices.Contains(read.Counters, events.Counter{Meter: w.meter, Value: w.value}) {
				return false
			}
			for _, one := range w.into {
				one.By, one.Event, one.Commit, one.Recorded = e.By, read.Event, c.N, c.Recorded
			}
			seen[c.N] = c.Recorded
			return true
		})
	}
	return open
}

// ledgerLook reads a ledger up to a commit, and knows when some were recorded.
type ledgerLook struct {
	ctx   context.Context
	store events.Store
	last  uint64
	marks []CommitProof // in order
}

func (l *ledgerLook) read(from uint64, fn func(c *events.Commit) bool) error {
	err := l.store.Read(l.ctx, from, func(c *events.Commit) error {
		if c.N > l.last || !fn(c) {
			return ErrEnough
		}
		return nil
	})
	if err != nil && !errors.Is(err, ErrEnough) {
		return fmt.Errorf("reading commit %d and on: %w", from, err)
	}
	return nil
}

// firstAt gives a commit from which on everything stands that was recorded at a
// time or later, not much before the first of it.
func (l *ledgerLook) firstAt(at time.Time) (uint64, error) {
	i := sort.Search(len(l.marks), func(i int) bool { return !l.marks[i].Recorded.Before(at) })
	low, high := uint64(0), l.last // everything up to low is too old
	if i > 0 {
		low = l.marks[i-1].N
	}
	if i < len(l.marks) {
		high = l.marks[i].N
	}
	for low+readOn < high {
		middle := low + (high-low)/2
		var mark CommitProof
		if err := l.read(middle, func(c *events.Commit) bool {
			mark = CommitProof{N: c.N, Recorded: c.Recorded}
			return false
		}); err != nil {
			return 0, err
		}
		place, found := slices.BinarySearchFunc(l.marks, mark.N, func(m CommitProof, n uint64) int { return cmp.Compare(m.N, n) })
		if !found {
			l.marks = slices.Insert(l.marks, place, mark)
		}
		if mark.Recorded.Before(at) {
			low = middle
		} else {
			high = middle
		}
	}
	return low + 1, nil
}
