package storetest

import (
	"bytes"
	"context"
	"errors"
	"math/rand/v2"
	"testing"

	"rigledger/events"
)

func noSnapshot(t *testing.T, l Ledger) {
	s := l.open(t)
	tenCommits(t, s)
	if _, err := s.LoadSnapshot(t.Context()); !errors.Is(err, events.ErrNoSnapshot) {
		t.Errorf("got %v, want ErrNoSnapshot", err)
	}
	if err := s.SaveSnapshot(ended(t), events.Snapshot{Head: events.Head{N: 1}, Body: []byte("x")}); !errors.Is(err, context.Canceled) {
		t.Errorf("saving under a context that has ended: got %v, want context.Canceled", err)
	}
	if _, err := s.LoadSnapshot(t.Context()); !errors.Is(err, events.ErrNoSnapshot) {
		t.Errorf("got %v, want ErrNoSnapshot", err)
	}
}

func snapshots(t *testing.T, l Ledger) {
	a, b := l.open(t), l.open(t)
	random := rand.NewChaCha8([32]byte{1})
	for i, size := range []int{1, 20 << 20, 0, 9 << 20, 300} {
		want := events.Snapshot{Head: events.Head{N: uint64(i + 1)}, Format: 7 + i, Body: make([]byte, size)}
		random.Read(want.Body)
		random.Read(want.Head.Hash[:])
		if err := a.SaveSnapshot(t.Context(), want); err != nil {
			t.Fatal(err)
		}
		for _, s := range []events.Store{a, b} {
			got, err := s.LoadSnapshot(t.Context())
			if err != nil {
				t.Fatal(err)
			}
			if got.Head != want.Head || got.Format != want.Format || !bytes.Equal(got.Body, want.Body) {
				t.Errorf("a snapshot of %d bytes came back as %d bytes of commit %d, format %d", size, len(got.Body), got.Head.N, got.Format)
			}
		}
		a, b = b, a
	}
	// A snapshot is not a commit.
	if n := newest(t, a); n != 0 {
		t.Errorf("newest is %d, want 0", n)
	}
}
