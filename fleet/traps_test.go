package fleet_test

import (
	"fmt"
	"math"
	"testing"
	"time"

	"pgregory.net/rapid"

	"rigledger/fleet"
	"rigledger/fleet/plan"
)

// onePlan is a plan of one task, so that a trap shows without others in the way.
func onePlan(name, task string) string {
	return fmt.Sprintf("plan: %s\nversion: 1\ntitle: One task\nclasses: [trailed]\nnotice: The handbook comes first.\ntasks:\n  - task: look\n    title: Look at it\n    part: diaphragm-pump\n%s    source: common practice\n", name, task)
}

// under registers T01 under such a plan on a day and gives the bench.
func under(t *testing.T, registered, task string) *bench {
	t.Helper()
	b := newBench(t)
	b.clock.set(day(registered))
	b.must(&fleet.PublishPlan{Text: onePlan("trap", task)})
	r := trailed("T01")
	r.Plan, r.FirstUse = "trap", ""
	b.must(r)
	return b
}

func TestCalendarTraps(t *testing.T) {
	for _, tc := range []struct{ name, registered, task, due string }{
		{"twelve months from 29 February end on 28 February", "2024-02-29 08:00", "    every: {months: 12}\n", "2025-02-28"},
		{"forty-eight months from 29 February end on 29 February", "2024-02-29 08:00", "    every: {months: 48}\n", "2028-02-29"},
		{"one month from 31 January ends in February", "2026-01-31 08:00", "    every: {months: 1}\n", "2026-02-28"},
		{"three months from 31 August end on 30 November", "2026-08-31 08:00", "    every: {months: 3}\n", "2026-11-30"},
		{"days run over a leap day", "2028-02-28 08:00", "    every: {days: 2}\n", "2028-03-01"},
		{"of two triggers on the calendar the earlier counts", "2026-01-01 08:00", "    every: {months: 1, days: 31}\n", "2026-02-01"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			b := under(t, tc.registered, tc.task)
			line, _ := b.line("T01", "T01-pump", "look")
			if got := line.Due.Date.String(); got != tc.due {
				t.Errorf("due %s, want %s", got, tc.due)
			}
			due := day(tc.due)
			for _, step := range []struct {
				offset int
				status plan.Status
			}{{0, plan.IsDue}, {-1, plan.Soon}} {
				b.clock.set(due.AddDate(0, 0, step.offset).Add(12 * time.Hour))
				if line, _ := b.line("T01", "T01-pump", "look"); line.Due.Status != step.status && !(step.offset < 0 && line.Due.Status == plan.OK) {
					t.Errorf("%d days off its day: %s, want %s", step.offset, line.Due.Status, step.status)
				}
			}
		})
	}
}

func TestTheFleetsZoneDecidesWhichDayItIs(t *testing.T) {
	berlin, err := time.LoadLocation("Europe/Berlin")
	if err != nil {
		t.Fatal(err)
	}
	store := openSQLite(t, t.TempDir()+"/ledger.db")
	c := &clock{t: time.Date(2026, 3, 28, 23, 30, 0, 0, time.UTC)} // 00:30 on the 29th in Berlin, the night the clocks change
	f, err := fleet.Open(t.Context(), fleet.Options{Store: store, Zone: berlin, Now: c.now})
	if err != nil {
		t.Fatal(err)
	}
	b := &bench{Fleet: f, t: t, store: store, clock: c}
	t.Cleanup(f.Close)
	b.must(&fleet.PublishPlan{Text: onePlan("trap", "    every: {days: 7}\n    grace: {days: 0}\n")})
	r := trailed("T01")
	r.Plan, r.FirstUse = "trap", ""
	b.must(r)
	status := func(at time.Time) plan.Status {
		c.set(at)
		line, _ := b.line("T01", "T01-pump", "look")
		return line.Due.Status
	}
	// Registered on 29 March in Berlin, so due on 5 April there, which begins at 22:00 UTC the day before.
	if got := status(time.Date(2026, 4, 4, 21, 59, 0, 0, time.UTC)); got == plan.IsDue {
		t.Errorf("a minute before midnight in Berlin: %s", got)
	}
	if got := status(time.Date(2026, 4, 4, 22, 0, 0, 0, time.UTC)); got != plan.IsDue {
		t.Errorf("at midnight in Berlin: %s, want due", got)
	}
	if got := status(time.Date(2026, 4, 5, 22, 0, 0, 0, time.UTC)); got != plan.Overdue {
		t.Errorf("at the next midnight in Berlin: %s, want overdue", got)
	}
}

