package fleet

import (
	"context"
	"fmt"
	"sync/atomic"
	"time"

	"rigledger/events"
)

const (
	usualPatience = 10 * time.Second // how long the ledger may be silent before it counts as out of reach
	snapshotTime  = 5 * time.Minute  // a snapshot is many megabytes, and nobody waits for it
)

// reach is the fleet's way to its ledger. A store that hangs answers nothing for
// as long as it is asked, so every question has an end here; and reach knows for
// how long the desk has been without an answer, which is what callers and
// Ready go by.
type reach struct {
	events.Store
	patience time.Duration

	// Kept apart, because a ledger that can be read need not take a write: a file
	// that another process holds locked, a set of servers without a majority.
	reads, writes silence
}

// silence is how long the desk has waited for an answer, over all its attempts.
// The desk alone begins and ends it.
type silence struct{ since atomic.Pointer[time.Time] }

func (s *silence) begin() {
	now := time.Now()
	s.since.CompareAndSwap(nil, &now)
}

func (s *silence) end() { s.since.Store(nil) }

func (s *silence) lasted() time.Duration {
	if since := s.since.Load(); since != nil {
		return time.Since(*since)
	}
	return 0
}

// silent is for how long the desk has had no answer, 0 while it has.
func (r *reach) silent() time.Duration { return max(r.reads.lasted(), r.writes.lasted()) }

// left is how much longer the ledger may be silent before it is out of reach.
func (r *reach) left() time.Duration { return r.patience - r.silent() }

// attempt is one Append, the try'th of the same commit. Later ones may take
// longer: a large commit on a slow line must get through in the end.
func (r *reach) attempt(ctx context.Context, c *events.Commit, try int) error {
	ctx, stop := context.WithTimeout(ctx, r.patience<<min(try-1, 3))
	defer stop()
	return r.Store.Append(ctx, c)
}

func (r *reach) Newest(ctx context.Context) (uint64, error) {
	ctx, stop := context.WithTimeout(ctx, r.patience)
	defer stop()
	return r.Store.Newest(ctx)
}

// Read ends when the store brings no commit for as long as the patience lasts.
// The time that fn takes is not the store's.
func (r *reach) Read(ctx context.Context, from uint64, fn func(*events.Commit) error) error {
	ctx, stop := context.WithCancel(ctx)
	defer stop()
	var gaveUp atomic.Bool
	watch := time.AfterFunc(r.patience, func() { gaveUp.Store(true); stop() })
	defer watch.Stop()
	err := r.Store.Read(ctx, from, func(c *events.Commit) error {
		watch.Stop()
		defer watch.Reset(r.patience)
		return fn(c)
	})
	if err != nil && gaveUp.Load() {
		return fmt.Errorf("the ledger brought nothing for %s: %v", r.patience, err) // nobody else ended it
	}
	return err
}

func (r *reach) LoadSnapshot(ctx context.Context) (events.Snapshot, error) {
	ctx, stop := context.WithTimeout(ctx, snapshotTime)
	defer stop()
	return r.Store.LoadSnapshot(ctx)
}

func (r *reach) SaveSnapshot(ctx context.Context, s events.Snapshot) error {
	ctx, stop := context.WithTimeout(ctx, snapshotTime)
	defer stop()
	return r.Store.SaveSnapshot(ctx, s)
}
