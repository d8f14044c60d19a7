package fleet_test

import (
	"context"
	"slices"
	"sort"
	"strings"
	"testing"

	"rigledger/events"
	"rigledger/fleet"
	"rigledger/fleet/plan"
)

// worked is a rig with 12 h on its pump and its first items raised.
func worked(t *testing.T) *bench {
	b := newBench(t)
	b.must(trailed("T01"))
	b.clock.set(day("2026-05-06 08:00"))
	b.take(reading("T01", "1:1", day("2026-05-06 07:00"), "pump", 12.0, "HUR", "area", 60.0, "H18"))
	if b.raise() == 0 {
		t.Fatal("nothing was raised")
	}
	return b
}

const suction = "T01-filter-suction.suction-filter.1"

func stage(b *bench, item string) (stage fleet.Stage, step string) {
	b.View(func(s *fleet.State) { stage, step = s.Items[item].Stage, s.Items[item].Step() })
	return stage, step
}

func TestTheStepsOfAnItemAreTakenBackOneByOne(t *testing.T) {
	b := worked(t)
	back := func(step string) { b.must(&fleet.ReturnItem{Item: suction, Step: step, Reason: "wrong rig"}) }
	at := func(want fleet.Stage) {
		t.Helper()
		if got, _ := stage(b, suction); got != want {
			t.Fatalf("the item is %s, want %s", got, want)
		}
	}
	if e := b.refused(&fleet.ReturnItem{Item: suction, Step: fleet.StepBooked, Reason: "x"}, fleet.Conflict); !strings.Contains(e.Error(), "no step to take back") {
		t.Error(e)
	}
	b.must(&fleet.BookItem{Item: suction, Date: "2026-05-07", For: "Ana"})
	b.must(&fleet.StartItem{Item: suction, By: "Ana", Cautioned: true})
	b.must(&fleet.FinishItem{Item: suction, By: "Ana", Findings: "clean"})
	b.refused(&fleet.ReturnItem{Item: suction, Step: fleet.StepBooked, Reason: "x"}, fleet.Conflict) // it is done, not booked
	b.refused(&fleet.ReturnItem{Item: suction, Step: "finished", Reason: "x"}, fleet.Invalid)
	b.refused(&fleet.ReturnItem{Item: suction, Step: fleet.StepDone}, fleet.Invalid) // no reason
	b.refused(&fleet.ReturnItem{Item: "T01.nothing.1", Step: fleet.StepDone, Reason: "x"}, fleet.NotFound)
	back(fleet.StepDone)
	at(fleet.InHand)
	if line, _ := b.line("T01", "T01-filter-suction", "suction-filter"); line.Item != suction || line.Cycle != 1 {
		t.Errorf("the task stands at %q, cycle %d", line.Item, line.Cycle)
	}
	back(fleet.StepInHand)
	at(fleet.Booked)
	back(fleet.StepBooked)
	at(fleet.Raised)
	b.must(&fleet.DeferItem{Item: suction, Reason: "rain", Limits: map[string]float64{"hours": 15}})
	back(fleet.StepDeferred)
	b.View(func(s *fleet.State) {
		if it := s.Items[suction]; it.Deferral != nil || it.BookedOn != "" || it.Worker != "" || it.Finish != nil {
			t.Errorf("traces are left: %+v", it)
		}
	})
	// And forward again, as if nothing had been.
	b.must(&fleet.FinishItem{Item: suction, By: "Ana"})
	at(fleet.Done)
}

