package fleet_test

import (
	"context"
	"path/filepath"
	"testing"
	"time"

	"rigledger/fleet"
)

func (b *bench) lastUsed(token string) (at time.Time) {
	var t *fleet.Token
	b.View(func(s *fleet.State) { t = s.Tokens[token] })
	return b.LastUsed(t)
}

func (b *bench) noteUses() (commits uint64) {
	b.t.Helper()
	before := b.Head().N
	if err := b.NoteUses(context.Background()); err != nil {
		b.t.Fatal(err)
	}
	return b.Head().N - before
}

func TestALastUseIsExactHereAndOnRecordOnceADay(t *testing.T) {
	path := filepath.Join(t.TempDir(), "ledger.db")
	b := openBench(t, openSQLite(t, path))
	used, text := fleet.NewToken("Workshop tablet", fleet.RoleWorkshop)
	b.must(used)
	idle, _ := fleet.NewToken("Spare", fleet.RoleReader)
	b.must(idle)
	if at := b.lastUsed(used.ID()); !at.IsZero() {
		t.Errorf("used at %s before it was", at)
	}
	if n := b.noteUses(); n != 0 {
		t.Errorf("%d commits for nothing", n)
	}

	head := b.Head().N
	use := func(at string) {
		t.Helper()
		b.clock.set(day(at))
		if _, ok := b.HolderOf(text); !ok {
			t.Fatal("was not let in")
		}
	}
	for range 1000 {
		use("2026-05-04 08:17")
	}
	b.HolderOf(text[:len(text)-1] + "x") // a wrong secret is no use
	if b.Head().N != head {
		t.Error("a use writes to the ledger by itself")
	}
	if at := b.lastUsed(used.ID()); !at.Equal(day("2026-05-04 08:17")) {
		t.Errorf("used at %s", at)
	}
	if n := b.noteUses(); n != 1 {
		t.Errorf("%d commits for a day's first use", n)
	}
	use("2026-05-04 19:40")
	if n := b.noteUses(); n != 0 {
		t.Errorf("%d commits more on the same day", n)
	}
	use("2026-05-05 00:30")
	if n := b.noteUses(); n != 1 {
		t.Errorf("%d commits for the next day's first use", n)
	}
	use("2026-05-05 06:50")

	b.Close()
	again := openBench(t, openSQLite(t, path))
	if at := again.lastUsed(used.ID()); !at.Equal(day("2026-05-05 00:00")) {
		t.Errorf("after a restart used at %s", at)
	}
	if at := again.lastUsed(idle.ID()); !at.IsZero() {
		t.Errorf("the spare one used at %s", at)
	}
}

func TestManyTokensUsesGoIntoFewCommits(t *testing.T) {
	b := newBench(t)
	const many = usesAtOnce + 50
	for range many {
		cmd, text := fleet.NewToken("x", fleet.RoleReader)
		b.must(cmd)
		b.HolderOf(text)
	}
	if n := b.noteUses(); n != 2 {
		t.Errorf("%d commits", n)
	}
	if n := b.noteUses(); n != 0 {
		t.Errorf("%d commits the second time", n)
	}
}

const usesAtOnce = 200

func TestATokenEndsWhenItExpires(t *testing.T) {
	b := newBench(t)
	cmd, text := fleet.NewToken("Guest", fleet.RoleReader)
	cmd.Expires = ptr(day("2026-05-04 08:00"))
	if e := b.refused(cmd, fleet.Invalid); e.Fields[0].Field != "/expires" {
		t.Errorf("%v", e)
	}
	cmd.Expires = ptr(day("2026-05-04 09:00"))
	b.must(cmd)
	h, ok := b.HolderOf(text)
	if !ok || !h.Until.Equal(day("2026-05-04 09:00")) {
		t.Errorf("%+v", h)
	}
	b.clock.set(day("2026-05-04 09:00").Add(-time.Millisecond))
	if _, ok := b.HolderOf(text); !ok {
		t.Error("ended too early")
	}
	b.clock.set(day("2026-05-04 09:00"))
	if _, ok := b.HolderOf(text); ok {
		t.Error("did not end")
	}
}
