package storetest

import (
	"bytes"
	"context"
	"errors"
	"testing"

	"go.mongodb.org/mongo-driver/v2/bson"

	"rigledger/events"
)

func tenCommits(t *testing.T, s events.Store) []*events.Commit {
	var facts [][]events.Entry
	for i := range 10 {
		facts = append(facts, Readings("T01", i, 1))
	}
	return Write(t, s, events.Head{}, facts...)
}

func readSome(t *testing.T, l Ledger) {
	s := l.open(t)
	want := tenCommits(t, s)
	for from := uint64(1); from <= 12; from++ {
		same(t, readAll(t, s, from), want[min(from-1, 10):])
	}
	enough := errors.New("enough")
	var got []*events.Commit
	err := s.Read(t.Context(), 3, func(c *events.Commit) error {
		if got = append(got, c); len(got) == 4 {
			return enough
		}
		return nil
	})
	if !errors.Is(err, enough) {
		t.Errorf("got error %v, want fn's own", err)
	}
	same(t, got, want[2:6])

	ctx, stop := context.WithCancel(t.Context())
	defer stop()
	calls := 0
	err = s.Read(ctx, 1, func(*events.Commit) error {
		calls++
		stop()
		return nil
	})
	if !errors.Is(err, context.Canceled) || calls != 1 {
		t.Errorf("a context that ended while reading: got %v after %d commits, want context.Canceled after 1", err, calls)
	}
}

func readWhileWriting(t *testing.T, l Ledger) {
	w, r := l.open(t), l.open(t)
	const total = 60
	wrote := make(chan error, 1)
	go func() {
		var head events.Head
		for i := range total {
			c, err := events.Seal(head, start, Readings("T01", i*3, 3))
			if err == nil {
				err = w.Append(t.Context(), c)
			}
			if err != nil {
				wrote <- err
				return
			}
			head = c.Head()
		}
		wrote <- nil
	}()
	reads := 0
	for done := false; !done; reads++ {
		select {
		case err := <-wrote:
			if err != nil {
				t.Fatal(err)
			}
			done = true
		default:
		}
		before := newest(t, r)
		commits := readAll(t, r, 1)
		chained(t, commits)
		if uint64(len(commits)) < before {
			t.Fatalf("read %d commits when %d were there before", len(commits), before)
		}
		for _, c := range commits {
			if len(c.Facts) != 3 {
				t.Fatalf("commit %d has %d facts, want 3", c.N, len(c.Facts))
			}
		}
		if done && len(commits) != total {
			t.Errorf("at the end there are %d commits, want %d", len(commits), total)
		}
	}
	t.Logf("read the ledger %d times while it was written", reads)
}

func useWhileReading(t *testing.T, l Ledger) {
	s := l.open(t)
	want := tenCommits(t, s)
	head := want[9].Head()
	calls := 0
	err := s.Read(t.Context(), 1, func(c *events.Commit) error {
		calls++
		if c.N > 10 {
			return nil
		}
		head = Write(t, s, head, Readings("T01", 10+int(c.N), 1))[0].Head()
		if n := newest(t, s); n != head.N {
			t.Errorf("newest is %d, want %d", n, head.N)
		}
		return nil
	})
	if err != nil || calls < 10 {
		t.Errorf("read %d commits: %v", calls, err)
	}
	if got := readAll(t, s, 1); len(got) != 20 {
		t.Errorf("the ledger has %d commits, want 20", len(got))
	}
}

// readUntil reads from the start and gives the numbers seen before the error.
func readUntil(t *testing.T, s events.Store, from uint64) (seen []uint64, err error) {
	err = s.Read(t.Context(), from, func(c *events.Commit) error { seen = append(seen, c.N); return nil })
	return seen, err
}

func damaged(t *testing.T, l Ledger) {
	s := l.open(t)
	want := tenCommits(t, s)
	alterations := []struct {
		name   string
		change func(bson.Raw) bson.Raw
	}{
		{"a letter in a fact", func(doc bson.Raw) bson.Raw {
			return flip(t, doc, []byte("rig:T01"))
		}},
		{"a bit in the hash", func(doc bson.Raw) bson.Raw { return flip(t, doc, want[5].Hash[:]) }},
		{"a bit in the hash of the commit before", func(doc bson.Raw) bson.Raw { return flip(t, doc, want[5].Prev[:]) }},
		{"no facts", func(doc bson.Raw) bson.Raw {
			cut, err := bson.Marshal(bson.D{{Key: "_id", Value: int64(6)}, {Key: "hash", Value: want[5].Hash[:]}})
			if err != nil {
				t.Fatal(err)
			}
			return cut
		}},
	}
	for _, a := range alterations {
		t.Run(a.name, func(t *testing.T) {
			var before bson.Raw
			l.Alter(t, 6, func(doc bson.Raw) bson.Raw {
				before = bytes.Clone(doc)
				return a.change(doc)
			})
			seen, err := readUntil(t, s, 1)
			isDamaged(t, err, 6)
			if len(seen) != 5 {
				t.Errorf("read commits %v before the damaged one, want 1 to 5", seen)
			}
			if seen, err = readUntil(t, s, 7); err != nil || len(seen) != 4 {
				t.Errorf("reading after the damaged commit gives %v, %v", seen, err)
			}
			l.Alter(t, 6, func(bson.Raw) bson.Raw { return before })
			same(t, readAll(t, s, 1), want)
		})
	}
}

// flip changes one bit in the middle of part, which doc must hold.
func flip(t *testing.T, doc bson.Raw, part []byte) bson.Raw {
	t.Helper()
	i := bytes.Index(doc, part)
	if i < 0 {
		t.Fatalf("the stored document does not hold %q", part)
	}
	doc = bytes.Clone(doc)
	doc[i+len(part)/2] ^= 1
	return doc
}

func missing(t *testing.T, l Ledger) {
	s := l.open(t)
	tenCommits(t, s)
	l.Alter(t, 4, func(bson.Raw) bson.Raw { return nil })
	seen, err := readUntil(t, s, 1)
	isDamaged(t, err, 4)
	if len(seen) != 3 {
		t.Errorf("read commits %v before the missing one, want 1 to 3", seen)
	}
	_, err = readUntil(t, s, 4)
	isDamaged(t, err, 4)
	// A hole is never filled: that would hide it.
	err = s.Append(t.Context(), seal(t, events.Head{N: 3}, Readings("T02", 0, 1)))
	if err == nil {
		t.Error("append filled the hole")
	}
	if seen, err = readUntil(t, s, 5); err != nil || len(seen) != 6 {
		t.Errorf("reading after the hole gives %v, %v", seen, err)
	}
	l.Alter(t, 1, func(bson.Raw) bson.Raw { return nil })
	_, err = readUntil(t, s, 0)
	isDamaged(t, err, 1)
}