// A step taken back leaves what was before it, also where that was a step of the same kind.
func TestAnItemIsAsItWasBeforeTheStepThatIsTakenBack(t *testing.T) {
	b := worked(t)
	back := func(step string) {
		t.Helper()
		if _, last := stage(b, suction); last != step {
			t.Fatalf("the last step is %q, want %q", last, step)
		}
		b.must(&fleet.ReturnItem{Item: suction, Step: step, Reason: "mistyped"})
	}
	is := func(want string) {
		t.Helper()
		b.View(func(s *fleet.State) {
			it := s.Items[suction]
			got := string(it.Stage) + " " + it.BookedOn + " " + it.BookedFor + " " + it.Worker
			if it.Deferral != nil {
				got += " for " + it.Deferral.Reason + " by " + it.DeferBy
			}
			if got != want {
				t.Errorf("the item is %q, want %q", got, want)
			}
		})
	}
	b.must(&fleet.BookItem{Item: suction, Date: "2026-05-08", For: "Ana"})
	b.must(&fleet.DeferItem{Item: suction, Reason: "rain", Limits: map[string]float64{"hours": 15}})
	b.must(&fleet.BookItem{Item: suction, Date: "2026-05-09", For: "Ben"})
	b.must(&fleet.DeferItem{Item: suction, Reason: "more rain", Limits: map[string]float64{"hours": 18}})
	b.must(&fleet.StartItem{Item: suction, By: "Cem", Cautioned: true})
	b.must(&fleet.FinishItem{Item: suction, By: "Cem"})
	is("done 2026-05-09 Ben Cem for more rain by tester")
	back(fleet.StepDone)
	is("in-hand 2026-05-09 Ben Cem for more rain by tester")
	back(fleet.StepInHand)
	is("booked 2026-05-09 Ben  for more rain by tester")
	back(fleet.StepDeferred)
	is("booked 2026-05-09 Ben  for rain by tester")
	back(fleet.StepBooked)
	is("booked 2026-05-08 Ana  for rain by tester")
	b.must(&fleet.FinishItem{Item: suction, By: "Ana"})
	back(fleet.StepDone)
	is("booked 2026-05-08 Ana  for rain by tester")
	b.sameAfterReopening()
	back(fleet.StepDeferred)
	back(fleet.StepBooked)
	is("raised   ")
}

func TestTheDeferralBeforeTheOneTakenBackHoldsAlsoInThePast(t *testing.T) {
	const brakes = "T01-brakes.brake-stroke.1"
	b := worked(t)
	b.must(&fleet.DeferItem{Item: brakes, Reason: "rain", Limits: map[string]float64{"hours": 45}})
	b.must(&fleet.DeferItem{Item: brakes, Reason: "more rain", Limits: map[string]float64{"hours": 37}})
	b.clock.set(day("2026-05-09 08:00"))
	b.take(reading("T01", "1:2", day("2026-05-08 23:00"), "pump", 38.0, "HUR", "area", 190.0, "H18"))
	texts := func(fit fleet.Fitness) (all []string) {
		for _, r := range fit.Reasons {
			all = append(all, r.Text)
		}
		sort.Strings(all)
		return all
	}
	now := func() (all []string) {
		b.View(func(s *fleet.State) { all = texts(b.FitnessOf(s, s.Rigs["T01"], b.clock.now())) })
		return all
	}
	before := now()
	b.must(&fleet.ReturnItem{Item: brakes, Step: fleet.StepDeferred, Reason: "mistyped"})
	then := b.clock.now()
	after := now()
	if slices.Equal(before, after) {
		t.Fatalf("with the limit of 45 h the rig stands as with that of 37 h: %q", after)
	}
	b.clock.set(day("2026-05-09 12:00"))
	b.View(func(s *fleet.State) {
		if past := texts(s.FitnessAt(s.Rigs["T01"], then, b.clock.now())); !slices.Equal(past, after) {
			t.Errorf("it was %q, and looks to have been %q", after, past)
		}
	})
}

// Whoever sends a reading names its event as he likes.
func TestAReadingOfAnotherRigIsNotTakenForTheOneOfAJobsEnd(t *testing.T) {
	b := worked(t)
	b.must(trailed("T02"))
	at := b.clock.now()
	c, err := events.Seal(b.Head(), at, []events.Entry{
		{At: at, By: "rig:T02", Fact: &events.MeterRead{Rig: "T02", Event: "finish:" + suction, Counters: []events.Counter{{Meter: "pump", Value: 3600}}}},
		{At: at, By: "tester", Fact: &events.ItemFinished{Item: suction, Rig: "T01", Worker: "Ana"}},
	})
	if err == nil {
		err = b.store.Append(context.Background(), c)
	}
	if err == nil {
		err = b.WaitFor(context.Background(), c.N)
	}
	if err != nil {
		t.Fatal(err)
	}
	b.View(func(s *fleet.State) {
		if it := s.Items[suction]; it.Stage != fleet.Done || it.Read != nil {
			t.Errorf("the job is %s and keeps %v", it.Stage, it.Read)
		}
	})
}

