package sqlitestore

import (
	"context"
	"database/sql"
	"errors"
	"fmt"

	"go.mongodb.org/mongo-driver/v2/bson"
	lib "modernc.org/sqlite/lib"

	"rigledger/events"
)

// A run is what one query of Read fetches. It bounds the memory that reading
// ahead takes, and how long a read transaction stays open: SQLite cannot reuse
// the -wal file under an open one, so a slow fn must not hold it.
const (
	runCommits = 512
	runBytes   = 1 << 20
)

type run struct {
	commits []*events.Commit
	err     error // what came after the commits
	end     bool
}

// Read calls fn with the commits from number from on; see events.Store. It reads
// and decodes ahead of fn in a goroutine of its own, which has ended when Read
// returns.
func (s *Store) Read(ctx context.Context, from uint64, fn func(*events.Commit) error) error {
	inner, stop := context.WithCancel(ctx)
	runs := make(chan run, 2)
	go func() {
		defer close(runs)
		next := max(from, 1)
		for {
			r := s.readRun(inner, next)
			next += uint64(len(r.commits))
			select {
			case runs <- r:
			case <-inner.Done():
				return
			}
			if r.end || r.err != nil {
				return
			}
		}
	}()
	defer func() {
		stop()
		for range runs { // until the goroutine has ended
		}
	}()
	for r := range runs {
		for _, c := range r.commits {
			if err := ctx.Err(); err != nil {
				return err
			}
			if err := fn(c); err != nil {
				return err
			}
		}
		if r.err != nil {
			return r.err
		}
		if r.end {
			return nil
		}
	}
	return ctx.Err()
}

func (s *Store) readRun(ctx context.Context, from uint64) run {
	var r run
	r.err = s.patiently(ctx, func() error {
		r.commits, r.end = nil, false
		return s.fetch(ctx, from, &r)
	})
	next := from + uint64(len(r.commits))
	var damaged *events.DamagedError
	switch {
	case r.err == nil || errors.As(r.err, &damaged):
	case code(r.err)&0xff == lib.SQLITE_CORRUPT:
		r.err = &events.DamagedError{N: next, Why: "the file itself is damaged there: " + r.err.Error()}
	default:
		r.err = fmt.Errorf("read commit %d: %w", next, r.err)
	}
	return r
}

func (s *Store) fetch(ctx context.Context, from uint64, r *run) error {
	rows, err := s.read.QueryContext(ctx, `SELECT n, body FROM commits WHERE n >= ? ORDER BY n LIMIT ?`, int64(from), runCommits)
	if err != nil {
		return err
	}
	defer rows.Close()
	bytes := 0
	for rows.Next() {
		var n int64
		var body sql.RawBytes // Decode keeps nothing of it
		if err := rows.Scan(&n, &body); err != nil {
			return err
		}
		next := from + uint64(len(r.commits))
		if uint64(n) != next {
			return &events.DamagedError{N: next, Why: "it is missing"}
		}
		c, err := events.Decode(next, bson.Raw(body))
		if err != nil {
			return err
		}
		r.commits = append(r.commits, c)
		if bytes += len(body); bytes >= runBytes {
			return nil
		}
	}
	r.end = len(r.commits) < runCommits
	return rows.Err()
}
