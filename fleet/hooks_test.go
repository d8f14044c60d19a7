package fleet_test

import (
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"rigledger/events"
	"rigledger/fleet"
)

func addHook(b *bench, name string) *fleet.AddHook {
	cmd, _ := fleet.NewHook()
	cmd.Name, cmd.URL = name, "https://farm.example/"+name
	b.must(cmd)
	return cmd
}

func hookOf(b *bench, id string) (h fleet.Hook, ok bool) {
	b.View(func(s *fleet.State) {
		if s.Hooks[id] != nil {
			h, ok = *s.Hooks[id], true
		}
	})
	return h, ok
}

func TestHooksComeBackFromTheLedgerAndFromASnapshot(t *testing.T) {
	b := openBench(t, openSQLite(t, filepath.Join(t.TempDir(), "ledger.db")))
	ctx := context.Background()
	one, two, gone := addHook(b, "one"), addHook(b, "two"), addHook(b, "gone")
	if h, _ := hookOf(b, two.ID()); h.Position != events.After(b.Head().N-1) {
		t.Errorf("it begins at %s", h.Position)
	}
	rotate, secret := fleet.NewRotation(one.ID())
	before, _ := hookOf(b, one.ID())
	b.must(rotate)
	if h, _ := hookOf(b, one.ID()); h.Secret != secret || !slices.Equal(h.Secrets(b.clock.now()), []string{secret, before.Secret}) || !h.OldUntil(b.clock.now()).Equal(b.clock.now().Add(24*time.Hour)) {
		t.Errorf("rotated: %+v", h)
	}
	// Each secret signs until its own day is over, however often it is rotated.
	signing, made := []string{secret, before.Secret}, b.clock.now()
	for range 3 {
		b.clock.set(b.clock.now().Add(time.Hour))
		again, next := fleet.NewRotation(one.ID())
		b.must(again)
		signing = slices.Insert(signing, 0, next)
	}
	if h, _ := hookOf(b, one.ID()); !slices.Equal(h.Secrets(b.clock.now()), signing) {
		t.Errorf("signs with %v, want %v", h.Secrets(b.clock.now()), signing)
	}
	more, _ := fleet.NewRotation(one.ID())
	b.refused(more, fleet.Conflict)
	b.clock.set(made.Add(24 * time.Hour))
	if h, _ := hookOf(b, one.ID()); !slices.Equal(h.Secrets(b.clock.now()), signing[:4]) {
		t.Errorf("after a day of the first it signs with %v", h.Secrets(b.clock.now()))
	}
	b.must(more)
	if _, err := b.SaveSnapshot(ctx); err != nil {
		t.Fatal(err)
	}
	since := b.clock.now()
	far := events.Position{Commit: before.Changed + 3, Index: 2}
	b.must(&fleet.NoteDelivered{Hook: one.ID(), Position: far, Failing: since})
	b.must(&fleet.NoteDelivered{Hook: one.ID(), Position: events.After(before.Changed + 1), Failing: since}) // another instance, behind
	if h, _ := hookOf(b, one.ID()); h.Position != far || !h.Failing.Equal(since) {
		t.Errorf("stands at %s, failing %v", h.Position, h.Failing)
	}
	b.must(&fleet.DisableHook{Hook: one.ID(), Reason: "answered 410"})
	if r := b.must(&fleet.NoteDelivered{Hook: one.ID(), Position: events.After(10)}); r.Commit != 0 {
		t.Error("a disabled hook gets on")
	}
	if r := b.must(&fleet.DisableHook{Hook: one.ID(), Reason: "again"}); r.Commit != 0 {
		t.Error("disabled twice")
	}
	b.must(&fleet.RemoveHook{Hook: gone.ID()})
	if r := b.must(&fleet.NoteDelivered{Hook: gone.ID(), Position: events.After(10)}); r.Commit != 0 {
		t.Error("a removed hook gets on")
	}
	b.refused(&fleet.RemoveHook{Hook: gone.ID()}, fleet.NotFound)
	b.must(&fleet.DisableHook{Hook: two.ID(), Reason: "x"})
	b.must(&fleet.EnableHook{Hook: two.ID()})

	live := stateText(t, b.Fleet)
	if !strings.Contains(live, "answered 410") {
		t.Error("the reason is not in the state")
	}
	for what, store := range map[string]events.Store{"the snapshot": b.store, "the first commit": withoutSnapshot{b.store}} {
		again, err := fleet.Open(ctx, fleet.Options{Store: store, Now: b.clock.now})
		if err != nil {
			t.Fatal(err)
		}
		if stateText(t, again) != live {
			t.Errorf("from %s the state is another", what)
		}
		if (again.Opening().FromSnapshot > 0) != (what == "the snapshot") {
			t.Errorf("%s was not used", what)
		}
		again.Close()
	}
}

// Whether they come from memory or from the store, commits come in order,
// without a gap and not beyond what readers see.
func TestCommitsAreReadFromAnyNumberOn(t *testing.T) {
	b := newBench(t)
	ctx := context.Background()
	b.must(trailed("T01"))
	for i := range 400 { // more than are kept in memory
		b.must(&fleet.ReportDefect{ID: fmt.Sprintf("d-%03d", i), Rig: "T01", Text: "x"})
	}
	head := b.Head().N
	for _, from := range []uint64{0, 1, 2, head - 300, head - 256, head - 255, head - 254, head - 1, head, head + 1, head + 100} {
		next := max(from, 1)
		err := b.ReadCommits(ctx, from, func(c *events.Commit) error {
			if c.N != next {
				t.Fatalf("from %d: commit %d, want %d", from, c.N, next)
			}
			next++
			return nil
		})
		if want := max(head+1, from); err != nil || next != want {
			t.Errorf("from %d: ended before %d, want %d: %v", from, next, want, err)
		}
	}
	for _, from := range []uint64{1, head - 10} {
		n := 0
		if err := b.ReadCommits(ctx, from, func(*events.Commit) error { n++; return fleet.ErrEnough }); err != nil || n != 1 {
			t.Errorf("enough: %d, %v", n, err)
		}
		bad := errors.New("bad")
		if err := b.ReadCommits(ctx, from, func(*events.Commit) error { return bad }); !errors.Is(err, bad) {
			t.Errorf("error %v", err)
		}
	}
	over, cancel := context.WithCancel(ctx)
	cancel()
	if err := b.ReadCommits(over, 1, func(*events.Commit) error { return nil }); fleet.CodeOf(err) != fleet.Down {
		t.Errorf("given up: %v", err)
	}
}
