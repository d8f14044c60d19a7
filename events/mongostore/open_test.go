package mongostore_test

import (
	"context"
	"errors"
	"fmt"
	"net"
	"strings"
	"sync"
	"testing"
	"time"

	"go.mongodb.org/mongo-driver/v2/bson"
	"go.mongodb.org/mongo-driver/v2/mongo/options"

	"rigledger/events"
	"rigledger/events/mongostore"
	"rigledger/events/storetest"
)

func TestOpenRefuses(t *testing.T) {
	uri := storetest.Mongo(t)
	t.Run("a ledger of a newer schema", func(t *testing.T) {
		name := database(t)
		open(t, uri, name).Close()
		_, err := raw(t).Database(name).Collection("ledger").ReplaceOne(t.Context(),
			bson.D{{Key: "_id", Value: "schema"}}, bson.D{{Key: "version", Value: 2}})
		if err != nil {
			t.Fatal(err)
		}
		refused(t, uri, name, "newer rigledger (schema 2, this one knows 1)")
	})
	t.Run("a collection of something else", func(t *testing.T) {
		name := database(t)
		_, err := raw(t).Database(name).Collection("commits").InsertOne(t.Context(), bson.D{{Key: "_id", Value: "song"}})
		if err != nil {
			t.Fatal(err)
		}
		open := func() { refused(t, uri, name, "which is no commit") }
		open()
		open()
	})
	t.Run("an address where nobody answers", func(t *testing.T) {
		listener, err := net.Listen("tcp", "127.0.0.1:0") // takes connections, never speaks
		if err != nil {
			t.Fatal(err)
		}
		defer listener.Close()
		ctx, stop := context.WithTimeout(t.Context(), 500*time.Millisecond)
		defer stop()
		s, err := mongostore.Open(ctx, "mongodb://"+listener.Addr().String()+"/", "ledger")
		if err == nil {
			s.Close()
			t.Fatal("it was opened")
		}
		if !strings.Contains(err.Error(), "no answer from the server") || !errors.Is(err, context.DeadlineExceeded) {
			t.Errorf("got %v, want a deadline and its reason", err)
		}
	})
	t.Run("what is no URI", func(t *testing.T) { refused(t, "localhost:27017", "ledger", "open ledger in MongoDB") })
}

func refused(t *testing.T, uri, name, want string) {
	t.Helper()
	s, err := mongostore.Open(t.Context(), uri, name)
	if err == nil {
		s.Close()
		t.Fatal("it was opened")
	}
	if !strings.Contains(err.Error(), want) {
		t.Errorf("got %q, want it to say %q", err, want)
	}
}

func TestManyOpenANewLedgerAtOnce(t *testing.T) {
	uri, name := storetest.Mongo(t), database(t)
	var wg sync.WaitGroup
	for range 6 {
		wg.Go(func() {
			s, err := mongostore.Open(t.Context(), uri, name)
			if err != nil {
				t.Error(err)
				return
			}
			s.Close()
		})
	}
	wg.Wait()
}

func TestASnapshotThatIsNotWholeCountsAsNone(t *testing.T) {
	uri, name := storetest.Mongo(t), database(t)
	s := open(t, uri, name)
	defer s.Close()
	snapshots := raw(t).Database(name).Collection("snapshots")
	remove := func(t *testing.T, id string) {
		t.Helper()
		if res, err := snapshots.DeleteOne(t.Context(), bson.D{{Key: "_id", Value: id}}); err != nil || res.DeletedCount != 1 {
			t.Fatalf("%s was not deleted: %v", id, err)
		}
	}
	none := func(t *testing.T) {
		t.Helper()
		if _, err := s.LoadSnapshot(t.Context()); !errors.Is(err, events.ErrNoSnapshot) {
			t.Errorf("got %v, want ErrNoSnapshot", err)
		}
	}
	save := func(t *testing.T, n uint64) {
		t.Helper()
		snap := events.Snapshot{Head: events.Head{N: n}, Body: []byte(fmt.Sprintf("fleet at %d", n))}
		if err := s.SaveSnapshot(t.Context(), snap); err != nil {
			t.Fatal(err)
		}
	}
	t.Run("the writer died before the manifest", func(t *testing.T) {
		save(t, 1) // slot a
		remove(t, "manifest")
		none(t)
	})
	t.Run("the writer died before the second manifest: the first snapshot stays", func(t *testing.T) {
		save(t, 1) // slot a
		_, err := snapshots.ReplaceOne(t.Context(), bson.D{{Key: "_id", Value: "b/0"}},
			bson.D{{Key: "body", Value: []byte("half of")}}, options.Replace().SetUpsert(true))
		if err != nil {
			t.Fatal(err)
		}
		if snap, err := s.LoadSnapshot(t.Context()); err != nil || string(snap.Body) != "fleet at 1" {
			t.Errorf("got %q, %v", snap.Body, err)
		}
	})
	t.Run("a part is missing", func(t *testing.T) {
		save(t, 2) // slot b
		remove(t, "b/0")
		none(t)
	})
	t.Run("a part belongs to another snapshot", func(t *testing.T) {
		save(t, 3) // slot a
		_, err := snapshots.ReplaceOne(t.Context(), bson.D{{Key: "_id", Value: "a/0"}}, bson.D{{Key: "body", Value: []byte("fleet at 4")}})
		if err != nil {
			t.Fatal(err)
		}
		none(t)
	})
}