func TestASwapOnTheDayOfAServiceCountsOnBothSides(t *testing.T) {
	b := under(t, "2026-05-01 08:00", "    every: {hours: 10}\n")
	b.clock.set(day("2026-05-20 08:00"))
	noon := day("2026-05-10 12:00")
	b.take(reading("T01", "1:1", day("2026-05-09 06:00"), "pump", 9.0, "HUR"), reading("T01", "1:2", noon.Add(-2*time.Hour), "pump", 11.0, "HUR"))
	b.must(&fleet.SwapMeter{Rig: "T01", Meter: "pump", At: ptr(noon), Last: ptr(12.0), Reason: "new display"})
	b.take(reading("T01", "2:1", noon.Add(4*time.Hour), "pump", 3.0, "HUR")) // 12 + 3 = 15 in all
	b.raise()
	done := noon.Add(2 * time.Hour) // half-way: 12 + 1.5 = 13.5
	line, _ := b.line("T01", "T01-pump", "look")
	b.must(&fleet.FinishItem{Item: line.Item, By: "Ana", At: &done})
	line, _ = b.line("T01", "T01-pump", "look")
	if at, _ := line.Due.At.Get(plan.Hours); at != 23.5*3600 {
		t.Errorf("next due at %v h of the pump, want 13.5 + 10", float64(at)/3600)
	}
	if left, _ := line.Due.Remaining.Get(plan.Hours); left != 8.5*3600 {
		t.Errorf("%v h left, want 8.5 of the 15 the pump has", float64(left)/3600)
	}
}

func TestOfTwoTriggersReachedOnOneDayEitherRaisesOneItem(t *testing.T) {
	b := under(t, "2026-05-01 08:00", "    every: {hours: 10, hectares: 100, days: 9}\n")
	b.clock.set(day("2026-05-10 20:00"))
	b.take(reading("T01", "1:1", day("2026-05-10 18:00"), "pump", 10.0, "HUR", "area", 100.0, "H18"))
	if n := b.raise(); n != 1 {
		t.Errorf("%d items raised, want one for all three triggers", n)
	}
	line, _ := b.line("T01", "T01-pump", "look")
	if line.Due.Status != plan.IsDue {
		t.Errorf("%s at all three limits, want due", line.Due.Status)
	}
	b.must(&fleet.FinishItem{Item: line.Item, By: "Ana"})
	if n := b.raise(); n != 0 {
		t.Errorf("%d items raised after it was done", n)
	}
}

func TestALargerTaskEndsTheSmallerOnesItem(t *testing.T) {
	b := newBench(t)
	b.clock.set(day("2024-05-01 08:00"))
	b.must(trailed("T01"))
	b.clock.set(day("2025-05-20 08:00")) // past twelve months: oil and diaphragms are both due
	b.raise()
	oil, _ := b.line("T01", "T01-pump", "pump-oil")
	diaphragms, _ := b.line("T01", "T01-pump", "pump-diaphragms")
	if oil.Item == "" || diaphragms.Item == "" {
		t.Fatalf("items %q and %q, want both raised", oil.Item, diaphragms.Item)
	}
	b.must(&fleet.FinishItem{Item: diaphragms.Item, By: "Ana"})
	oil, _ = b.line("T01", "T01-pump", "pump-oil")
	if oil.Item != "" || oil.Cycle != 2 || oil.Due.Status != plan.OK {
		t.Errorf("oil after the diaphragms: item %q, cycle %d, %s; the larger task includes it", oil.Item, oil.Cycle, oil.Due.Status)
	}
}

