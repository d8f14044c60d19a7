package fleet_test

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"rigledger/events"
	"rigledger/events/mongostore"
	"rigledger/events/storetest"
	"rigledger/fleet"
)

// slack is what a loaded machine may add to a time limit.
const slack = 5 * time.Second

// clerk reports defects, each under a key of its own, and keeps what it was told.
type clerk struct {
	t    *testing.T
	mu   sync.Mutex
	told map[string]error
}

func newClerk(t *testing.T) *clerk { return &clerk{t: t, told: map[string]error{}} }

// report sends one request and fails the test unless it is answered within limit.
func (c *clerk) report(f *fleet.Fleet, rig string, n int, limit time.Duration) error {
	key := fmt.Sprintf("%s-%d", rig, n)
	began := time.Now()
	_, err := f.Do(context.Background(), "tester", &fleet.ReportDefect{ID: fleet.NewDefectID(), Rig: rig, Code: "leak", Text: "drips at the " + key},
		&events.RequestKept{Key: key, Print: key, Status: 201})
	if took := time.Since(began); took > limit {
		c.t.Errorf("the answer to %s took %s, at most %s: %v", key, took, limit, err)
	}
	var replayed *fleet.Replayed
	if errors.As(err, &replayed) {
		err = nil
	}
	if err != nil && fleet.CodeOf(err) != fleet.Down {
		c.t.Errorf("%s: error %v, want code %s", key, err, fleet.Down)
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	c.told[key] = err
	return err
}

// insist sends what was not confirmed again, with the same key, until it is.
func (c *clerk) insist(f *fleet.Fleet) {
	c.t.Helper()
	for key, err := range c.told {
		rig, n := "", 0
		if _, scan := fmt.Sscanf(strings.Replace(key, "-", " ", 1), "%s %d", &rig, &n); scan != nil {
			c.t.Fatal(scan)
		}
		for end := time.Now().Add(60 * time.Second); err != nil; {
			if time.Now().After(end) {
				c.t.Fatalf("%s was never taken: %v", key, err)
			}
			time.Sleep(50 * time.Millisecond)
			err = c.report(f, rig, n, time.Minute)
		}
	}
}

// unknown counts those who were told that nobody knows.
func (c *clerk) unknown() (n int) {
	for _, err := range c.told {
		if err != nil && strings.Contains(err.Error(), "not known") {
			n++
		}
	}
	return n
}

// once fails unless the ledger has every request exactly once, in a whole chain.
func (c *clerk) once(store events.Store) {
	c.t.Helper()
	times := map[string]int{}
	if _, _, err := fleet.Verify(c.t.Context(), store, time.UTC, nil); err != nil {
		c.t.Error(err)
	}
	err := store.Read(c.t.Context(), 1, func(commit *events.Commit) error {
		for _, e := range commit.Facts {
			if d, ok := e.Fact.(*events.DefectReported); ok {
				times[strings.TrimPrefix(d.Text, "drips at the ")]++
			}
		}
		return nil
	})
	if err != nil {
		c.t.Fatal(err)
	}
	for key := range c.told {
		if times[key] != 1 {
			c.t.Errorf("%s stands %d times in the ledger", key, times[key])
		}
	}
	if len(times) != len(c.told) {
		c.t.Errorf("%d requests stand in the ledger, %d were made", len(times), len(c.told))
	}
}

func within(t *testing.T, what string, limit time.Duration, look func() bool) {
	t.Helper()
	for end := time.Now().Add(limit); !look(); time.Sleep(10 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatalf("never came about within %s: %s", limit, what)
		}
	}
}

func openMongo(t *testing.T, uri string) events.Store {
	t.Helper()
	store, err := mongostore.Open(t.Context(), uri, "reach")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = store.Close() })
	return store
}

func openPatient(t *testing.T, store events.Store, patience time.Duration) *fleet.Fleet {
	t.Helper()
	f, err := fleet.Open(t.Context(), fleet.Options{Store: store, Patience: patience, Now: func() time.Time { return time.Now() }})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(f.Close)
	return f
}

