// Package sqlitestore keeps a ledger in one SQLite file (and its -wal and -shm
// companions) on a local disk. It owns the file's schema and its durability: a
// commit that Append reported as written survives the loss of power. It never
// looks into a fact and never decides anything.
//
// Several processes may have the same file open, on one machine. SQLite's locks
// do not hold on network file systems, so neither does this store.
package sqlitestore

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"net/url"
	"path/filepath"
	"time"

	"modernc.org/sqlite"
	lib "modernc.org/sqlite/lib"

	"rigledger/events"
)

// Store is an events.Store in one SQLite file.
type Store struct {
	write  *sql.DB // one connection, taken through turn
	read   *sql.DB
	insert *sql.Stmt
	newest *sql.Stmt
	turn   chan struct{} // holds one token; who has it may write
}

var _ events.Store = (*Store)(nil)

// busyTimeout is how long SQLite itself waits for another process's lock; after
// it the store looks at the context and waits again.
const busyTimeout = 250 * time.Millisecond

// Open opens the ledger at path and creates it when there is no such file; the
// folder must exist. It refuses a file that is something else, a ledger of a
// newer schema, and a folder that cannot be written to, in words for the person
// who started the program.
func Open(ctx context.Context, path string) (*Store, error) {
	abs, err := filepath.Abs(path)
	if err != nil {
		return nil, fmt.Errorf("open ledger %s: %w", path, err)
	}
	s := &Store{turn: make(chan struct{}, 1)}
	s.turn <- struct{}{}
	if err := s.open(ctx, abs); err != nil {
		s.Close()
		return nil, fmt.Errorf("open ledger %s: %w", path, explain(abs, err))
	}
	return s, nil
}

func (s *Store) open(ctx context.Context, abs string) error {
	var err error
	// fullfsync matters on macOS, where fsync alone does not reach the platter.
	if s.write, err = sql.Open("sqlite", dsn(abs, "synchronous(FULL)", "fullfsync(1)",
		"checkpoint_fullfsync(1)", "trusted_schema(0)", "cell_size_check(1)",
		fmt.Sprintf("journal_size_limit(%d)", 64<<20), fmt.Sprintf("page_size(%d)", pageSize))); err != nil {
		return err
	}
	s.write.SetMaxOpenConns(1)
	s.write.SetMaxIdleConns(1)
	if err := s.patiently(ctx, func() error { return prepareSchema(s.write) }); err != nil {
		return err
	}
	if s.read, err = sql.Open("sqlite", dsn(abs, "query_only(1)", "trusted_schema(0)", "cell_size_check(1)")); err != nil {
		return err
	}
	s.read.SetMaxIdleConns(4)
	// The number must be the newest plus one at the moment of writing; a taken or
	// skipped number inserts nothing. One statement, so no other process can write
	// between the look and the insert.
	if s.insert, err = s.write.Prepare(`INSERT INTO commits (n, body)
		SELECT ?1, ?2 WHERE (SELECT coalesce(max(n), 0) FROM commits) = ?1 - 1`); err != nil {
		return err
	}
	s.newest, err = s.read.Prepare(`SELECT coalesce(max(n), 0) FROM commits`)
	return err
}

// dsn names the file as a URI, so that "?" and "%" in a path stay what they are.
func dsn(abs string, pragmas ...string) string {
	q := url.Values{"_pragma": append([]string{fmt.Sprintf("busy_timeout(%d)", busyTimeout.Milliseconds())}, pragmas...)}
	return (&url.URL{Scheme: "file", OmitHost: true, Path: filepath.ToSlash(abs), RawQuery: q.Encode()}).String()
}

// Append adds c; see events.Store. Once writing has begun it is not broken off
// when ctx ends: the outcome of a single insert is known soon and for certain,
// that of an interrupted one is not. A context that ends while waiting for the
// turn or for another process's lock gives its error, and nothing was written.
func (s *Store) Append(ctx context.Context, c *events.Commit) error {
	err := s.writing(ctx, func() error { return s.append(ctx, c) })
	if err != nil {
		return fmt.Errorf("append commit %d: %w", c.N, err)
	}
	return nil
}

func (s *Store) append(ctx context.Context, c *events.Commit) error {
	body := []byte(events.Encode(c))
	for {
		res, err := s.insert.Exec(int64(c.N), body)
		switch {
		case code(err) == lib.SQLITE_CONSTRAINT_PRIMARYKEY:
			return events.ErrTaken
		case err != nil:
			return err
		}
		if rows, err := res.RowsAffected(); err != nil {
			return err
		} else if rows == 1 {
			return nil
		}
		// Nothing was written. The head only ever grows, so what it says now about a
		// taken number was true then; when it has just come up to c.N-1, try again.
		head, err := s.Newest(context.WithoutCancel(ctx))
		switch {
		case err != nil:
			return err
		case head >= c.N:
			return events.ErrTaken
		case head+1 < c.N:
			return fmt.Errorf("the ledger ends at commit %d: commits %d to %d are missing between", head, head+1, c.N-1)
		}
	}
}

// Newest gives the number of the newest commit, 0 for an empty ledger.
func (s *Store) Newest(ctx context.Context) (uint64, error) {
	var n int64
	err := s.patiently(ctx, func() error { return s.newest.QueryRowContext(ctx).Scan(&n) })
	if err != nil {
		return 0, fmt.Errorf("newest commit: %w", err)
	}
	return uint64(n), nil
}

// Close closes the file. The last process to close it folds the -wal file in.
func (s *Store) Close() error {
	var errs []error
	if s.newest != nil {
		errs = append(errs, s.newest.Close())
	}
	if s.insert != nil {
		errs = append(errs, s.insert.Close())
	}
	if s.read != nil {
		errs = append(errs, s.read.Close())
	}
	if s.write != nil {
		errs = append(errs, s.write.Close())
	}
	return errors.Join(errs...)
}

// writing runs do with the turn to write and waits out other processes.
func (s *Store) writing(ctx context.Context, do func() error) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	select {
	case <-s.turn:
	case <-ctx.Done():
		return ctx.Err()
	}
	defer func() { s.turn <- struct{}{} }()
	return s.patiently(ctx, do)
}

// patiently repeats do while another connection holds the lock it needs. A
// statement that SQLite turned away as busy has written nothing.
func (s *Store) patiently(ctx context.Context, do func() error) error {
	for {
		err := do()
		if err == nil || code(err)&0xff != lib.SQLITE_BUSY {
			return err
		}
		select {
		case <-ctx.Done():
			return fmt.Errorf("the ledger file is locked by another process: %w", ctx.Err())
		case <-time.After(5 * time.Millisecond):
		}
	}
}

// code gives SQLite's extended result code, 0 when err is not SQLite's.
func code(err error) int {
	var e *sqlite.Error
	if errors.As(err, &e) {
		return e.Code()
	}
	return 0
}
