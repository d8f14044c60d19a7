package fleet_test

import (
	"context"
	"errors"
	"math"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"rigledger/events"
	"rigledger/fleet"
	"rigledger/fleet/plan"
)

func TestReadingsBecomeTotals(t *testing.T) {
	b := newBench(t)
	b.must(trailed("T01"))
	at := day("2026-05-04 06:00")
	_, acks := b.take(
		reading("T01", "1:1", at, "pump", 12.5, "HUR", "area", 88.4, "H18"),
		reading("T01", "1:3", at.Add(30*time.Minute), "pump", 13.0, "HUR"),
		reading("T01", "1:2", at.Add(15*time.Minute), "pump", 45900.0, "SEC"), // late, in seconds
		reading("T01", "1:1", at, "pump", 12.5, "HUR", "area", 88.4, "H18"),   // twice
	)
	if got := b.total("T01", "pump"); got != 13 {
		t.Errorf("pump total %v h, want 13", got)
	}
	if got := b.total("T01", "area"); math.Abs(got-88.4) > 1e-9 {
		t.Errorf("area total %v ha, want 88.4", got)
	}
	if len(acks) != 1 || acks[0].Boot != 1 || acks[0].Seq != 3 {
		t.Errorf("acks %+v, want boot 1 up to 3", acks)
	}
}

func TestAnAckStopsBelowWhatIsMissing(t *testing.T) {
	b := newBench(t)
	b.must(trailed("T01"))
	at := day("2026-05-04 06:00")
	send := func(id string, minutes int) events.Ack {
		_, acks := b.take(reading("T01", id, at.Add(time.Duration(minutes)*time.Minute), "pump", 1+float64(minutes)/60, "HUR"))
		return acks[0]
	}
	for _, step := range []struct {
		id   string
		seq  int64
		have int
	}{{"1:1", 1, 0}, {"1:2", 2, 0}, {"1:5", 2, 1}, {"1:7", 2, 2}, {"1:6", 2, 1}, {"1:4", 2, 1}, {"1:3", 7, 0}} {
		if ack := send(step.id, int(step.id[2]-'0')); ack.Seq != step.seq || len(ack.Have) != step.have {
			t.Errorf("after %s: ack %+v, want up to %d and %d ranges above", step.id, ack, step.seq, step.have)
		}
	}
}

func TestARigThatForgotItsOldestEventsIsStillAcked(t *testing.T) {
	b := newBench(t)
	b.must(trailed("T01"))
	a := reading("T01", "3:18231", day("2026-05-04 06:00"), "pump", 2.0, "HUR")
	if _, acks := b.take(a); acks[0].Seq != 0 || len(acks[0].Have) != 1 {
		t.Errorf("ack %+v, want none below but 18231 had", acks[0])
	}
	next := reading("T01", "3:18232", day("2026-05-04 07:00"), "pump", 3.0, "HUR")
	next.Oldest = 18231
	if _, acks := b.take(next); acks[0].Seq != 18232 {
		t.Errorf("ack %+v, want up to 18232: the rig holds nothing older", acks[0])
	}
}

func TestWhatDoesNotFitIsHeldWithItsReason(t *testing.T) {
	at := day("2026-05-04 06:00")
	for _, tc := range []struct {
		name    string
		arrival events.Arrival
		reason  string
		says    string
	}{
		{"an unknown rig", reading("X99", "1:9", at, "pump", 1.0, "HUR"), fleet.WhyUnknownRig, "X99"},
		{"an unknown meter", reading("T01", "1:9", at, "wheel", 1.0, "HUR"), fleet.WhyUnknownMeter, "/data/counters/0/meter"},
		{"a unit of another quantity", reading("T01", "1:9", at, "pump", 1.0, "H18"), fleet.WhyBadUnit, "/data/counters/0"},
		{"a time 11 minutes ahead", reading("T01", "1:9", day("2026-05-04 08:11"), "pump", 11.0, "HUR"), fleet.WhyFuture, "/time"},
		{"a counter that falls", reading("T01", "1:9", at.Add(time.Hour), "pump", 9.0, "HUR"), fleet.WhyFalls, "backwards"},
		{"more than an hour in an hour", reading("T01", "1:9", at.Add(time.Hour), "pump", 11.2, "HUR"), fleet.WhyTooFast, "gains more"},
		{"more area than width times speed", reading("T01", "1:9", at.Add(time.Hour), "area", 73.0, "H18"), fleet.WhyTooFast, "gains more"},
		{"another value for a known time", reading("T01", "1:9", at, "pump", 10.02, "HUR"), fleet.WhyClash, "same time"},
		{"more than a new rig can have run", reading("T02", "1:9", at, "pump", 200.0, "HUR"), fleet.WhyTooFast, "gains more"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			b := newBench(t)
			b.must(trailed("T01"))
			b.must(trailed("T02"))
			b.take(reading("T01", "1:1", at, "pump", 10.0, "HUR", "area", 0.0, "H18"))
			o, acks := b.take(tc.arrival, tc.arrival) // the second time it is known
			if len(o[0].Quarantined) != 1 || o[0].Reason != tc.reason || !strings.Contains(o[0].Detail, tc.says) {
				t.Fatalf("outcome %+v, want held for %q saying %q", o[0], tc.reason, tc.says)
			}
			if !o[1].Repeat {
				t.Errorf("the same message again: %+v, want a repeat", o[1])
			}
			if got := b.total("T01", "pump"); got != 10 {
				t.Errorf("pump total %v, want 10: nothing was applied", got)
			}
			if tc.arrival.Rig == "T01" && (len(acks) != 1 || len(acks[0].Have) != 1) {
				t.Errorf("acks %+v: a held event is durable too and must be acked", acks)
			}
		})
	}
}

