// Package mongostore keeps a ledger in a MongoDB database, in the collections
// commits (one document a commit, _id = its number), snapshots and ledger (the
// schema's version). The unique _id is the whole concurrency control, so any
// number of instances may write. The package never looks into a fact and never
// decides anything.
//
// It uses only what every server of the wire protocol has: insert one, find by
// _id and by range of _id, replace one by _id with upsert.
//
// Writes ask for majority and journal, reads for what a majority has and from
// the primary, whatever the URI says: a commit that could still be rolled back
// must be neither acknowledged nor folded into a fleet.
package mongostore

import (
	"context"
	"errors"
	"fmt"
	"sync/atomic"
	"time"

	"go.mongodb.org/mongo-driver/v2/bson"
	"go.mongodb.org/mongo-driver/v2/mongo"
	"go.mongodb.org/mongo-driver/v2/mongo/options"
	"go.mongodb.org/mongo-driver/v2/mongo/readconcern"
	"go.mongodb.org/mongo-driver/v2/mongo/readpref"
	"go.mongodb.org/mongo-driver/v2/mongo/writeconcern"

	"rigledger/events"
)

// schemaVersion numbers the shape of the collections.
const schemaVersion = 1

// pingTime is how long Open waits for a server, and then for what it looks at
// there; Connect alone never fails.
const pingTime = 10 * time.Second

// takenTime is how long Append waits for a commit that holds its number to
// reach a majority. An election takes a few seconds.
const takenTime = 15 * time.Second

// Store is an events.Store in a MongoDB database.
type Store struct {
	client    *mongo.Client
	commits   *mongo.Collection
	snapshots *mongo.Collection

	// known is a number up to which commits are known to exist: the ledger only
	// grows, so it is never wrong, only behind.
	known atomic.Uint64
}

var _ events.Store = (*Store)(nil)

// Open connects to the server at uri and opens the ledger in the named
// database; the first Open makes it. It refuses a ledger of a newer schema and
// a server that does not answer within ten seconds.
func Open(ctx context.Context, uri, database string) (*Store, error) {
	journal := true
	client, err := mongo.Connect(options.Client().ApplyURI(uri).SetAppName("rigledger").
		SetWriteConcern(&writeconcern.WriteConcern{W: "majority", Journal: &journal}).
		SetReadConcern(readconcern.Majority()).
		SetReadPreference(readpref.Primary()))
	if err != nil {
		return nil, fmt.Errorf("open ledger in MongoDB: %w", err)
	}
	db := client.Database(database)
	s := &Store{client: client, commits: db.Collection("commits"), snapshots: db.Collection("snapshots")}
	if err := s.prepare(ctx, db); err != nil {
		s.Close()
		return nil, fmt.Errorf("open ledger in MongoDB database %q: %w", database, plain(err))
	}
	return s, nil
}

func (s *Store) prepare(ctx context.Context, db *mongo.Database) error {
	pinging, stop := context.WithTimeout(ctx, pingTime)
	defer stop()
	if err := s.client.Ping(pinging, readpref.Primary()); err != nil {
		return fmt.Errorf("no answer from the server: %w", err)
	}
	ctx, done := context.WithTimeout(ctx, pingTime)
	defer done()
	// A plain insert of the version: when two instances make the ledger at once,
	// one of them finds the other's.
	ledger := db.Collection("ledger")
	for range 2 {
		var schema struct {
			Version int `bson:"version"`
		}
		err := ledger.FindOne(ctx, bson.D{{Key: "_id", Value: "schema"}}).Decode(&schema)
		switch {
		case err == nil && schema.Version == schemaVersion:
			_, err := s.Newest(ctx)
			return err
		case err == nil && schema.Version > schemaVersion:
			return fmt.Errorf("written by a newer rigledger (schema %d, this one knows %d)", schema.Version, schemaVersion)
		case err == nil:
			return fmt.Errorf("schema %d is none that this rigledger knows", schema.Version)
		case !errors.Is(err, mongo.ErrNoDocuments):
			return err
		}
		_, err = ledger.InsertOne(ctx, bson.D{{Key: "_id", Value: "schema"}, {Key: "version", Value: schemaVersion}})
		if err != nil && !mongo.IsDuplicateKeyError(err) {
			return err
		}
	}
	return errors.New("the schema's version was written but cannot be read back")
}

