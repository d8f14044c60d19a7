package storetest

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"strings"
	"sync"
	"testing"
	"time"

	"rigledger/events"
)

func empty(t *testing.T, l Ledger) {
	s := l.open(t)
	if n := newest(t, s); n != 0 {
		t.Errorf("newest is %d, want 0", n)
	}
	for _, from := range []uint64{0, 1, 7} {
		if got := readAll(t, s, from); len(got) != 0 {
			t.Errorf("reading from %d gives %d commits", from, len(got))
		}
	}
}

func roundTrip(t *testing.T, l Ledger) {
	s := l.open(t)
	want := Write(t, s, events.Head{}, three()...)
	for i, c := range want {
		if c.N != uint64(i+1) {
			t.Errorf("commit %d has number %d", i+1, c.N)
		}
	}
	if n := newest(t, s); n != 3 {
		t.Errorf("newest is %d, want 3", n)
	}
	same(t, readAll(t, s, 1), want)
	same(t, readAll(t, l.open(t), 0), want)
}

// A ledger proves something only while its hashes stay what they were: this one
// was computed when the form of a commit was settled, and must never change.
const hashOfThree = "921f459bbc0a79dff150f9edece1a8fc786fe78a1e0139dbc0e33dfd20c8ffdb"

func knownHash(t *testing.T, l Ledger) {
	s := l.open(t)
	Write(t, s, events.Head{}, three()...)
	got := readAll(t, s, 3)
	if len(got) != 1 || got[0].Hash.String() != hashOfThree {
		t.Errorf("the third commit has hash %s, want %s", got[0].Hash, hashOfThree)
	}
}

func takenNumber(t *testing.T, l Ledger) {
	a, b := l.open(t), l.open(t)
	want := Write(t, a, events.Head{}, Readings("T01", 0, 1), Readings("T01", 1, 1), Readings("T01", 2, 1))
	for _, s := range []events.Store{a, b} {
		for _, head := range []events.Head{{}, want[0].Head(), want[1].Head()} {
			late := seal(t, head, Readings("T02", 0, 2))
			if err := s.Append(t.Context(), late); !errors.Is(err, events.ErrTaken) {
				t.Errorf("appending another commit %d: got %v, want ErrTaken", late.N, err)
			}
		}
	}
	same(t, readAll(t, b, 1), want)
}

func skippedNumber(t *testing.T, l Ledger) {
	s, other := l.open(t), l.open(t)
	first := Write(t, s, events.Head{}, Readings("T01", 0, 1))
	for _, st := range []events.Store{s, other} {
		err := st.Append(t.Context(), seal(t, events.Head{N: 4, Hash: first[0].Hash}, Readings("T01", 1, 1)))
		if err == nil || errors.Is(err, events.ErrTaken) {
			t.Fatalf("appending commit 5 after 1: got %v, want an error of its own", err)
		}
		for _, part := range []string{"commit 5", "commit 1", "2 to 4"} {
			if !strings.Contains(err.Error(), part) {
				t.Errorf("the error %q does not say %q", err, part)
			}
		}
	}
	same(t, readAll(t, s, 1), first)
	// What another store has written counts.
	Write(t, other, first[0].Head(), Readings("T01", 1, 1))
	Write(t, s, readAll(t, s, 2)[0].Head(), Readings("T01", 2, 1))
}

// follow reads what others wrote after head.
func follow(ctx context.Context, s events.Store, head events.Head) (events.Head, error) {
	err := s.Read(ctx, head.N+1, func(c *events.Commit) error {
		if c.Prev != head.Hash {
			return fmt.Errorf("commit %d does not follow commit %d", c.N, head.N)
		}
		head = c.Head()
		return nil
	})
	return head, err
}

func race(t *testing.T, l Ledger) {
	const writers, each = 2, 40
	var wg sync.WaitGroup
	var lost [writers]int
	for w := range writers {
		s := l.open(t)
		wg.Go(func() {
			var head events.Head
			for i := 0; i < each; {
				c, err := events.Seal(head, start, Readings(fmt.Sprintf("T%02d", w), i, 1))
				if err == nil {
					err = s.Append(t.Context(), c)
				}
				switch {
				case err == nil:
					head = c.Head()
					i++
				case errors.Is(err, events.ErrTaken):
					lost[w]++
					before := head
					if head, err = follow(t.Context(), s, head); err == nil && head == before {
						err = errors.New("ErrTaken, yet there is nothing new to read")
					}
				}
				if err != nil {
					t.Errorf("writer %d: %v", w, err)
					return
				}
			}
		})
	}
	wg.Wait()
	commits := readAll(t, l.open(t), 1)
	chained(t, commits)
	count(t, commits, writers*each, func(string) int { return 1 })
	t.Logf("lost and tried again: %v", lost)
}