func TestASwapReleasesWhatWasHeldForIt(t *testing.T) {
	b := newBench(t)
	b.must(trailed("T01"))
	at := day("2026-05-04 01:00")
	b.take(reading("T01", "1:1", at, "pump", 50.0, "HUR"))
	o, _ := b.take(reading("T01", "2:1", at.Add(2*time.Hour), "pump", 1.0, "HUR"),
		reading("T01", "2:2", at.Add(3*time.Hour), "pump", 2.0, "HUR"))
	id := o[0].Quarantined[0]
	b.refused(&fleet.Release{Quarantine: id, How: "swap"}, fleet.Invalid) // a reason is needed
	b.must(&fleet.Release{Quarantine: id, How: fleet.ReleaseSwap, Reason: "new display", Last: ptr(50.5)})
	if err := b.Reconsider(context.Background(), "T01"); err != nil {
		t.Fatal(err)
	}
	if got := b.total("T01", "pump"); got != 52.5 {
		t.Errorf("total %v h, want 50.5 on the old counter and 2 on the new", got)
	}
	b.View(func(s *fleet.State) {
		for _, h := range s.Held {
			if h.Outcome == "" {
				t.Errorf("%s is still held", h.Quarantine)
			}
		}
	})
	b.refused(&fleet.Dismiss{Quarantine: id, Reason: "again"}, fleet.Conflict)
}

func TestACorrectedReadingMustFitToo(t *testing.T) {
	b := newBench(t)
	b.must(trailed("T01"))
	at := day("2026-05-04 01:00")
	b.take(reading("T01", "1:1", at, "pump", 10.0, "HUR"))
	o, _ := b.take(reading("T01", "1:2", at.Add(2*time.Hour), "pump", 110.0, "HUR"))
	id := o[0].Quarantined[0]
	err := b.refused(&fleet.Release{Quarantine: id, How: "corrected", Reason: "typed wrong", Values: map[string]float64{"pump": 5}}, fleet.Invalid)
	if err.Fields[0].Field != "/values/pump" {
		t.Errorf("field %q, want /values/pump", err.Fields[0].Field)
	}
	b.must(&fleet.Release{Quarantine: id, How: "corrected", Reason: "typed wrong", Values: map[string]float64{"pump": 11}})
	if got := b.total("T01", "pump"); got != 11 {
		t.Errorf("total %v, want 11", got)
	}
}

func TestACounterThatCouldNotBeReadIsNotReleasedAsNothing(t *testing.T) {
	b := newBench(t)
	b.must(trailed("T01"))
	at := day("2026-05-04 01:00")
	o, _ := b.take(reading("T01", "1:1", at, "pump", 5.0, "H18"), reading("T01", "1:2", at, "volume", 700.0, "LTR"))
	b.refused(&fleet.Release{Quarantine: o[0].Quarantined[0], How: "as_is", Reason: "it is right"}, fleet.Conflict)
	b.must(&fleet.Release{Quarantine: o[0].Quarantined[0], How: "corrected", Reason: "hours were meant", Values: map[string]float64{"pump": 5}})
	if got := b.total("T01", "pump"); got != 5 {
		t.Errorf("pump %v h, want 5", got)
	}
	b.refused(&fleet.Release{Quarantine: o[1].Quarantined[0], How: "as_is", Reason: "it is right"}, fleet.Conflict)
	b.must(&fleet.AddMeter{Rig: "T01", StartMeter: fleet.StartMeter{Meter: "volume", Quantity: "volume"}})
	b.must(&fleet.Release{Quarantine: o[1].Quarantined[0], How: "as_is", Reason: "the meter is known now"})
	if got := b.total("T01", "volume"); got != 700 {
		t.Errorf("volume %v l, want 700", got)
	}
}