// Append adds c; see events.Store. When ctx ends or the network fails while the
// insert is under way, it may or may not be written, now or a little later: the
// error is neither nil nor ErrTaken.
func (s *Store) Append(ctx context.Context, c *events.Commit) error {
	if err := s.append(ctx, c); err != nil {
		return fmt.Errorf("append commit %d: %w", c.N, err)
	}
	return nil
}

func (s *Store) append(ctx context.Context, c *events.Commit) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	if c.N == 0 {
		return errors.New("commits are numbered from 1")
	}
	head := s.known.Load()
	if head+1 < c.N {
		var err error
		if head, err = s.Newest(ctx); err != nil {
			return err
		}
	}
	switch {
	case head+1 < c.N:
		return fmt.Errorf("the ledger ends at commit %d: commits %d to %d are missing between", head, head+1, c.N-1)
	case head >= c.N: // never insert here: it could only fill a hole, and hide it
		return s.taken(ctx, c)
	}
	_, err := s.commits.InsertOne(ctx, events.Encode(c))
	switch {
	case err == nil:
		s.learn(c.N)
		return nil
	case mongo.IsDuplicateKeyError(err):
		return s.taken(ctx, c)
	}
	return plain(err)
}

// taken says what a taken number means. The driver sends an insert again after a
// network error, so the commit that is in the way may be c itself; that is
// success. It waits until a majority has the commit, because only then is ours
// durable, and only then will the caller's next Read see another's.
func (s *Store) taken(ctx context.Context, c *events.Commit) error {
	waiting, stop := context.WithTimeout(ctx, takenTime)
	defer stop()
	for {
		doc, err := s.commits.FindOne(waiting, bson.D{{Key: "_id", Value: int64(c.N)}},
			options.FindOne().SetProjection(bson.D{{Key: "hash", Value: 1}})).Raw()
		switch {
		case err == nil:
			s.learn(c.N)
			if _, hash, ok := doc.Lookup("hash").BinaryOK(); ok && string(hash) == string(c.Hash[:]) {
				return nil
			}
			return events.ErrTaken
		case !errors.Is(err, mongo.ErrNoDocuments):
			return fmt.Errorf("look at the commit that has the number: %w", err)
		}
		if s.known.Load() >= c.N {
			return &events.DamagedError{N: c.N, Why: "it is missing"}
		}
		select {
		case <-waiting.Done():
			return fmt.Errorf("the number is taken by a commit that does not reach a majority: %w", waiting.Err())
		case <-time.After(20 * time.Millisecond):
		}
	}
}

// Newest gives the number of the newest commit, 0 for an empty ledger: one look
// at the end of the _id index.
func (s *Store) Newest(ctx context.Context) (uint64, error) {
	doc, err := s.commits.FindOne(ctx, bson.D{}, options.FindOne().
		SetSort(bson.D{{Key: "_id", Value: -1}}).SetProjection(bson.D{{Key: "_id", Value: 1}})).Raw()
	if errors.Is(err, mongo.ErrNoDocuments) {
		return 0, nil
	}
	if err != nil {
		return 0, fmt.Errorf("newest commit: %w", err)
	}
	n, ok := doc.Lookup("_id").AsInt64OK()
	if !ok || n < 1 {
		return 0, fmt.Errorf("newest commit: the collection holds a document with _id %s, which is no commit", doc.Lookup("_id"))
	}
	s.learn(uint64(n))
	return uint64(n), nil
}

func (s *Store) learn(n uint64) {
	for {
		old := s.known.Load()
		if old >= n || s.known.CompareAndSwap(old, n) {
			return
		}
	}
}

// Close ends the connections.
func (s *Store) Close() error {
	ctx, stop := context.WithTimeout(context.Background(), pingTime)
	defer stop()
	return s.client.Disconnect(ctx)
}

// plain says in words what a server means that cannot keep the promise of
// durability. BadValue (2) comes from a server without a journal,
// UnknownReplWriteConcern (79) from a set that has no majority configured,
// NotAReplicaSet (123) from a server that runs alone and cannot answer for one.
func plain(err error) error {
	var server mongo.ServerError
	if !errors.As(err, &server) {
		return err
	}
	switch {
	case server.HasErrorCodeWithMessage(2, "journal") || server.HasErrorCode(79):
		return fmt.Errorf("the server cannot promise durability (majority and journal); start it with its journal: %w", err)
	case server.HasErrorCode(123):
		return fmt.Errorf("the server is in no replica set; make it one, a single member is enough: %w", err)
	}
	return err
}
