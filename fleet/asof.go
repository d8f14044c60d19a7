package fleet

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"rigledger/events"
)

const (
	pastsKept = 3 // states of times past that stay in memory, each as large as the fleet's own
	// clocksApart is by how much the clocks of several instances may differ: that far
	// behind a time, commits may still follow that were recorded before it.
	clocksApart = time.Hour
)

// pasts keeps the states of times past that were asked for last. Folding one is
// as much work as opening the ledger, so one is folded at a time.
type pasts struct {
	turn chan struct{} // holds one while the rest is in use
	kept []past        // the one used last is the last
}

type past struct {
	at    int64 // Unix ms
	state *State
}

func newPasts() pasts { return pasts{turn: make(chan struct{}, 1)} }

// AsOf gives the fleet as it was known at a time: the fold of the ledger up to
// the last commit that was recorded by then, whatever was entered later about
// the time before. It begins at the stored snapshot if that is not newer. The
// state is shared and must not be changed. It is Down when ctx ends first.
func (f *Fleet) AsOf(ctx context.Context, at time.Time) (*State, error) {
	select {
	case f.pasts.turn <- struct{}{}:
		defer func() { <-f.pasts.turn }()
	case <-ctx.Done():
		return nil, &Error{Code: Down, Message: "gave up waiting for the ledger", Cause: ctx.Err()}
	}
	p := &f.pasts
	ms := at.UnixMilli()
	if i := slices.IndexFunc(p.kept, func(k past) bool { return k.at == ms }); i >= 0 {
		found := p.kept[i]
		p.kept = append(slices.Delete(p.kept, i, i+1), found)
		return found.state, nil
	}
	s, over, err := f.foldUntil(ctx, at)
	switch {
	case ctx.Err() != nil:
		return nil, &Error{Code: Down, Message: "gave up reading the ledger", Cause: ctx.Err()}
	case err != nil:
		return nil, &Error{Code: Down, Message: "the ledger cannot be read", Cause: fmt.Errorf("folding it up to %s: %w", at.UTC().Format(time.RFC3339), err)}
	}
	if over { // later commits cannot change it any more
		p.kept = append(p.kept, past{ms, s})
		if len(p.kept) > pastsKept {
			p.kept = slices.Delete(p.kept, 0, 1)
		}
	}
	return s, nil
}

// foldUntil folds the commits recorded by a time; over says that the ledger goes
// on so far beyond it that no other can follow that belongs to it.
func (f *Fleet) foldUntil(ctx context.Context, at time.Time) (s *State, over bool, err error) {
	s = f.snapshotBy(ctx, at)
	if s.Head.N > 0 {
		if over, err = f.foldOnto(ctx, s, at); err == nil || ctx.Err() != nil {
			return s, over, err
		}
		f.log.Warn("the snapshot does not lead to the ledger; folding from the start", "error", err)
		s = newState(f.state.zone)
	}
	over, err = f.foldOnto(ctx, s, at)
	return s, over, err
}

func (f *Fleet) foldOnto(ctx context.Context, s *State, at time.Time) (over bool, err error) {
	var later []*events.Commit // recorded after it, or so by another instance's clock
	err = f.store.Read(ctx, s.Head.N+1, func(c *events.Commit) error {
		if err := ctx.Err(); err != nil {
			return err
		}
		if c.Recorded.After(at) {
			if c.Recorded.After(at.Add(clocksApart)) || len(later) >= recentCommits {
				over = true
				return ErrEnough
			}
			later = append(later, c)
			return nil
		}
		for _, before := range later {
			if err := s.Apply(before); err != nil {
				return err
			}
		}
		later = later[:0]
		return s.Apply(c)
	})
	if errors.Is(err, ErrEnough) {
		err = nil
	}
	return over, err
}

// snapshotBy gives the state of the stored snapshot if its commit was recorded by
// a time, else an empty one.
func (f *Fleet) snapshotBy(ctx context.Context, at time.Time) *State {
	zone := f.state.zone
	snap, err := f.store.LoadSnapshot(ctx)
	if err != nil || snap.Format != SnapshotFormat || snap.Head.N == 0 {
		return newState(zone)
	}
	fits := false
	err = f.store.Read(ctx, snap.Head.N, func(c *events.Commit) error {
		fits = c.Head() == snap.Head && !c.Recorded.After(at)
		return ErrEnough
	})
	if err != nil && !errors.Is(err, ErrEnough) || !fits {
		return newState(zone)
	}
	s, err := decodeState(snap, zone)
	if err != nil {
		f.log.Warn("the snapshot is not usable; folding from the start", "error", err)
		return newState(zone)
	}
	return s
}