func TestACounterOfKnownDigitsRollsOver(t *testing.T) {
	b := newBench(t)
	r := trailed("T01")
	r.Meters[0].Value, r.Meters[0].RollsAt = 998, 1000
	b.must(r)
	at := day("2026-05-04 01:00")
	o, _ := b.take(reading("T01", "1:1", at, "pump", 999.5, "HUR"),
		reading("T01", "1:2", at.Add(2*time.Hour), "pump", 1.0, "HUR"),
		reading("T01", "1:3", at.Add(3*time.Hour), "pump", 2.0, "HUR"))
	if got := b.total("T01", "pump"); got != 1002 {
		t.Errorf("total %v h (%+v), want 1002", got, o)
	}
	b.View(func(s *fleet.State) {
		if s.FactCounts["meter.swapped"] != 1 {
			t.Errorf("swaps on record: %d, want the one that was concluded", s.FactCounts["meter.swapped"])
		}
	})
}

func TestFinishingStartsTheNextCycle(t *testing.T) {
	b := newBench(t)
	b.must(trailed("T01"))
	const part = "T01-filter-suction"
	task := firstTask(t, b, "T01", part)
	at := day("2026-05-02 00:00")
	b.take(reading("T01", "1:1", at, "pump", 8.0, "HUR", "area", 0.0, "H18"))
	limit, _ := task.Every.Amounts.Get(plan.Hours)
	b.take(reading("T01", "1:2", at.Add(9*time.Hour), "pump", float64(limit)/3600+0.5, "HUR"))
	if b.raise() == 0 {
		t.Fatal("nothing was raised past the interval")
	}
	if n := b.raise(); n != 0 {
		t.Errorf("raising twice raised %d more", n)
	}
	line, _ := b.line("T01", part, task.Slug)
	if line.Item != fleet.ItemID(part, task.Slug, 1) {
		t.Fatalf("open item %q of %+v", line.Item, line.Due)
	}
	if line.Due.Status.Rank() < plan.IsDue.Rank() {
		t.Errorf("status %s, want due or worse", line.Due.Status)
	}
	b.must(&fleet.BookItem{Item: line.Item, Date: "2026-05-05"})
	b.must(&fleet.StartItem{Item: line.Item, By: "Ana", Cautioned: true})
	b.must(&fleet.FinishItem{Item: line.Item, By: "Ana", Minutes: 20, Parts: []fleet.PartTaken{{SKU: "gasket", Count: 1}}})
	line, _ = b.line("T01", part, task.Slug)
	if line.Cycle != 2 || line.Item != "" || line.Due.Status != plan.OK {
		t.Errorf("after finishing: cycle %d item %q status %s, want a fresh second cycle", line.Cycle, line.Item, line.Due.Status)
	}
	b.refused(&fleet.FinishItem{Item: fleet.ItemID(part, task.Slug, 1), By: "Ana"}, fleet.Conflict)
}

func TestAServiceEnteredLateCountsFromWhenItWasDone(t *testing.T) {
	b := newBench(t)
	b.must(trailed("T01"))
	const part = "T01-filter-suction"
	task := firstTask(t, b, "T01", part)
	b.clock.set(day("2026-05-30 08:00"))
	for i, hours := range []float64{0, 10, 20, 30} {
		b.take(reading("T01", "1:"+string(rune('1'+i)), day("2026-05-02").AddDate(0, 0, 7*i), "pump", hours, "HUR"))
	}
	b.raise()
	line, _ := b.line("T01", part, task.Slug)
	done := day("2026-05-09") // three weeks ago, at 10 h
	b.must(&fleet.FinishItem{Item: line.Item, By: "Ana", At: &done})
	line, _ = b.line("T01", part, task.Slug)
	limit, _ := task.Every.Amounts.Get(plan.Hours)
	due, _ := line.Due.At.Get(plan.Hours)
	if due != 10*3600+limit {
		t.Errorf("next due at %d s, want counting from the 10 h at which it was done", due)
	}
}

