package events

import (
	"context"
	"errors"
)

// ErrTaken says that the commit's number is already in the ledger: another
// writer was faster. Read what it wrote, decide again, append again.
var ErrTaken = errors.New("commit number is taken")

// ErrNoSnapshot says that there is no usable snapshot; the ledger is replayed
// from its first commit instead.
var ErrNoSnapshot = errors.New("no snapshot")

// Store keeps one ledger. Implementations are safe for concurrent use and by
// several processes at once.
type Store interface {
	// Append adds c, whose number must be the head's plus one. It returns nil
	// only when c is durable (it survives the loss of power). ErrTaken when the
	// number exists; an error that names the gap when it skips numbers. After any
	// other error the caller cannot know whether c was written and must read the
	// ledger before it appends again.
	Append(ctx context.Context, c *Commit) error

	// Read calls fn with the commits from number `from` on, in order, until the
	// head that stood when Read began or later. It stops at the first error and returns
	// it; a commit that cannot be decoded, or is missing before the head, is a
	// *DamagedError. fn may keep the commit.
	Read(ctx context.Context, from uint64, fn func(*Commit) error) error

	// Newest gives the number of the newest commit, 0 for an empty ledger. It is
	// cheap: instances ask several times a second whether others wrote.
	Newest(ctx context.Context) (uint64, error)

	// SaveSnapshot replaces the stored snapshot. A snapshot is a cache: losing it
	// loses nothing.
	SaveSnapshot(ctx context.Context, s Snapshot) error

	// LoadSnapshot gives the stored snapshot, ErrNoSnapshot when there is none or it
	// is incomplete.
	LoadSnapshot(ctx context.Context) (Snapshot, error)

	Close() error
}

// Snapshot is the fleet as it stood after commit Head.N. Format names the
// version of the body's form; what it means is the fleet's business.
type Snapshot struct {
	Head   Head
	Format int
	Body   []byte
}