func TestAnEndFromWhichWasCountedOnStays(t *testing.T) {
	b := worked(t)
	b.must(&fleet.FinishItem{Item: suction, By: "Ana"})
	b.clock.set(day("2026-05-08 08:00"))
	b.take(reading("T01", "1:2", day("2026-05-08 07:00"), "pump", 23.0, "HUR"))
	b.raise()
	e := b.refused(&fleet.ReturnItem{Item: suction, Step: fleet.StepDone, Reason: "x"}, fleet.Conflict)
	if !strings.Contains(e.Error(), "T01-filter-suction.suction-filter.2 has been raised since") {
		t.Error(e)
	}
}

func TestATaskCountsFromItsEndBeforeWhenTheLastIsTakenBack(t *testing.T) {
	b := worked(t)
	b.must(&fleet.FinishItem{Item: suction, By: "Ana"})
	b.clock.set(day("2026-05-08 08:00"))
	b.take(reading("T01", "1:2", day("2026-05-08 07:00"), "pump", 23.0, "HUR"))
	b.raise()
	const second = "T01-filter-suction.suction-filter.2"
	for _, done := range []fleet.Command{&fleet.FinishItem{Item: second, By: "Ana"}, &fleet.StrikeItem{Item: second, Reason: "x"}} {
		before, _ := b.line("T01", "T01-filter-suction", "suction-filter")
		if before.Item != second || before.Due.Remaining.Human(plan.Hours) > 0 {
			t.Fatalf("it stands at %+v", before)
		}
		b.must(done)
		_, step := stage(b, second)
		if between, _ := b.line("T01", "T01-filter-suction", "suction-filter"); between.Due.Remaining.Human(plan.Hours) < 5 {
			t.Fatalf("%s does not count: %+v", step, between.Due)
		}
		b.must(&fleet.ReturnItem{Item: second, Step: step, Reason: "another rig"})
		after, _ := b.line("T01", "T01-filter-suction", "suction-filter")
		if x, y := dueText([]fleet.DueLine{before}), dueText([]fleet.DueLine{after}); x != y {
			t.Errorf("before %s: %s after it was taken back: %s", step, x, y)
		}
	}
	b.View(func(s *fleet.State) {
		if l := s.Parts["T01-filter-suction"].Tasks["suction-filter"]; l.Cycles != 1 || l.Done != 1 || l.Open != second {
			t.Errorf("the task's record is %+v", *l)
		}
	})
}

func TestALargerJobTakenBackOpensWhatItWasDoneWith(t *testing.T) {
	b := newBench(t)
	b.must(trailed("T01"))
	b.clock.set(day("2026-11-20 08:00"))
	b.take(reading("T01", "1:1", day("2026-11-19 07:00"), "pump", 240.0, "HUR", "area", 1500.0, "H18"))
	b.raise()
	var larger, small string
	b.View(func(s *fleet.State) {
		for _, id := range s.Rigs["T01"].Open {
			it := s.Items[id]
			p := s.PlanOf(fleet.PlanRef{Plan: it.Plan, Version: it.Version})
			for _, slug := range p.ResetBy(it.Task) {
				for _, other := range s.Rigs["T01"].Open {
					if s.Items[other].Task == slug {
						larger, small = id, other
					}
				}
			}
		}
	})
	if larger == "" {
		t.Fatal("no open item includes another")
	}
	b.must(&fleet.BookItem{Item: small, Date: "2026-11-21"})
	b.must(&fleet.FinishItem{Item: larger, By: "Ana"})
	if e := b.refused(&fleet.ReturnItem{Item: small, Step: fleet.StepDone, Reason: "x"}, fleet.Conflict); !strings.Contains(e.Error(), "was done with "+larger) {
		t.Error(e)
	}
	b.must(&fleet.ReturnItem{Item: larger, Step: fleet.StepDone, Reason: "another rig"})
	if got, _ := stage(b, small); got != fleet.Booked {
		t.Errorf("%s is %s", small, got)
	}
	if got, _ := stage(b, larger); got != fleet.Raised {
		t.Errorf("%s is %s", larger, got)
	}
	b.must(&fleet.FinishItem{Item: small, By: "Ana"})
	b.must(&fleet.FinishItem{Item: larger, By: "Ana"})
	if e := b.refused(&fleet.ReturnItem{Item: small, Step: fleet.StepDone, Reason: "x"}, fleet.Conflict); !strings.Contains(e.Error(), "again since") {
		t.Error(e)
	}
}