func firstTask(t *testing.T, b *bench, rig, part string) *plan.Task {
	t.Helper()
	var task *plan.Task
	b.View(func(s *fleet.State) {
		for _, candidate := range s.PlanOf(s.Rigs[rig].Plan).TasksFor(s.Parts[part].Kind) {
			if candidate.Every.Amounts.Has(plan.Hours) {
				task = candidate
				return
			}
		}
	})
	if task == nil {
		t.Fatalf("the house plan has no hourly task for %s", part)
	}
	return task
}

func TestSafetyTasksAreNotPutOff(t *testing.T) {
	b := newBench(t)
	b.clock.set(day("2025-04-01 08:00"))
	b.must(trailed("T01"))
	b.clock.set(day("2026-05-04 08:00"))
	b.raise()
	var binding, routine fleet.DueLine
	b.View(func(s *fleet.State) {
		for _, l := range b.DueOf(s, s.Rigs["T01"], b.clock.now()) {
			if l.Item == "" || l.Due.Date.IsZero() {
				continue
			}
			if l.Task.Weight.Binding() && l.Due.Status == plan.Overdue {
				binding = l
			} else if l.Task.Weight == plan.Routine {
				routine = l
			}
		}
		if got := b.FitnessOf(s, s.Rigs["T01"], b.clock.now()); got.State != fleet.DoNotUse {
			t.Errorf("fitness %q with a safety task overdue, want %q", got.State, fleet.DoNotUse)
		}
	})
	if binding.Item == "" || routine.Item == "" {
		t.Fatalf("the house plan gives no overdue safety task (%q) or routine one (%q)", binding.Item, routine.Item)
	}
	b.refused(&fleet.DeferItem{Item: binding.Item, Reason: "busy", Until: "2026-06-01"}, fleet.Forbidden)
	b.refused(&fleet.StrikeItem{Item: binding.Item, Reason: "busy"}, fleet.Forbidden)
	b.refused(&fleet.DeferItem{Item: routine.Item, Until: "2026-06-01"}, fleet.Invalid)
	b.must(&fleet.DeferItem{Item: routine.Item, Reason: "kit comes on Friday", Until: "2026-06-01"})
	after, _ := b.line("T01", routine.Part.Part, routine.Task.Slug)
	if after.Due.Status != plan.Soon || after.Due.Date.String() != "2026-06-01" {
		t.Errorf("after deferral: %s until %s, want soon until 2026-06-01", after.Due.Status, after.Due.Date)
	}
}

func TestARigThatWasLongAtWorkComesInFit(t *testing.T) {
	b := newBench(t)
	r := trailed("T01")
	r.FirstUse = "2025-03-01" // fourteen months ago
	b.must(r)
	b.take(reading("T01", "1:1", day("2026-05-04 06:00"), "pump", 12.5, "HUR", "area", 88.4, "H18"))
	b.View(func(s *fleet.State) {
		if got := b.FitnessOf(s, s.Rigs["T01"], b.clock.now()); got.State == fleet.DoNotUse {
			t.Errorf("fitness %q because %+v: nothing is known against it", got.State, got.Reasons)
		}
	})
	inspection, _ := b.line("T01", "T01", "statutory-inspection")
	if got := inspection.Due.Date.String(); got != "2028-03-01" {
		t.Errorf("statutory inspection due %s, want three years after first use", got)
	}
}

func TestAPumpTakesItsHoursAlong(t *testing.T) {
	b := newBench(t)
	b.must(trailed("T01"))
	b.must(trailed("T02"))
	b.clock.set(day("2026-05-20 08:00"))
	b.take(reading("T01", "1:1", day("2026-05-05"), "pump", 40.0, "HUR"))
	moved := day("2026-05-05")
	b.must(&fleet.RemovePart{Rig: "T01", Part: "T01-pump", Reason: "to T02", At: &moved})
	b.refused(&fleet.FitPart{Rig: "T02", Part: "T01-pump", Position: "pump"}, fleet.Conflict) // the place is taken
	b.must(&fleet.RemovePart{Rig: "T02", Part: "T02-pump", Reason: "burst diaphragm", Scrapped: true, At: &moved})
	b.must(&fleet.FitPart{Rig: "T02", Part: "T01-pump", Position: "pump", At: &moved})
	b.take(reading("T02", "1:1", moved, "pump", 7.0, "HUR"), reading("T02", "1:2", day("2026-05-08"), "pump", 17.0, "HUR"),
		reading("T01", "1:2", day("2026-05-09"), "pump", 60.0, "HUR"))
	b.View(func(s *fleet.State) {
		if got, _ := s.PartUsage(s.Parts["T01-pump"], "hours", math.MaxInt64>>2); got != 50*3600 {
			t.Errorf("the pump has %v h, want 40 on T01 and 10 on T02", float64(got)/3600)
		}
		if got, _ := s.PartUsage(s.Parts["T02-pump"], "hours", math.MaxInt64>>2); got != 7*3600 {
			t.Errorf("the scrapped pump has %v h, want its 7", float64(got)/3600)
		}
	})
}