func TestAChangedPlanLeavesOpenItemsToTheVersionThatRaisedThem(t *testing.T) {
	b := under(t, "2026-05-01 08:00", "    every: {hours: 10}\n")
	b.take(reading("T01", "1:1", day("2026-05-01 08:00").Add(-time.Hour), "pump", 9.5, "HUR"))
	b.raise()
	line, _ := b.line("T01", "T01-pump", "look")
	second := onePlan("trap", "    every: {hours: 50}\n")
	b.refused(&fleet.PublishPlan{Text: second + "# the version was forgotten\n"}, fleet.Invalid)
	second = second[:len("plan: trap\n")] + "version: 2\n" + second[len("plan: trap\nversion: 1\n"):]
	b.must(&fleet.PublishPlan{Text: second})
	b.must(&fleet.AdoptPlan{Rig: "T01", Plan: "trap"})
	after, _ := b.line("T01", "T01-pump", "look")
	if at, _ := after.Due.At.Get(plan.Hours); after.Item != line.Item || after.Plan.Version != 1 || at != 10*3600 {
		t.Errorf("open item %q under version %d due at %d s; want %q under version 1 at 10 h", after.Item, after.Plan.Version, at, line.Item)
	}
	b.must(&fleet.FinishItem{Item: line.Item, By: "Ana"})
	after, _ = b.line("T01", "T01-pump", "look")
	if at, _ := after.Due.At.Get(plan.Hours); after.Plan.Version != 2 || at != 9.5*3600+50*3600 {
		t.Errorf("next cycle under version %d due at %d s; want version 2 and 50 h on", after.Plan.Version, at)
	}
}

// TestPartHoursOverAllRigsAddUp moves a pump between rigs at random: what the
// pump did is what its rigs did while it was on them.
func TestPartHoursOverAllRigsAddUp(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		b := newBench(t)
		b.clock.set(day("2026-04-01"))
		rigs := []string{"R1", "R2", "R3"}
		hours, seq := map[string]float64{}, map[string]int{}
		for _, r := range rigs {
			b.must(trailed(r))
			b.must(&fleet.RemovePart{Rig: r, Part: r + "-pump", Reason: "all start bare"})
		}
		read := func(rig string, at time.Time) {
			seq[rig]++
			b.take(reading(rig, fmt.Sprintf("1:%d", seq[rig]), at, "pump", hours[rig], "HUR"))
		}
		at := day("2026-04-01 01:00")
		on, want := "", 0.0
		for _, r := range rigs {
			b.clock.set(at)
			read(r, at)
		}
		first := true
		for range rapid.IntRange(1, 15).Draw(rt, "moves") {
			to := rapid.SampledFrom(rigs).Draw(rt, "to")
			b.clock.set(at)
			if on != "" {
				b.must(&fleet.RemovePart{Rig: on, Part: "P1", Reason: "moved", At: ptr(at)})
			}
			fit := &fleet.FitPart{Rig: to, Part: "P1", Position: "pump", At: ptr(at)}
			if first {
				fit.Kind = "diaphragm-pump"
			}
			first = false
			b.must(fit)
			on = to
			at = at.Add(24 * time.Hour)
			b.clock.set(at)
			for _, r := range rigs {
				worked := math.Round(rapid.Float64Range(0, 20).Draw(rt, "hours")*100) / 100
				hours[r] += worked
				if r == on {
					want += worked
				}
				read(r, at)
			}
		}
		b.View(func(s *fleet.State) {
			got, _ := s.PartUsage(s.Parts["P1"], "hours", 1<<60)
			if math.Abs(float64(got)/3600-want) > 0.01 {
				rt.Errorf("the pump has %.2f h, its rigs did %.2f h with it", float64(got)/3600, want)
			}
		})
		b.Close()
	})
}
