package fleet

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"sync"
	"sync/atomic"
	"time"

	"rigledger/events"
)

// Options say how a fleet is opened.
type Options struct {
	Store    events.Store
	Zone     *time.Location         // of the fleet's calendar; nil for UTC
	Now      func() time.Time       // nil for time.Now; tests set it
	Log      *slog.Logger           // nil for none
	Announce func(c *events.Commit) // called after a commit of ours was applied; must not block
	Applied  func(c *events.Commit) // called after any commit was applied, others' too; must not block
	Patience time.Duration          // for how long the ledger may be silent before it is out of reach; 0 for ten seconds
}

// Fleet is the read model in memory, kept up with its ledger, and the desk
// that writes to it.
type Fleet struct {
	store    *reach
	now      func() time.Time
	log      *slog.Logger
	announce func(c *events.Commit)
	applied  func(c *events.Commit)

	mu      sync.RWMutex // guards state against readers; the desk is its only writer
	state   *State
	changed chan struct{} // closed and renewed at every commit
	recent  recent        // the newest commits, for those who follow

	queue   chan *job
	stopped chan struct{}
	stop    context.CancelFunc

	// The desk's own, which only its goroutine looks at.
	held   []*job // taken from the queue and not decided yet
	draft  *draft // appended without an answer so far
	adrift bool   // the last question to the ledger had no answer

	uses      uses
	due       dueBook
	ahead     outlooks
	pasts     pasts
	conflicts atomic.Uint64
	broken    atomic.Bool // a commit could not be folded
	opening   Opening
}

// Opening tells how the fleet came into memory.
type Opening struct {
	FromSnapshot uint64 // commit of the snapshot used, 0 for none
	Replayed     uint64 // commits read after it
	Took         time.Duration
}

// Open reads the snapshot and the ledger's tail and starts the desk. The store
// stays the caller's to close, after Close.
func Open(ctx context.Context, o Options) (*Fleet, error) {
	f := &Fleet{
		store: &reach{Store: o.Store, patience: cmp.Or(o.Patience, usualPatience)}, now: o.Now, log: o.Log, announce: o.Announce, applied: o.Applied,
		changed: make(chan struct{}),
		pasts:   newPasts(),
		queue:   make(chan *job, deskQueue),
		stopped: make(chan struct{}),
	}
	if f.now == nil {
		f.now = time.Now
	}
	if f.log == nil {
		f.log = slog.New(slog.DiscardHandler)
	}
	zone := o.Zone
	if zone == nil {
		zone = time.UTC
	}
	began := time.Now()
	f.state = f.fromSnapshot(ctx, zone)
	f.opening.FromSnapshot = f.state.Head.N
	err := f.store.Read(ctx, f.state.Head.N+1, f.state.Apply)
	if err != nil && f.opening.FromSnapshot > 0 && ctx.Err() == nil {
		// The snapshot is a cache: if the ledger does not follow from it, the ledger is right.
		f.log.Warn("the snapshot does not lead to the ledger; replaying from the start", "snapshot", f.opening.FromSnapshot, "error", err)
		f.opening.FromSnapshot = 0
		f.state = newState(zone)
		err = f.store.Read(ctx, 1, f.state.Apply)
	}
	if err != nil {
		return nil, fmt.Errorf("reading the ledger: %w", err)
	}
	f.opening.Replayed = f.state.Head.N - f.opening.FromSnapshot
	f.opening.Took = time.Since(began)
	run, stop := context.WithCancel(context.WithoutCancel(ctx))
	f.stop = stop
	go f.run(run)
	return f, nil
}

// Opening tells how the fleet came into memory.
func (f *Fleet) Opening() Opening { return f.opening }

// Close stops the desk; commands that wait are refused.
func (f *Fleet) Close() {
	f.stop()
	<-f.stopped
}

// View lets look at the state while it stands still. look must be quick, must
// not keep what it saw by reference, and must not call the fleet.
func (f *Fleet) View(look func(s *State)) {
	f.mu.RLock()
	defer f.mu.RUnlock()
	look(f.state)
}

