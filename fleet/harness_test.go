package fleet_test

import (
	"context"
	"fmt"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"rigledger/events"
	"rigledger/events/sqlitestore"
	"rigledger/fleet"
)

// clock is a time that a test sets.
type clock struct {
	mu sync.Mutex
	t  time.Time
}

func (c *clock) now() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.t
}

func (c *clock) set(t time.Time) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.t = t
}

// bench is a fleet on a real store, with house plans published.
type bench struct {
	*fleet.Fleet
	t     testing.TB
	store events.Store
	clock *clock
}

func day(text string) time.Time {
	t, err := time.Parse("2006-01-02 15:04", text)
	if err != nil {
		if t, err = time.Parse("2006-01-02", text); err != nil {
			panic(err)
		}
	}
	return t
}

func newBench(t testing.TB) *bench {
	t.Helper()
	return openBench(t, openSQLite(t, filepath.Join(t.TempDir(), "ledger.db")))
}

func openSQLite(t testing.TB, path string) events.Store {
	t.Helper()
	store, err := sqlitestore.Open(context.Background(), path)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = store.Close() })
	return store
}

func openBench(t testing.TB, store events.Store) *bench {
	t.Helper()
	b := &bench{t: t, store: store, clock: &clock{t: day("2026-05-04 08:00")}}
	var err error
	b.Fleet, err = fleet.Open(context.Background(), fleet.Options{Store: store, Now: b.clock.now})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(b.Close)
	if err := b.PublishStarters(context.Background()); err != nil {
		t.Fatal(err)
	}
	return b
}

// must carries out a command as "tester" and fails the test when it is refused.
func (b *bench) must(cmd fleet.Command) fleet.Receipt {
	b.t.Helper()
	r, err := b.Do(context.Background(), "tester", cmd, nil)
	if err != nil {
		b.t.Fatalf("%T: %v", cmd, err)
	}
	return r
}

// refused carries out a command and fails the test unless it is refused with code.
func (b *bench) refused(cmd fleet.Command, code fleet.Code) *fleet.Error {
	b.t.Helper()
	_, err := b.Do(context.Background(), "tester", cmd, nil)
	if fleet.CodeOf(err) != code {
		b.t.Fatalf("%T: error %v, want code %s", cmd, err, code)
	}
	return err.(*fleet.Error)
}

func trailed(rig string) *fleet.RegisterRig {
	return &fleet.RegisterRig{
		Rig: rig, Name: "Low meadow", Class: "trailed", Yard: "north", WidthM: 24, TankL: 3500, FirstUse: "2026-05-01",
		Meters: []fleet.StartMeter{{Meter: "pump", Quantity: "hours"}, {Meter: "area", Quantity: "area"}}, Plan: "trailed-boom",
	}
}

func reading(rig, event string, at time.Time, counters ...any) events.Arrival {
	a := events.Arrival{
		Via: "rig." + rig + ".reading", Rig: rig, Event: event, Time: at, Kind: events.KindReading,
		Payload: fmt.Appendf(nil, "%s %s %v", rig, event, counters),
	}
	for i := 0; i < len(counters); i += 3 {
		a.Counters = append(a.Counters, events.RawCounter{Meter: counters[i].(string), Value: counters[i+1].(float64), Unit: counters[i+2].(string)})
	}
	return a
}

// take sends arrivals through the desk.
func (b *bench) take(arrivals ...events.Arrival) ([]fleet.Outcome, []events.Ack) {
	b.t.Helper()
	o, acks, err := b.TakeReport(context.Background(), arrivals)
	if err != nil {
		b.t.Fatal(err)
	}
	return o, acks
}

// total is a meter's total in its own unit.
func (b *bench) total(rig, meter string) (total float64) {
	b.View(func(s *fleet.State) {
		m := s.Rigs[rig].Meter(meter)
		base, _ := m.Series.Total()
		total = m.Series.Quantity.FromBase(base)
	})
	return total
}

func (b *bench) raise() int {
	b.t.Helper()
	n, err := fleet.NewRaiser(b.Fleet).Raise(context.Background())
	if err != nil {
		b.t.Fatal(err)
	}
	return n
}

// line gives how a task stands on a part.
func (b *bench) line(rig, part, task string) (line fleet.DueLine, ok bool) {
	b.View(func(s *fleet.State) {
		for _, l := range b.DueOf(s, s.Rigs[rig], b.clock.now()) {
			if l.Part.Part == part && l.Task.Slug == task {
				line, ok = l, true
			}
		}
	})
	return line, ok
}