func TestEveryBadFieldIsNamedAtOnce(t *testing.T) {
	b := newBench(t)
	err := b.refused(&fleet.RegisterRig{Rig: "a b", Class: "flying", Yard: "", WidthM: math.NaN(), TankL: -1, FirstUse: "soon",
		Meters: []fleet.StartMeter{{Meter: "pump", Quantity: "time"}, {Meter: "pump", Quantity: "hours", Value: -3}}}, fleet.Invalid)
	var fields []string
	for _, f := range err.Fields {
		fields = append(fields, f.Field)
	}
	want := "/rig /name /yard /class /width_m /tank_l /first_use /meters/0/quantity /meters/1/meter /meters/1/value"
	if got := strings.Join(fields, " "); got != want {
		t.Errorf("fields\n%s\nwant\n%s", got, want)
	}
}

func TestAnIdempotencyKeyCarriesOutOnce(t *testing.T) {
	b := newBench(t)
	keep := &events.RequestKept{Key: "k1", Print: "p1", Status: 201}
	if _, err := b.Do(context.Background(), "tester", trailed("T01"), keep); err != nil {
		t.Fatal(err)
	}
	_, err := b.Do(context.Background(), "tester", trailed("T01"), keep)
	var again *fleet.Replayed
	if !errors.As(err, &again) || again.Request.Ref != "T01" || again.Request.Status != 201 {
		t.Errorf("the same request again: %v, want it replayed", err)
	}
	_, err = b.Do(context.Background(), "tester", trailed("T02"), &events.RequestKept{Key: "k1", Print: "p2", Status: 201})
	if fleet.CodeOf(err) != fleet.KeyReused {
		t.Errorf("another request under the key: %v, want %s", err, fleet.KeyReused)
	}
}

func TestTwoFleetsOnOneLedgerAgree(t *testing.T) {
	path := filepath.Join(t.TempDir(), "ledger.db")
	a, b := openBench(t, openSQLite(t, path)), openBench(t, openSQLite(t, path))
	var wg sync.WaitGroup
	for i, side := range []*bench{a, b} {
		wg.Go(func() {
			for n := range 40 {
				rig := string(rune('A'+i)) + string(rune('a'+n%26)) + string(rune('a'+n/26))
				if _, err := side.Do(context.Background(), "tester", trailed(rig), nil); err != nil {
					t.Error(err)
				}
				// Both sides race for the same rig: exactly one may win.
				_, err := side.Do(context.Background(), "tester", trailed("X"+string(rune('a'+n%26))+string(rune('a'+n/26))), nil)
				if err != nil && fleet.CodeOf(err) != fleet.Conflict {
					t.Error(err)
				}
			}
		})
	}
	wg.Wait()
	ctx, cancel := context.WithTimeout(context.Background(), 5*time.Second)
	defer cancel()
	head := max(a.Head().N, b.Head().N)
	for _, side := range []*bench{a, b} {
		if err := side.WaitFor(ctx, head); err != nil {
			t.Fatal(err)
		}
		side.View(func(s *fleet.State) {
			if len(s.Rigs) != 120 || s.FactCounts["rig.registered"] != 120 {
				t.Errorf("%d rigs from %d facts, want 120", len(s.Rigs), s.FactCounts["rig.registered"])
			}
		})
	}
	if a.Head() != b.Head() {
		t.Errorf("heads differ: %+v, %+v", a.Head(), b.Head())
	}
	t.Logf("conflicts seen: %d and %d", a.Conflicts(), b.Conflicts())
}

func TestTokensLetInAndOut(t *testing.T) {
	b := newBench(t)
	cmd, text := fleet.NewToken("Workshop tablet", fleet.RoleWorkshop)
	cmd.Yards = []string{"north"}
	b.must(cmd)
	h, ok := b.HolderOf(text)
	if !ok || h.Role != fleet.RoleWorkshop || !h.MaySee("north") || h.MaySee("south") {
		t.Errorf("holder %+v %v", h, ok)
	}
	if _, ok := b.HolderOf(text[:len(text)-1] + "x"); ok {
		t.Error("a wrong secret was let in")
	}
	b.must(&fleet.RevokeToken{Token: cmd.ID()})
	if _, ok := b.HolderOf(text); ok {
		t.Error("a revoked token was let in")
	}
}

func ptr[T any](v T) *T { return &v }