// Check says what the desk would answer to a command, without carrying it out.
func (f *Fleet) Check(by string, cmd Command) (err error) {
	now := f.now()
	f.View(func(s *State) { _, err = cmd.Decide(Deciding{State: s, Now: now, By: by}) })
	return err
}

// Now is the fleet's clock, for questions.
func (f *Fleet) Now() time.Time { return f.now() }

// Head is the newest commit that readers see.
func (f *Fleet) Head() events.Head {
	f.mu.RLock()
	defer f.mu.RUnlock()
	return f.state.Head
}

// WaitFor returns when readers see commit n, or with ctx's error.
func (f *Fleet) WaitFor(ctx context.Context, n uint64) error {
	for {
		f.mu.RLock()
		head, changed := f.state.Head.N, f.changed
		f.mu.RUnlock()
		if head >= n {
			return nil
		}
		select {
		case <-changed:
		case <-ctx.Done():
			return ctx.Err()
		case <-f.stopped:
			return &Error{Code: Down, Message: "the service is stopping"}
		}
	}
}

// Changed gives a channel that is closed at the next commit.
func (f *Fleet) Changed() <-chan struct{} {
	f.mu.RLock()
	defer f.mu.RUnlock()
	return f.changed
}

// Ready is nil while the fleet can read and write its ledger. What is wrong is
// said in words that anybody may see; the log has the rest.
func (f *Fleet) Ready() error {
	if f.broken.Load() {
		return errors.New("the ledger holds what cannot be followed; the log says where")
	}
	select {
	case <-f.stopped:
		return errors.New("the desk has stopped")
	default:
	}
	if f.store.left() > 0 {
		return nil
	}
	long := f.store.silent().Round(time.Second)
	if f.store.reads.lasted() < f.store.patience {
		return fmt.Errorf("the ledger can be read but has taken no write for %s", long)
	}
	return fmt.Errorf("the ledger has given no usable answer for %s", long)
}

// Waiting is the number of commands in the desk's queue, Conflicts how often
// another instance wrote first.
func (f *Fleet) Waiting() int      { return len(f.queue) }
func (f *Fleet) Conflicts() uint64 { return f.conflicts.Load() }

func (f *Fleet) apply(c *events.Commit) error {
	f.mu.Lock()
	err := f.state.Apply(c)
	f.recent.add(c)
	close(f.changed)
	f.changed = make(chan struct{})
	f.mu.Unlock()
	if err != nil {
		// What is durable but cannot be folded cannot be served either.
		err = fmt.Errorf("the ledger cannot be followed: %w", err)
		f.log.Error("the desk stops", "error", err)
		f.broken.Store(true)
		f.stop()
		return err
	}
	if f.applied != nil {
		f.applied(c)
	}
	if d := f.draft; d != nil && d.ours && d.commit.N == c.N && d.commit.Hash == c.Hash {
		d.landed = true
		if f.announce != nil {
			f.announce(c)
		}
	}
	return nil
}

// follow applies what other instances wrote, and what we wrote without knowing
// it. It runs on the desk's goroutine.
func (f *Fleet) follow(ctx context.Context) error {
	f.store.reads.begin()
	newest, err := f.store.Newest(ctx)
	if err != nil {
		return fmt.Errorf("asking for the newest commit: %w", err)
	}
	if newest > f.state.Head.N {
		err := f.store.Read(ctx, f.state.Head.N+1, func(c *events.Commit) error {
			f.store.reads.end()
			f.store.reads.begin()
			return f.apply(c)
		})
		if err != nil {
			return fmt.Errorf("following the ledger: %w", err)
		}
	}
	f.store.reads.end()
	f.conclude()
	return nil
}

// note keeps whether the ledger answered the desk, and tells the log when that changes.
func (f *Fleet) note(ctx context.Context, err error) {
	switch was := f.adrift; {
	case ctx.Err() != nil: // it ended because we did
	case err != nil && !was:
		f.adrift = true
		f.log.Error("trouble with the ledger", "error", err)
	case err == nil && was:
		f.adrift = false
		f.log.Info("the ledger is back")
	}
}
