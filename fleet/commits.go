package fleet

import (
	"context"
	"errors"
	"fmt"

	"rigledger/events"
)

// ErrEnough ends ReadCommits early, without an error.
var ErrEnough = errors.New("enough")

// ReadCommits calls fn with the commits from number `from` on, in order and
// without a gap, up to the newest that readers see; more may have come by the
// time it returns. It stops at fn's first error; ErrEnough stands for no error.
// fn may keep a commit and must not change it.
func (f *Fleet) ReadCommits(ctx context.Context, from uint64, fn func(c *events.Commit) error) error {
	head, kept := f.keptFrom(max(from, 1))
	read := func(c *events.Commit) error {
		if c.N > head {
			return ErrEnough
		}
		return fn(c)
	}
	var err, told error // told is fn's own
	if kept != nil {
		for _, c := range kept {
			if err = read(c); err != nil {
				told = err
				break
			}
		}
	} else if from <= head {
		err = f.store.Read(ctx, from, func(c *events.Commit) error {
			told = read(c)
			return told
		})
	}
	switch {
	case err == nil, errors.Is(err, ErrEnough):
		return nil
	case ctx.Err() != nil:
		return &Error{Code: Down, Message: "gave up reading the ledger", Cause: ctx.Err()}
	case told != nil:
		return err
	case errors.Is(err, events.ErrDamaged):
		return fmt.Errorf("reading the ledger from commit %d: %w", from, err)
	}
	return &Error{Code: Down, Message: "the ledger cannot be read", Cause: err}
}

// The newest commits are kept in memory, so that those who follow the ledger
// (live streams, hooks) do not each read the store at every commit.
const (
	recentCommits = 256
	recentBytes   = 8 << 20
)

// recent holds the newest commits, oldest first, numbered without a gap.
type recent struct {
	commits []*events.Commit
	bytes   int
}

func (r *recent) add(c *events.Commit) {
	r.commits = append(r.commits, c)
	r.bytes += c.Size()
	for len(r.commits) > 1 && (len(r.commits) > recentCommits || r.bytes > recentBytes) {
		r.bytes -= r.commits[0].Size()
		r.commits[0] = nil
		r.commits = r.commits[1:]
	}
}

// keptFrom gives the head, and the commits from number n on if all of them are
// kept in memory.
func (f *Fleet) keptFrom(n uint64) (head uint64, kept []*events.Commit) {
	f.mu.RLock()
	defer f.mu.RUnlock()
	head = f.state.Head.N
	if r := f.recent.commits; len(r) > 0 && r[0].N <= n && n <= head {
		kept = append(kept, r[n-r[0].N:]...)
	}
	return head, kept
}
