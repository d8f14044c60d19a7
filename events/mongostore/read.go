package mongostore

import (
	"context"
	"errors"
	"fmt"
	"time"

	"go.mongodb.org/mongo-driver/v2/bson"
	"go.mongodb.org/mongo-driver/v2/mongo"
	"go.mongodb.org/mongo-driver/v2/mongo/options"

	"rigledger/events"
)

// A run is what is decoded ahead of fn in one piece; two of them wait at most.
const (
	runCommits = 512
	runBytes   = 1 << 20
)

const closeTime = time.Second

type run struct {
	commits []*events.Commit
	err     error
}

// Read calls fn with the commits from number from on; see events.Store. It
// fetches and decodes ahead of fn in a goroutine of its own, which has ended
// when Read returns.
func (s *Store) Read(ctx context.Context, from uint64, fn func(*events.Commit) error) error {
	inner, stop := context.WithCancel(ctx)
	runs := make(chan run, 2)
	go func() {
		defer close(runs)
		s.fetch(inner, max(from, 1), runs)
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
			s.learn(c.N)
		}
		if r.err != nil {
			return r.err
		}
	}
	return ctx.Err()
}

// fetch sends the commits from next on in runs, the last one with the error
// that ended it, if one did.
func (s *Store) fetch(ctx context.Context, next uint64, runs chan<- run) {
	const cursorNotFound = 43
	for {
		before := next
		err := s.follow(ctx, &next, runs)
		var server mongo.ServerError
		if errors.As(err, &server) && server.HasErrorCode(cursorNotFound) && next > before {
			continue // fn took so long that the server gave the cursor up: ask again
		}
		var damaged *events.DamagedError
		if err != nil && !errors.As(err, &damaged) {
			err = fmt.Errorf("read commit %d: %w", next, err)
		}
		if err != nil {
			send(ctx, runs, run{err: err})
		}
		return
	}
}

func (s *Store) follow(ctx context.Context, next *uint64, runs chan<- run) error {
	cursor, err := s.commits.Find(ctx, bson.D{{Key: "_id", Value: bson.D{{Key: "$gte", Value: int64(*next)}}}},
		options.Find().SetSort(bson.D{{Key: "_id", Value: 1}}))
	if err != nil {
		return err
	}
	defer func() {
		// The server is told even when ctx has ended, but not for long: one that hangs
		// gives the cursor up by itself.
		telling, stop := context.WithTimeout(context.WithoutCancel(ctx), closeTime)
		defer stop()
		cursor.Close(telling)
	}()
	var r run
	bytes := 0
	for cursor.Next(ctx) {
		doc := cursor.Current // Decode keeps nothing of it
		c, err := decode(*next, doc)
		if err != nil {
			send(ctx, runs, r)
			return err
		}
		*next++
		r.commits = append(r.commits, c)
		if bytes += len(doc); bytes < runBytes && len(r.commits) < runCommits {
			continue
		}
		if !send(ctx, runs, r) {
			return ctx.Err()
		}
		r, bytes = run{}, 0
	}
	send(ctx, runs, r)
	return cursor.Err()
}

func decode(n uint64, doc bson.Raw) (*events.Commit, error) {
	id, ok := doc.Lookup("_id").AsInt64OK()
	if ok && uint64(id) > n {
		return nil, &events.DamagedError{N: n, Why: "it is missing"}
	}
	return events.Decode(n, doc)
}

func send(ctx context.Context, runs chan<- run, r run) bool {
	select {
	case runs <- r:
		return true
	case <-ctx.Done():
		return false
	}
}
