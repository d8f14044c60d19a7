package sqlitestore_test

import (
	"database/sql"
	"path/filepath"
	"testing"

	"go.mongodb.org/mongo-driver/v2/bson"

	"rigledger/events"
	"rigledger/events/sqlitestore"
	"rigledger/events/storetest"
)

func TestStore(t *testing.T) {
	storetest.Run(t, func(t *testing.T) storetest.Ledger { return ledger(filepath.Join(t.TempDir(), "ledger.db")) })
}

func open(t testing.TB, path string) *sqlitestore.Store {
	t.Helper()
	s, err := sqlitestore.Open(t.Context(), path)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func ledger(path string) storetest.Ledger {
	return storetest.Ledger{
		Open: func(t testing.TB) events.Store { return open(t, path) },
		Alter: func(t testing.TB, n uint64, change func(bson.Raw) bson.Raw) {
			db := raw(t, path)
			var body []byte
			if err := db.QueryRow(`SELECT body FROM commits WHERE n = ?`, int64(n)).Scan(&body); err != nil {
				t.Fatal(err)
			}
			if doc := change(body); doc != nil {
				exec(t, db, `UPDATE commits SET body = ? WHERE n = ?`, []byte(doc), int64(n))
			} else {
				exec(t, db, `DELETE FROM commits WHERE n = ?`, int64(n))
			}
		},
	}
}

// raw opens the file without the store.
func raw(t testing.TB, path string) *sql.DB {
	t.Helper()
	db, err := sql.Open("sqlite", path+"?_pragma=busy_timeout(5000)")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { db.Close() })
	return db
}

func exec(t testing.TB, db *sql.DB, statement string, args ...any) {
	t.Helper()
	if _, err := db.Exec(statement, args...); err != nil {
		t.Fatalf("%s: %v", statement, err)
	}
}
