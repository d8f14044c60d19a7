package command

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"path/filepath"
	"time"

	"rigledger/deploy/service"
	"rigledger/events"
	"rigledger/events/sqlitestore"
	"rigledger/fleet"
)

// Ledger says where the ledger is and how its dates are to be read.
type Ledger struct {
	Data    string
	Mongo   string
	MongoDB string
	Zone    *time.Location
	Log     *slog.Logger
}

// open opens the ledger that must be there already.
func (l Ledger) open(ctx context.Context) (events.Store, error) {
	if l.Mongo == "" {
		if _, err := os.Stat(service.LedgerPath(l.Data)); err != nil {
			return nil, fmt.Errorf("--data: there is no ledger in %s", l.Data)
		}
	}
	return service.OpenStore(ctx, service.Options{Data: l.Data, Mongo: l.Mongo, MongoDB: l.MongoDB})
}

// fleet opens the ledger with its fleet in memory; done closes both.
func (l Ledger) fleet(ctx context.Context) (f *fleet.Fleet, done func(), err error) {
	store, err := l.open(ctx)
	if err != nil {
		return nil, nil, err
	}
	f, err = fleet.Open(ctx, fleet.Options{Store: store, Zone: l.Zone, Log: l.Log})
	if err != nil {
		_ = store.Close()
		return nil, nil, err
	}
	return f, func() { f.Close(); _ = store.Close() }, nil
}

// Verify re-reads the ledger and says what it proved.
func Verify(ctx context.Context, l Ledger, out io.Writer) error {
	store, err := l.open(ctx)
	if err != nil {
		return err
	}
	defer store.Close()
	head, compared, err := fleet.Verify(ctx, store, l.Zone, nil)
	if err != nil {
		return fmt.Errorf("not verified after commit %d: %w", head.N, err)
	}
	fmt.Fprintf(out, "verified: %d commits, every hash follows from the one before\nhead hash %s\n", head.N, head.Hash)
	if compared {
		fmt.Fprintln(out, "the stored snapshot equals the fleet rebuilt from the ledger")
	} else {
		fmt.Fprintln(out, "there is no snapshot to compare")
	}
	return nil
}

// Backup copies the ledger, while it may be written to, into a new SQLite
// ledger file: all commits up to the one that was newest when it began.
func Backup(ctx context.Context, l Ledger, file string, out io.Writer) error {
	source, err := l.open(ctx)
	if err != nil {
		return err
	}
	defer source.Close()
	if _, err := os.Stat(file); err == nil {
		return fmt.Errorf("%s is there already", file)
	}
	// The copy gets its name only when it is whole.
	draft, err := os.MkdirTemp(filepath.Dir(file), ".backup-*")
	if err != nil {
		return err
	}
	defer os.RemoveAll(draft)
	path := filepath.Join(draft, "ledger.db")
	head, err := copyInto(ctx, source, path)
	if err != nil {
		return fmt.Errorf("backup: %w", err)
	}
	if err := os.Rename(path, file); err != nil {
		return err
	}
	fmt.Fprintf(out, "backed up %d commits to %s\nhead hash %s\n", head.N, file, head.Hash)
	return nil
}

func copyInto(ctx context.Context, source events.Store, path string) (events.Head, error) {
	target, err := sqlitestore.Open(ctx, path)
	if err != nil {
		return events.Head{}, err
	}
	head, err := copyCommits(ctx, source, target)
	return head, errors.Join(err, target.Close())
}

// errEnough ends a reading at the commit that was newest when it began.
var errEnough = errors.New("enough")

func copyCommits(ctx context.Context, source, target events.Store) (events.Head, error) {
	newest, err := source.Newest(ctx)
	if err != nil || newest == 0 {
		return events.Head{}, err
	}
	var head events.Head
	err = source.Read(ctx, 1, func(c *events.Commit) error {
		if c.Prev != head.Hash {
			return &events.DamagedError{N: c.N, Why: "it does not follow from the commit before"}
		}
		if err := target.Append(ctx, c); err != nil {
			return fmt.Errorf("writing commit %d: %w", c.N, err)
		}
		head = c.Head()
		if c.N == newest {
			return errEnough
		}
		return nil
	})
	if errors.Is(err, errEnough) {
		err = nil
	}
	return head, err
}

// Restore copies a backup into an empty ledger: SQLite in the data folder, or MongoDB.
func Restore(ctx context.Context, l Ledger, file string, out io.Writer) error {
	if _, err := os.Stat(file); err != nil {
		return err
	}
	source, err := sqlitestore.Open(ctx, file)
	if err != nil {
		return err
	}
	defer source.Close()
	if l.Mongo == "" {
		if entries, err := os.ReadDir(l.Data); err == nil && len(entries) > 0 {
			return fmt.Errorf("--data: %s is not empty; restore goes into a new folder", l.Data)
		}
		if err := os.MkdirAll(l.Data, 0o750); err != nil {
			return err
		}
	}
	target, err := service.OpenStore(ctx, service.Options{Data: l.Data, Mongo: l.Mongo, MongoDB: l.MongoDB})
	if err != nil {
		return err
	}
	defer target.Close()
	if n, err := target.Newest(ctx); err != nil || n > 0 {
		return errors.Join(err, fmt.Errorf("the target holds a ledger of %d commits already; restore goes into an empty one", n))
	}
	head, err := copyCommits(ctx, source, target)
	if err != nil {
		return fmt.Errorf("restore: %w", err)
	}
	fmt.Fprintf(out, "restored %d commits\nhead hash %s\nTokens and rig credentials are those of the backup.\n", head.N, head.Hash)
	return nil
}
