package fleet_test

import (
	"context"
	"fmt"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"rigledger/events"
	"rigledger/fleet"
	"rigledger/fleet/plan"
)

// standings reads the notes of a rig from the ledger, one line each.
func standings(t testing.TB, store events.Store, rig string) (lines []string) {
	t.Helper()
	err := store.Read(context.Background(), 1, func(c *events.Commit) error {
		for _, e := range c.Facts {
			if f, ok := e.Fact.(*events.RigStanding); ok && f.Rig == rig {
				line := f.Fitness
				for _, r := range f.Reasons {
					line += " " + r.Code
				}
				for _, it := range f.Items {
					line += " " + it.Item + "=" + it.Status
				}
				lines = append(lines, line)
			}
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return lines
}

func note(t testing.TB, f *fleet.Fleet) int {
	t.Helper()
	n, err := fleet.NewNoter(f).Note(context.Background())
	if err != nil {
		t.Fatal(err)
	}
	return n
}

// equalsNoted compares what a consumer that knows the facts alone holds to be
// the case with what the fleet answers.
func equalsNoted(t interface{ Errorf(string, ...any) }, b *bench) {
	b.View(func(s *fleet.State) {
		for code, rig := range s.Rigs {
			fit := b.FitnessOf(s, rig, b.clock.now())
			var want, got []string
			for _, r := range fit.Reasons {
				want = append(want, fmt.Sprint(r.Code, r.Text, r.Stops, r.Part, r.Task, r.Defect))
			}
			for _, r := range rig.Noted.Reasons {
				got = append(got, fmt.Sprint(r.Code, r.Text, r.Stops, r.Part, r.Task, r.Defect))
			}
			slices.Sort(want)
			slices.Sort(got)
			state := rig.Noted.Fitness
			if state == "" {
				state = fleet.Fit
			}
			if state != fit.State || strings.Join(want, "\n") != strings.Join(got, "\n") {
				t.Errorf("%s was noted as %s %q, it is %s %q", code, state, got, fit.State, want)
			}
			for _, l := range b.DueOf(s, rig, b.clock.now()) {
				status := rig.Noted.Items[l.Item]
				if status == "" {
					status = "soon"
				}
				if l.Item != "" && status != string(l.Due.Status) {
					t.Errorf("item %s was noted as %s, it is %s", l.Item, status, l.Due.Status)
				}
			}
		}
	})
}

// A certificate runs out at local midnight: one fact, and none again after a
// restart, by a second instance or by both at once.
func TestACertificateThatExpiresAtLocalMidnightIsNotedOnce(t *testing.T) {
	zone, err := time.LoadLocation("Europe/London") // UTC+1 in June
	if err != nil {
		t.Fatal(err)
	}
	store := openSQLite(t, filepath.Join(t.TempDir(), "ledger.db"))
	b := &bench{t: t, store: store, clock: &clock{t: day("2026-05-04 08:00")}}
	open := func() *fleet.Fleet {
		f, err := fleet.Open(context.Background(), fleet.Options{Store: store, Zone: zone, Now: b.clock.now})
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(f.Close)
		return f
	}
	b.Fleet = open()
	b.must(&fleet.PublishPlan{Text: quietPlan}) // the certificate alone has something to say
	rig := trailed("T01")
	rig.Plan = "quiet"
	b.must(rig)
	b.must(placed("T01", "UK"))
	c := certificate("T01", "2025-08-01")
	c.Expires = "2026-06-15"
	b.must(c)
	one := fleet.NewNoter(b.Fleet)
	two := fleet.NewNoter(open())
	pass := func(at string) (n int) {
		t.Helper()
		b.clock.set(day(at))
		for _, noter := range []*fleet.Noter{one, two, one, two} {
			got, err := noter.Note(context.Background())
			if err != nil {
				t.Fatal(err)
			}
			n += got
		}
		return n
	}
	if n := pass("2026-06-15 12:00"); n != 0 {
		t.Errorf("%d notes of a rig that is fit for no reason against it: %v", n, standings(t, store, "T01"))
	}
	if n := pass("2026-06-15 22:59"); n != 0 {
		t.Errorf("%d notes a minute before local midnight: %v", n, standings(t, store, "T01"))
	}
	if n := pass("2026-06-15 23:00"); n != 1 {
		t.Errorf("%d notes at local midnight, want 1", n)
	}
	if n := pass("2026-06-17 12:00"); n != 0 {
		t.Errorf("%d notes two days later", n)
	}
	if n := note(t, open()); n != 0 {
		t.Errorf("%d notes after a restart", n)
	}
	if got := standings(t, store, "T01"); len(got) != 1 || got[0] != "do not use certificate-expired" {
		t.Errorf("noted %q", got)
	}
	equalsNoted(t, b)
	b.must(certificate("T01", "2026-06-17"))
	if n := pass("2026-06-17 13:00"); n != 1 {
		t.Errorf("%d notes of the new certificate, want 1", n)
	}
	if got := standings(t, store, "T01"); len(got) != 2 || got[1] != "fit" {
		t.Errorf("noted %q", got)
	}

	// Two instances that look at the same moment: the desk decides again.
	b.must(&fleet.ReportDefect{ID: fleet.NewDefectID(), Rig: "T01", Text: "hose rubs", Safety: true})
	others := []*fleet.Fleet{b.Fleet, open(), open(), open()}
	var all sync.WaitGroup
	for _, f := range others {
		all.Go(func() {
			if _, err := fleet.NewNoter(f).Note(context.Background()); err != nil {
				t.Error(err)
			}
		})
	}
	all.Wait()
	if got := standings(t, store, "T01"); len(got) != 3 || got[2] != "do not use open-safety-defect" {
		t.Errorf("noted %q", got)
	}
}

func TestAnItemsStatusIsNotedWhenUsageOrTheCalendarMovesIt(t *testing.T) {
	b := newBench(t)
	b.must(trailed("T01"))
	noter := fleet.NewNoter(b.Fleet)
	seq, hours := 0, 0.0
	work := func(h float64) {
		for range int(h / 8) { // days of 8 h
			seq++
			hours += 8
			b.clock.set(b.clock.now().Add(24 * time.Hour))
			b.take(reading("T01", fmt.Sprintf("1:%d", seq), b.clock.now(), "pump", hours, "HUR"))
			b.raise()
			if _, err := noter.Note(context.Background()); err != nil {
				t.Fatal(err)
			}
			equalsNoted(t, b)
		}
	}
	work(96)
	var changes int
	for _, line := range standings(t, b.store, "T01") {
		changes += strings.Count(line, "=overdue")
	}
	if changes == 0 {
		t.Errorf("96 h without any service, and no item was noted as overdue: %q", standings(t, b.store, "T01"))
	}
	before := len(standings(t, b.store, "T01"))
	for range 5 { // nothing happens on the same day
		if _, err := noter.Note(context.Background()); err != nil {
			t.Fatal(err)
		}
	}
	if after := len(standings(t, b.store, "T01")); after != before {
		t.Errorf("%d notes of nothing", after-before)
	}
	// The note itself leaves due lines and fitness as they are.
	b.View(func(s *fleet.State) {
		if x, y := dueText(b.DueOf(s, s.Rigs["T01"], b.clock.now())), dueText(s.Due(s.Rigs["T01"], plan.Of(b.clock.now(), s.Zone()))); x != y {
			t.Errorf("due lines differ:\n%s\n%s", x, y)
		}
	})
	// A rig that leaves the fleet is noted too, once.
	b.must(&fleet.RetireRig{Rig: "T01", Reason: "sold"})
	if n := note(t, b.Fleet) + note(t, b.Fleet); n != 1 {
		t.Errorf("%d notes of the retired rig", n)
	}
	equalsNoted(t, b)
}

// A fleet whose notes would not fit in one commit is noted in several, each
// inside the bounds.
func TestNotesAreBoundedPerCommit(t *testing.T) {
	b := newBench(t)
	const rigs = 600
	for i := range rigs {
		cmd := trailed(fmt.Sprintf("R%03d", i))
		cmd.Plan = ""
		b.must(cmd)
		b.must(&fleet.ReportDefect{ID: fleet.NewDefectID(), Rig: cmd.Rig, Text: strings.Repeat("hose rubs ", 100)})
	}
	head := b.Head().N
	if n := note(t, b.Fleet); n != rigs {
		t.Fatalf("%d notes, want %d", n, rigs)
	}
	for i := range 80 {
		b.must(&fleet.ReportDefect{ID: fleet.NewDefectID(), Rig: "R000", Text: fmt.Sprint("again ", i)})
	}
	if n := note(t, b.Fleet); n != 1 {
		t.Fatalf("%d notes, want 1", n)
	}
	err := b.store.Read(context.Background(), head+1, func(c *events.Commit) error {
		if len(c.Facts) > events.MaxFacts || c.Size() > 4<<20 {
			t.Errorf("commit %d has %d facts and %d bytes", c.N, len(c.Facts), c.Size())
		}
		for _, e := range c.Facts {
			if f, ok := e.Fact.(*events.RigStanding); ok && f.Rig == "R000" && f.More > 0 && (len(f.Reasons) != 50 || f.More != 31) {
				t.Errorf("%d reasons and %d more of 81", len(f.Reasons), f.More)
			}
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	if n := note(t, b.Fleet); n != 0 {
		t.Errorf("%d notes again", n)
	}
}

// BenchmarkNoteOfAnUnchangedFleet is the scheduler's usual turn, and its first
// one of a day, with 10,000 rigs.
func BenchmarkNoteOfAnUnchangedFleet(bm *testing.B) {
	b := newBench(bm)
	for i := range 10_000 {
		b.must(trailed(fmt.Sprintf("R%05d", i)))
	}
	noter := fleet.NewNoter(b.Fleet)
	ctx := context.Background()
	for range 2 {
		if _, err := noter.Note(ctx); err != nil {
			bm.Fatal(err)
		}
	}
	bm.Run("usual", func(bm *testing.B) {
		for bm.Loop() {
			if n, err := noter.Note(ctx); n != 0 || err != nil {
				bm.Fatal(n, err)
			}
		}
	})
	bm.Run("first of the day", func(bm *testing.B) {
		for bm.Loop() {
			bm.StopTimer()
			b.clock.set(b.clock.now().AddDate(0, 0, 1))
			bm.StartTimer()
			if _, err := noter.Note(ctx); err != nil {
				bm.Fatal(err)
			}
		}
	})
}