func register(t *testing.T, f *fleet.Fleet, rigs ...string) {
	t.Helper()
	if err := f.PublishStarters(t.Context()); err != nil {
		t.Fatal(err)
	}
	for _, rig := range rigs {
		if _, err := f.Do(t.Context(), "tester", trailed(rig), nil); err != nil {
			t.Fatal(err)
		}
	}
}

func TestAServerOutOfReachIsToldOfInTimeAndNothingIsLostOrDoneTwice(t *testing.T) {
	for _, c := range []struct {
		name       string
		fail, back func(m *storetest.FailingMongo)
	}{
		{"it hangs and goes on", (*storetest.FailingMongo).Hang, (*storetest.FailingMongo).GoOn},
		{"it is killed and started again", (*storetest.FailingMongo).Kill, (*storetest.FailingMongo).Restart},
		{"it hangs, is killed and started again", (*storetest.FailingMongo).Hang,
			func(m *storetest.FailingMongo) { m.Kill(); m.Restart() }},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			const patience = 2 * time.Second
			m := storetest.NewFailingMongo(t)
			// Two instances, so that the number of a commit in doubt is wanted by another too.
			one, two := openPatient(t, openMongo(t, m.URI), patience), openPatient(t, openMongo(t, m.URI), patience)
			register(t, one, "T01", "T02", "T03")
			if err := two.WaitFor(t.Context(), one.Head().N); err != nil {
				t.Fatal(err)
			}
			clerk := newClerk(t)
			if err := clerk.report(one, "T01", 0, time.Minute); err != nil {
				t.Fatal(err)
			}
			arrivals := []events.Arrival{reading("T03", "1:1", time.Now().Add(-time.Hour), "pump", 0.5, "HUR")}

			c.fail(m)
			var writers sync.WaitGroup
			for n := 1; n <= 4; n++ {
				writers.Go(func() { _ = clerk.report(one, "T01", n, patience+slack) })
				writers.Go(func() { _ = clerk.report(two, "T02", n, patience+slack) })
			}
			writers.Go(func() {
				if acks, err := one.Take(context.Background(), arrivals); err == nil {
					t.Errorf("acks %v for what is not durable", acks)
				}
			})
			for _, f := range []*fleet.Fleet{one, two} {
				within(t, "readiness tells of it", patience+slack, func() bool { return f.Ready() != nil })
				if text := f.Ready().Error(); strings.Contains(text, "127.0.0.1") {
					t.Errorf("readiness shows an address: %s", text)
				}
				if err := clerk.report(f, "T01", 5, slack); err == nil {
					t.Error("a write is confirmed while the ledger is out of reach")
				}
			}
			writers.Wait()
			for key, err := range clerk.told {
				if key != "T01-0" && err == nil {
					t.Errorf("%s was confirmed while the ledger was out of reach", key)
				}
			}
			t.Logf("%d of %d were told that nobody knows", clerk.unknown(), len(clerk.told))
			if one.Ready() == nil || two.Ready() == nil {
				t.Error("readiness came back before the ledger did")
			}

			c.back(m)
			within(t, "all goes on", 60*time.Second, func() bool { return one.Ready() == nil && two.Ready() == nil })
			clerk.insist(two)
			if _, err := one.Take(t.Context(), arrivals); err != nil {
				t.Fatal(err)
			}
			if err := clerk.report(one, "T02", 9, time.Minute); err != nil {
				t.Error(err)
			}
			clerk.once(openMongo(t, m.URI))
			if err := two.WaitFor(t.Context(), one.Head().N); err != nil {
				t.Fatal(err)
			}
			for _, f := range []*fleet.Fleet{one, two} {
				f.View(func(s *fleet.State) {
					if n := s.FactCounts["meter.read"]; n != 1 {
						t.Errorf("%d readings on record, want 1", n)
					}
				})
			}
		})
	}
}

