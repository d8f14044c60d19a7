// Package storetest is the conformance suite of events.Store: what it asks holds
// for every store, and it runs on the real thing, a file or a server. It also
// starts the MongoDB server that tests of other packages use (Mongo).
package storetest

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"testing"
	"time"

	"go.mongodb.org/mongo-driver/v2/bson"

	"rigledger/events"
)

// Ledger is one stored ledger and the ways to reach it.
type Ledger struct {
	// Open opens the ledger once more, independently of what is open already. The
	// suite closes what it opens.
	Open func(t testing.TB) events.Store

	// Alter changes the stored document of commit n behind the store's back; the
	// document that change returns replaces it, nil removes it.
	Alter func(t testing.TB, n uint64, change func(bson.Raw) bson.Raw)
}

// Run runs the suite; fresh gives a new, empty ledger each time it is called.
func Run(t *testing.T, fresh func(t *testing.T) Ledger) {
	for _, c := range []struct {
		name string
		test func(t *testing.T, l Ledger)
	}{
		{"an empty ledger has no commits", empty},
		{"commits come back as they were written", roundTrip},
		{"a ledger keeps the hashes that earlier versions gave it", knownHash},
		{"a taken number is ErrTaken", takenNumber},
		{"a skipped number is refused and named", skippedNumber},
		{"two writers race and every fact is in once", race},
		{"a commit at the bounds of size fits", bounds},
		{"a ledger opened again goes on where it ended", reopened},
		{"a context that has ended writes nothing", endedContext},
		{"a context that ends at any moment leaves no false belief", cutShort},
		{"reading starts and stops where it is told", readSome},
		{"reading while writing sees whole commits in order", readWhileWriting},
		{"a reader may use the store", useWhileReading},
		{"a damaged commit is named", damaged},
		{"a missing commit is named", missing},
		{"no snapshot is ErrNoSnapshot", noSnapshot},
		{"snapshots come back as they were saved", snapshots},
	} {
		t.Run(c.name, func(t *testing.T) { c.test(t, fresh(t)) })
	}
}

func (l Ledger) open(t testing.TB) events.Store {
	t.Helper()
	s := l.Open(t)
	t.Cleanup(func() {
		if err := s.Close(); err != nil {
			t.Errorf("close: %v", err)
		}
	})
	return s
}

// start is when the invented season of the fixtures starts.
var start = time.Date(2026, 3, 2, 6, 30, 0, 250e6, time.UTC)

// Readings gives count invented readings of one rig; the same arguments give the
// same facts. The first is number 0.
func Readings(rig string, first, count int) []events.Entry {
	facts := make([]events.Entry, count)
	for i := range facts {
		n := first + i
		facts[i] = events.Entry{
			At: start.Add(time.Duration(n) * 10 * time.Second), By: "rig:" + rig,
			Fact: &events.MeterRead{Rig: rig, Event: fmt.Sprintf("3:%d", n), Counters: []events.Counter{
				{Meter: "pump", Value: 4_521_780 + 10*int64(n)},
				{Meter: "area", Value: 56_178_000 + 900*int64(n)},
			}},
		}
	}
	return facts
}

// Write appends commits of the given facts after head and gives them back.
func Write(t testing.TB, s events.Store, head events.Head, facts ...[]events.Entry) []*events.Commit {
	t.Helper()
	var commits []*events.Commit
	for _, f := range facts {
		c := seal(t, head, f)
		if err := s.Append(t.Context(), c); err != nil {
			t.Fatalf("append commit %d: %v", c.N, err)
		}
		commits = append(commits, c)
		head = c.Head()
	}
	return commits
}

func seal(t testing.TB, head events.Head, facts []events.Entry) *events.Commit {
	t.Helper()
	c, err := events.Seal(head, start.Add(time.Duration(head.N)*time.Minute), facts)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// three is a small ledger with different kinds of fact in it.
func three() [][]events.Entry {
	width := int64(24_000)
	return [][]events.Entry{
		{
			{At: start, By: "A. Person", Fact: &events.RigRegistered{Rig: "T01", Name: "Trailed 1", Class: "trailed-24", Yard: "north", WidthMM: width, TankML: 3_200_000}},
			{At: start, By: "A. Person", Fact: &events.MeterAdded{Rig: "T01", Meter: "pump", Quantity: "hours", Value: 4_521_780}},
		},
		Readings("T01", 0, 3),
		{
			{At: start.Add(time.Hour), By: "rig:T01", Fact: &events.ConditionMeasured{Rig: "T01", Code: "filter-drop", Value: 0.35, Unit: "BAR"}},
			{At: start.Add(-time.Hour), By: "Ä. Pérsön", Fact: &events.RigAmended{Rig: "T01", WidthMM: &width}},
			{At: start, By: "api", Fact: &events.ReadingQuarantined{Quarantine: "q1", Arrived: "api", Reason: "bad-event", Detail: "“€”", Payload: []byte{0, 1, 0xff}}},
		},
	}
}

func readAll(t testing.TB, s events.Store, from uint64) []*events.Commit {
	t.Helper()
	var got []*events.Commit
	if err := s.Read(t.Context(), from, func(c *events.Commit) error { got = append(got, c); return nil }); err != nil {
		t.Fatalf("read from %d: %v", from, err)
	}
	return got
}

// same fails unless got holds the very bytes of want, in order.
func same(t testing.TB, got, want []*events.Commit) {
	t.Helper()
	if len(got) != len(want) {
		t.Fatalf("got %d commits, want %d", len(got), len(want))
	}
	for i, c := range got {
		w := want[i]
		if c.N != w.N || c.Hash != w.Hash || c.Prev != w.Prev || !c.Recorded.Equal(w.Recorded) {
			t.Errorf("commit %d (%s) came back as %d (%s)", w.N, w.Hash, c.N, c.Hash)
		}
		if !bytes.Equal(events.Encode(c), events.Encode(w)) {
			t.Errorf("commit %d encodes to other bytes than it was sealed with", w.N)
		}
		if g, want := text(t, c), text(t, w); g != want {
			t.Errorf("commit %d came back as\n%.2000s\nwant\n%.2000s", w.N, g, want)
		}
	}
}

func text(t testing.TB, c *events.Commit) string {
	t.Helper()
	b, err := json.Marshal(c)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

// chained fails unless the commits are numbered from 1 and each names the one before.
func chained(t testing.TB, commits []*events.Commit) {
	t.Helper()
	var head events.Head
	for _, c := range commits {
		if c.N != head.N+1 || c.Prev != head.Hash {
			t.Fatalf("commit %d does not follow commit %d", c.N, head.N)
		}
		head = c.Head()
	}
}

func newest(t testing.TB, s events.Store) uint64 {
	t.Helper()
	n, err := s.Newest(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	return n
}

// isDamaged fails unless err says that commit n is damaged.
func isDamaged(t testing.TB, err error, n uint64) {
	t.Helper()
	var d *events.DamagedError
	if !errors.As(err, &d) || !errors.Is(err, events.ErrDamaged) {
		t.Fatalf("got error %v, want one of a damaged commit", err)
	}
	if d.N != n {
		t.Errorf("the error names commit %d, want %d: %v", d.N, n, err)
	}
}

func ended(t testing.TB) context.Context {
	ctx, stop := context.WithCancel(t.Context())
	stop()
	return ctx
}