// count checks how often every reading is in the ledger.
func count(t *testing.T, commits []*events.Commit, total int, times func(key string) int) {
	t.Helper()
	seen := map[string]int{}
	for _, c := range commits {
		for _, e := range c.Facts {
			read := e.Fact.(*events.MeterRead)
			seen[read.Rig+" "+read.Event]++
		}
	}
	for key, n := range seen {
		if n != times(key) {
			t.Errorf("fact %s is in the ledger %d times, want %d", key, n, times(key))
		}
	}
	if len(seen) != total {
		t.Errorf("the ledger has %d different facts, want %d", len(seen), total)
	}
}

func bounds(t *testing.T, l Ledger) {
	s := l.open(t)
	heavy := make([]events.Entry, 64)
	for i := range heavy {
		heavy[i] = events.Entry{At: start, By: "api", Fact: &events.ReadingQuarantined{
			Quarantine: fmt.Sprint(i), Arrived: "api", Reason: "bad-event", Payload: bytes.Repeat([]byte{byte(i)}, 65_350)}}
	}
	want := Write(t, s, events.Head{}, Readings("T01", 0, events.MaxFacts), heavy, Readings("T01", 0, 1))
	if size := len(events.Encode(want[1])); size < events.MaxCommitBytes-8<<10 {
		t.Errorf("the heavy commit has %d bytes, too few to test the bound of %d", size, events.MaxCommitBytes)
	}
	same(t, readAll(t, s, 1), want)
}

func reopened(t *testing.T, l Ledger) {
	s := l.Open(t)
	want := Write(t, s, events.Head{}, three()...)
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	s = l.open(t)
	if n := newest(t, s); n != 3 {
		t.Errorf("newest is %d, want 3", n)
	}
	want = append(want, Write(t, s, want[2].Head(), Readings("T01", 3, 1))...)
	same(t, readAll(t, s, 1), want)
}

func endedContext(t *testing.T, l Ledger) {
	s := l.open(t)
	first := Write(t, s, events.Head{}, Readings("T01", 0, 1))
	err := s.Append(ended(t), seal(t, first[0].Head(), Readings("T01", 1, 1)))
	if !errors.Is(err, context.Canceled) {
		t.Errorf("append: got %v, want context.Canceled", err)
	}
	if _, err := s.Newest(ended(t)); !errors.Is(err, context.Canceled) {
		t.Errorf("newest: got %v, want context.Canceled", err)
	}
	err = s.Read(ended(t), 1, func(*events.Commit) error { return nil })
	if !errors.Is(err, context.Canceled) {
		t.Errorf("read: got %v, want context.Canceled", err)
	}
	same(t, readAll(t, s, 1), first)
	Write(t, s, first[0].Head(), Readings("T01", 1, 1))
}

// cutShort appends under contexts that end at a random moment, and believes what
// it is told the way the Store contract says.
func cutShort(t *testing.T, l Ledger) {
	s, other := l.open(t), l.open(t)
	random := rand.New(rand.NewPCG(1, 2))
	var head events.Head
	written := map[string]bool{} // by fact: whether the store said so
	unknown := 0
	for i := range 80 {
		facts := Readings("T01", i, 1)
		key := fmt.Sprintf("T01 3:%d", i)
		c := seal(t, head, facts)
		ctx, stop := context.WithTimeout(t.Context(), time.Duration(random.IntN(1500))*time.Microsecond)
		err := s.Append(ctx, c)
		stop()
		switch {
		case err == nil:
			written[key] = true
			head = c.Head()
			continue
		case errors.Is(err, events.ErrTaken): // a commit of ours that arrived late
		default:
			unknown++
		}
		if head, err = follow(t.Context(), other, head); err != nil {
			t.Fatal(err)
		}
	}
	commits := readAll(t, other, 1)
	chained(t, commits)
	in := map[string]int{}
	for _, c := range commits {
		for _, e := range c.Facts {
			in["T01 "+e.Fact.(*events.MeterRead).Event]++
		}
	}
	for key := range written {
		if in[key] != 1 {
			t.Errorf("fact %s was said to be written and is in the ledger %d times", key, in[key])
		}
	}
	for key, n := range in {
		if n > 1 {
			t.Errorf("fact %s is in the ledger %d times", key, n)
		}
	}
	t.Logf("of 80 commits %d were written for certain, %d had an unknown outcome", len(written), unknown)
}