func TestASwapIsTakenBackOnceItsReadingsAreVoided(t *testing.T) {
	b := newBench(t)
	b.must(trailed("T01"))
	b.clock.set(day("2026-05-20 08:00"))
	b.take(reading("T01", "1:1", day("2026-05-10 06:00"), "pump", 40.0, "HUR"))
	o, _ := b.take(reading("T01", "1:2", day("2026-05-12 06:00"), "pump", 4.0, "HUR"))
	b.must(&fleet.Release{Quarantine: o[0].Quarantined[0], How: fleet.ReleaseSwap, Reason: "thought the display was new"})
	if got := b.total("T01", "pump"); got != 44 {
		t.Fatalf("the total is %v", got)
	}
	swap := day("2026-05-10 06:00").Add(1e6)
	undo := &fleet.UnswapMeter{Rig: "T01", Meter: "pump", At: swap, Reason: "it was a slip of the pen"}
	if e := b.refused(undo, fleet.Conflict); !strings.Contains(e.Error(), "2026-05-12T06:00:00Z") {
		t.Error(e)
	}
	b.must(&fleet.VoidReading{Rig: "T01", Meter: "pump", At: day("2026-05-12 06:00"), Reason: "4 for 44"})
	b.refused(&fleet.UnswapMeter{Rig: "T01", Meter: "pump", At: swap.Add(1e9), Reason: "x"}, fleet.NotFound)
	b.refused(&fleet.UnswapMeter{Rig: "T01", Meter: "wheel", At: swap, Reason: "x"}, fleet.NotFound)
	b.refused(&fleet.UnswapMeter{Rig: "T01", Meter: "pump", Reason: "x"}, fleet.Invalid)
	b.must(undo)
	b.take(reading("T01", "1:3", day("2026-05-13 06:00"), "pump", 47.0, "HUR"))
	if got := b.total("T01", "pump"); got != 47 {
		t.Errorf("the total is %v, want what the one counter shows", got)
	}
	b.refused(undo, fleet.NotFound)
}

func TestADismissedReadingWaitsAgainAndBringsItsPlace(t *testing.T) {
	b := newBench(t)
	b.must(trailed("T01"))
	b.clock.set(day("2026-05-20 08:00"))
	b.take(reading("T01", "1:1", day("2026-05-10 06:00"), "pump", 40.0, "HUR"))
	held := reading("T01", "1:2", day("2026-05-12 06:00"), "pump", 4.0, "HUR")
	held.Location = events.NewLocation(0.25, 0.5)
	o, _ := b.take(held)
	id := o[0].Quarantined[0]
	b.refused(&fleet.Reopen{Quarantine: id, Reason: "x"}, fleet.Conflict) // it waits
	b.refused(&fleet.Reopen{Quarantine: "q-none", Reason: "x"}, fleet.NotFound)
	b.must(&fleet.Dismiss{Quarantine: id, Reason: "nonsense"})
	b.refused(&fleet.Reopen{Quarantine: id}, fleet.Invalid)
	b.must(&fleet.Reopen{Quarantine: id, Reason: "not nonsense: a new display"})
	b.must(&fleet.Release{Quarantine: id, How: fleet.ReleaseSwap, Reason: "new display"})
	b.refused(&fleet.Reopen{Quarantine: id, Reason: "x"}, fleet.Conflict)
	if got := b.total("T01", "pump"); got != 44 {
		t.Errorf("the total is %v", got)
	}
	b.View(func(s *fleet.State) {
		if at := s.Rigs["T01"].Location; at == nil || *at != *held.Location {
			t.Errorf("the rig is at %v", at)
		}
	})

	// A second one waits until its meter's history is put right, and fits by itself.
	far := reading("T01", "1:3", day("2026-05-12 07:00"), "pump", 900.0, "HUR")
	far.Location = events.NewLocation(0.5, 0.5)
	b.take(far)
	b.must(&fleet.SwapMeter{Rig: "T01", Meter: "pump", At: ptr(day("2026-05-12 06:30")), Start: 899.5, Reason: "another display"})
	if err := b.Reconsider(context.Background(), "T01"); err != nil {
		t.Fatal(err)
	}
	b.View(func(s *fleet.State) {
		if at := s.Rigs["T01"].Location; at == nil || *at != *far.Location {
			t.Errorf("the rig is at %v", at)
		}
	})
}