// A write whose answer was lost on the way is found in the ledger: its caller is
// told so, it is announced, and it is not written again.
func TestAWriteThatIsInTheLedgerWithoutAnAnswerIsFoundThere(t *testing.T) {
	w := storetest.NewWire(t)
	var mu sync.Mutex
	announced := map[uint64]int{}
	store, err := mongostore.Open(t.Context(), w.URI, fmt.Sprintf("found_%d", time.Now().UnixNano()))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = store.Close() })
	f, err := fleet.Open(t.Context(), fleet.Options{Store: store, Announce: func(c *events.Commit) {
		mu.Lock()
		defer mu.Unlock()
		announced[c.N]++
	}})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(f.Close)
	register(t, f, "T01")
	before := f.Head().N
	for n := range 3 {
		w.Lose(1)
		receipt, err := f.Do(t.Context(), "tester", &fleet.ReportDefect{ID: fleet.NewDefectID(), Rig: "T01", Code: "leak", Text: "drips"}, nil)
		if err != nil || receipt.Commit != before+1+uint64(n) {
			t.Errorf("told commit %d and error %v, want commit %d", receipt.Commit, err, before+1+uint64(n))
		}
		if w.Lost() != n+1 {
			t.Fatalf("%d answers were lost, want %d", w.Lost(), n+1)
		}
	}
	f.View(func(s *fleet.State) {
		if got := s.FactCounts["defect.reported"]; got != 3 {
			t.Errorf("%d defects on record, want 3", got)
		}
	})
	mu.Lock()
	defer mu.Unlock()
	for n := uint64(1); n <= f.Head().N; n++ {
		if announced[n] != 1 {
			t.Errorf("commit %d was announced %d times", n, announced[n])
		}
	}
}

func TestAServerThatIsSlowIsWaitedFor(t *testing.T) {
	t.Parallel()
	m := storetest.NewFailingMongo(t)
	f := openPatient(t, openMongo(t, m.URI), 0)
	register(t, f, "T01")
	clerk := newClerk(t)
	for n := range 3 {
		m.Hang()
		go func() { time.Sleep(1200 * time.Millisecond); m.GoOn() }()
		began := time.Now()
		if err := clerk.report(f, "T01", n, time.Minute); err != nil {
			t.Errorf("a slow write is refused: %v", err)
		}
		if took := time.Since(began); took < time.Second {
			t.Errorf("it took %s: the server was not slow", took)
		}
		if err := f.Ready(); err != nil {
			t.Errorf("a slow ledger counts as out of reach: %v", err)
		}
	}
	clerk.once(openMongo(t, m.URI))
}

func TestALedgerFileThatAnotherProcessHoldsLockedIsToldOf(t *testing.T) {
	t.Parallel()
	const patience = time.Second
	path := filepath.Join(t.TempDir(), "ledger.db")
	f := openPatient(t, openSQLite(t, path), patience)
	register(t, f, "T01", "T02")
	db, err := sql.Open("sqlite", path)
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	db.SetMaxOpenConns(1)
	if _, err := db.Exec(`BEGIN IMMEDIATE`); err != nil {
		t.Fatal(err)
	}
	clerk := newClerk(t)
	var writers sync.WaitGroup
	for n := range 4 {
		writers.Go(func() { _ = clerk.report(f, "T01", n, patience+slack) })
	}
	within(t, "readiness tells of it", patience+slack, func() bool { return f.Ready() != nil })
	if text := f.Ready().Error(); !strings.Contains(text, "taken no write") {
		t.Errorf("readiness says %q", text)
	}
	writers.Wait()
	for range 20 { // it can be read all the while, and still is not ready
		if f.Ready() == nil {
			t.Fatal("readiness flaps")
		}
		time.Sleep(50 * time.Millisecond)
	}
	if _, err := db.Exec(`COMMIT`); err != nil {
		t.Fatal(err)
	}
	within(t, "all goes on", 60*time.Second, func() bool { return f.Ready() == nil })
	clerk.insist(f)
	clerk.once(openSQLite(t, path))
}
