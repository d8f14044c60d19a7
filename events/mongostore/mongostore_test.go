package mongostore_test

import (
	"context"
	"fmt"
	"os"
	"sync/atomic"
	"testing"
	"time"

	"go.mongodb.org/mongo-driver/v2/bson"
	"go.mongodb.org/mongo-driver/v2/mongo"
	"go.mongodb.org/mongo-driver/v2/mongo/options"

	"rigledger/events"
	"rigledger/events/mongostore"
	"rigledger/events/storetest"
)

func TestStore(t *testing.T) {
	storetest.Run(t, func(t *testing.T) storetest.Ledger { return ledger(storetest.Mongo(t), database(t)) })
}

func ledger(uri, name string) storetest.Ledger {
	return storetest.Ledger{
		Open: func(t testing.TB) events.Store { return open(t, uri, name) },
		Alter: func(t testing.TB, n uint64, change func(bson.Raw) bson.Raw) {
			commits := raw(t).Database(name).Collection("commits")
			id := bson.D{{Key: "_id", Value: int64(n)}}
			doc, err := commits.FindOne(t.Context(), id).Raw()
			if err != nil {
				t.Fatal(err)
			}
			if changed := change(doc); changed != nil {
				_, err = commits.ReplaceOne(t.Context(), id, changed, options.Replace().SetUpsert(true))
			} else {
				_, err = commits.DeleteOne(t.Context(), id)
			}
			if err != nil {
				t.Fatal(err)
			}
		},
	}
}

func open(t testing.TB, uri, name string) *mongostore.Store {
	t.Helper()
	s, err := mongostore.Open(t.Context(), uri, name)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

var databases atomic.Int64

// database names a database of this test's own and drops it at the end.
func database(t testing.TB) string {
	name := fmt.Sprintf("rigledger_test_%d_%d_%d", os.Getpid(), time.Now().UnixMilli(), databases.Add(1))
	client := raw(t)
	t.Cleanup(func() {
		if err := client.Database(name).Drop(context.Background()); err != nil {
			t.Errorf("drop %s: %v", name, err)
		}
	})
	return name
}

// raw connects to the server without the store.
func raw(t testing.TB) *mongo.Client {
	t.Helper()
	client, err := mongo.Connect(options.Client().ApplyURI(storetest.Mongo(t)))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { client.Disconnect(context.Background()) })
	return client
}
