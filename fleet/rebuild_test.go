package fleet_test

import (
	"context"
	"encoding/json"
	"fmt"
	"path/filepath"
	"sort"
	"testing"
	"time"

	"pgregory.net/rapid"

	"rigledger/events"
	"rigledger/fleet"
	"rigledger/fleet/plan"
)

// TestARebuiltFleetEqualsTheLiveOne drives a fleet with random commands, good
// and bad, and then compares: the live state, a replay of the ledger, and the
// snapshot with what follows it, byte for byte; and the due lines kept up
// incrementally with those worked out anew.
func TestARebuiltFleetEqualsTheLiveOne(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		dir := t.TempDir()
		b := openBench(t, openSQLite(t, filepath.Join(dir, "ledger.db")))
		ctx := context.Background()
		hours := map[string]float64{}
		seq := map[string]int{}
		steps := rapid.IntRange(10, 60).Draw(rt, "steps")
		snapshotAt := rapid.IntRange(0, steps).Draw(rt, "snapshot at")
		raiser, noter := fleet.NewRaiser(b.Fleet), fleet.NewNoter(b.Fleet)
		for i := range steps {
			if i == snapshotAt {
				if _, err := b.SaveSnapshot(ctx); err != nil {
					rt.Fatal(err)
				}
			}
			b.clock.set(b.clock.now().Add(time.Duration(rapid.IntRange(1, 36).Draw(rt, "hours on")) * time.Hour))
			rig := rapid.SampledFrom([]string{"R1", "R2", "R3"}).Draw(rt, "rig")
			var cmd fleet.Command
			switch rapid.IntRange(0, 15).Draw(rt, "what") {
			case 0:
				cmd = trailed(rig)
			case 1, 2, 3, 4, 5:
				// Mostly fitting readings; now and then late, falling or far too large ones.
				hours[rig] += rapid.Float64Range(-0.5, 9).Draw(rt, "gain")
				back := rapid.SampledFrom([]int{0, 0, 0, 5, 50, 500}).Draw(rt, "late by hours")
				seq[rig] += rapid.IntRange(0, 2).Draw(rt, "next")
				at := b.clock.now().Add(-time.Duration(back) * time.Hour)
				a := reading(rig, fmt.Sprintf("1:%d", seq[rig]), at, "pump", max(0, hours[rig]-float64(back)/20), "HUR", "area", max(0, hours[rig]*5-float64(back)/4), "H18")
				if _, _, err := b.TakeReport(ctx, []events.Arrival{a}); err != nil {
					rt.Fatal(err)
				}
				continue
			case 6:
				if _, err := raiser.Raise(ctx); err != nil {
					rt.Fatal(err)
				}
				if _, err := noter.Note(ctx); err != nil {
					rt.Fatal(err)
				}
				continue
			case 7, 8:
				cmd = workOn(rt, b, rig)
			case 9:
				cmd = settleHeld(rt, b)
			case 10:
				position := rapid.SampledFrom([]string{"pump", "filter-suction", "nozzles"}).Draw(rt, "position")
				on := ""
				b.View(func(s *fleet.State) {
					if r := s.Rigs[rig]; r != nil {
						for _, p := range r.Fitted {
							if s.Parts[p].Position == position {
								on = p
							}
						}
					}
				})
				if on != "" {
					cmd = &fleet.RemovePart{Rig: rig, Part: on, Reason: "drawn", Scrapped: rapid.Bool().Draw(rt, "scrapped")}
				} else {
					cmd = &fleet.FitPart{Rig: rig, Position: position, Part: rapid.SampledFrom([]string{"", "R1-pump", "R2-pump"}).Draw(rt, "which")}
				}
			case 11, 12:
				cmd = atTheBay(rt, b, rig)
			case 13:
				cmd = takeBack(rt, b, rig)
			case 14:
				// What was done is done and taken back: nothing but its traces may be other.
				cmd = doneAndBack(rt, b, rig)
			default:
				cmd = &fleet.SwapMeter{Rig: rig, Meter: "pump", Start: 0, Reason: "drawn"}
				hours[rig] = 0
			}
			if cmd == nil {
				continue
			}
			if _, err := b.Do(ctx, "drawn", cmd, nil); err != nil && fleet.CodeOf(err) == fleet.Down {
				rt.Fatalf("%T: %v", cmd, err)
			}
			if held, ok := cmd.(*fleet.Release); ok {
				if err := b.Reconsider(ctx, b.RigOfQuarantine(held.Quarantine)); err != nil {
					rt.Fatal(err)
				}
			}
		}
		// What was kept up note by note leaves nothing for one who looks at all.
		if _, err := noter.Note(ctx); err != nil {
			rt.Fatal(err)
		}
		if n, err := fleet.NewNoter(b.Fleet).Note(ctx); n != 0 || err != nil {
			rt.Fatalf("a noter that looks at every rig notes %d more: %v", n, err)
		}
		equalsNoted(rt, b)
		live := stateText(rt, b.Fleet)
		b.View(func(s *fleet.State) {
			for _, rig := range s.Rigs {
				kept := b.DueOf(s, rig, b.clock.now())
				anew := s.Due(rig, plan.Of(b.clock.now(), s.Zone()))
				if x, y := dueText(kept), dueText(anew); x != y {
					rt.Fatalf("due of %s kept up:\n%s\nanew:\n%s", rig.Rig, x, y)
				}
			}
		})
		// Once from the snapshot and what follows, once from the first commit.
		for _, from := range []string{"the snapshot", "the first commit"} {
			store := b.store
			if from == "the first commit" {
				store = withoutSnapshot{b.store}
			}
			again, err := fleet.Open(ctx, fleet.Options{Store: store, Now: b.clock.now})
			if err != nil {
				rt.Fatal(err)
			}
			if got := stateText(rt, again); got != live {
				rt.Errorf("rebuilt from %s the fleet differs:\n%s\nlive:\n%s", from, got, live)
			}
			again.Close()
		}
		if _, _, err := fleet.Verify(ctx, b.store, time.UTC, nil); err != nil {
			rt.Error(err)
		}
		b.Close()
	})
}

type withoutSnapshot struct{ events.Store }

func (withoutSnapshot) LoadSnapshot(context.Context) (events.Snapshot, error) {
	return events.Snapshot{}, events.ErrNoSnapshot
}

func stateText(t interface{ Fatal(...any) }, f *fleet.Fleet) string {
	var text []byte
	f.View(func(s *fleet.State) {
		var err error
		if text, err = json.Marshal(s); err != nil {
			t.Fatal(err)
		}
	})
	return string(text)
}

func dueText(lines []fleet.DueLine) string {
	text := ""
	for _, l := range lines {
		d, _ := json.Marshal(l.Due)
		text += fmt.Sprintf("%s %s %d %q %s\n", l.Part.Part, l.Task.Slug, l.Cycle, l.Item, d)
	}
	return text
}

// workOn draws something to do with an open item of a rig.
func workOn(rt *rapid.T, b *bench, rig string) fleet.Command {
	var open []string
	b.View(func(s *fleet.State) {
		if r := s.Rigs[rig]; r != nil {
			open = append(open, r.Open...)
		}
	})
	if len(open) == 0 {
		return nil
	}
	item := rapid.SampledFrom(open).Draw(rt, "item")
	back := b.clock.now().Add(-time.Duration(rapid.IntRange(0, 400).Draw(rt, "done hours ago")) * time.Hour)
	switch rapid.IntRange(0, 4).Draw(rt, "work") {
	case 0:
		return &fleet.BookItem{Item: item, Date: "2026-06-01"}
	case 1:
		return &fleet.StartItem{Item: item, By: "Ana", Cautioned: true}
	case 2:
		return &fleet.DeferItem{Item: item, Reason: "drawn", Until: plan.Of(b.clock.now().AddDate(0, 0, 9), time.UTC).String()}
	case 3:
		return &fleet.StrikeItem{Item: item, Reason: "drawn"}
	}
	return &fleet.FinishItem{Item: item, By: "Ana", At: &back}
}

// takeBack draws something to take back: the last step of an item, a swap, a dismissal.
func takeBack(rt *rapid.T, b *bench, rig string) fleet.Command {
	var items, held []string
	var swaps []time.Time
	steps := map[string]string{}
	b.View(func(s *fleet.State) {
		for id, it := range s.Items {
			if it.Rig == rig && it.Step() != "" {
				items, steps[id] = append(items, id), it.Step()
			}
		}
		for id, h := range s.Held {
			if h.Outcome == "dismissed" {
				held = append(held, id)
			}
		}
		if r := s.Rigs[rig]; r != nil {
			for _, e := range r.Meter("pump").Series.Epochs[1:] {
				swaps = append(swaps, time.UnixMilli(e.At))
			}
		}
	})
	sort.Strings(items)
	sort.Strings(held)
	switch what := rapid.IntRange(0, 5).Draw(rt, "take back"); {
	case what == 0 && len(swaps) > 0:
		return &fleet.UnswapMeter{Rig: rig, Meter: "pump", At: rapid.SampledFrom(swaps).Draw(rt, "swap"), Reason: "drawn"}
	case what == 1 && len(held) > 0:
		return &fleet.Reopen{Quarantine: held[0], Reason: "drawn"}
	case len(items) > 0:
		id := rapid.SampledFrom(items).Draw(rt, "item to take back")
		return &fleet.ReturnItem{Item: id, Step: steps[id], Reason: "drawn"}
	}
	return nil
}

// doneAndBack finishes or strikes an item and gives the command that takes that
// back, having looked that with it every task stands as it stood before.
func doneAndBack(rt *rapid.T, b *bench, rig string) fleet.Command {
	cmd := workOn(rt, b, rig)
	var back *fleet.ReturnItem
	switch cmd := cmd.(type) {
	case *fleet.FinishItem:
		back = &fleet.ReturnItem{Item: cmd.Item, Step: fleet.StepDone, Reason: "drawn"}
	case *fleet.StrikeItem:
		back = &fleet.ReturnItem{Item: cmd.Item, Step: fleet.StepStruck, Reason: "drawn"}
	default:
		return cmd
	}
	stands := func() (text string) {
		b.View(func(s *fleet.State) {
			r := s.Rigs[rig]
			text = dueText(b.DueOf(s, r, b.clock.now()))
			open := append([]string(nil), r.Open...)
			sort.Strings(open)
			past := s.FitnessAt(r, b.clock.now().Add(-time.Hour), b.clock.now())
			for _, of := range open {
				it := *s.Items[of]
				it.Changed = 0
				line, _ := json.Marshal(it)
				text += string(line) + "\n"
			}
			line, _ := json.Marshal(past)
			text += string(line)
		})
		return text
	}
	before := stands()
	if _, err := b.Do(context.Background(), "drawn", cmd, nil); err != nil {
		return nil
	}
	if _, err := b.Do(context.Background(), "drawn", back, nil); err != nil {
		rt.Fatalf("%+v just after: %v", back, err)
	}
	if after := stands(); after != before {
		rt.Fatalf("before:\n%s\ndone and taken back:\n%s", before, after)
	}
	return nil
}

// atTheBay draws something of the test bay.
func atTheBay(rt *rapid.T, b *bench, rig string) fleet.Command {
	back := b.clock.now().Add(-time.Duration(rapid.IntRange(0, 300).Draw(rt, "bay hours ago")) * time.Hour)
	var inspections, certificates, defects []string
	b.View(func(s *fleet.State) {
		if r := s.Rigs[rig]; r != nil {
			inspections, certificates = append(inspections, r.Bay.Inspections...), append(certificates, r.Bay.Certificates...)
			defects = append(defects, r.Defects...)
		}
	})
	id := func(prefix string) string { return fmt.Sprintf("%s-%d", prefix, b.Head().N) }
	switch rapid.IntRange(0, 9).Draw(rt, "at the bay") {
	case 0:
		return &fleet.PlaceRig{Rig: rig, Place: rapid.SampledFrom([]string{"", "UK", "DE", "FR"}).Draw(rt, "place"), FirstPurchase: "2019-04-01", At: &back}
	case 1:
		return &fleet.PlaceYard{Yard: "north", Place: "EU", At: &back}
	case 2, 3:
		j := &fleet.JudgeInspection{
			ID: id("i"), Rig: rig, Tester: "B", At: &back, Statutory: rapid.Bool().Draw(rt, "statutory"),
			Sheet: gaugeSheet(rapid.SampledFrom([]float64{0, 0.2, 0.3}).Draw(rt, "wrong")),
		}
		if len(inspections) > 0 && rapid.Bool().Draw(rt, "retest") {
			j.Retest = inspections[len(inspections)-1]
		}
		return j
	case 4:
		c := calibration(rig)
		c.ID, c.At = id("c"), &back
		return c
	case 5:
		day := plan.Of(back, time.UTC).String()
		return &fleet.IssueCertificate{ID: id("z"), Rig: rig, Number: id("N"), Tester: "L", Inspected: day}
	case 6:
		if len(certificates) == 0 {
			return nil
		}
		return &fleet.WithdrawCertificate{Certificate: certificates[0], Reason: "drawn", At: &back}
	case 7:
		h := handover(rig)
		h.ID, h.At = id("h"), &back
		return h
	case 8:
		return &fleet.KeepFile{Name: "a.txt", Bytes: []byte(rapid.StringMatching("[a-c]{1,3}").Draw(rt, "file"))}
	}
	if len(defects) == 0 {
		return nil
	}
	return &fleet.ClearDefect{Defect: defects[0], Action: "drawn", At: &back}
}

// settleHeld draws an end for something in quarantine.
func settleHeld(rt *rapid.T, b *bench) fleet.Command {
	var held []string
	b.View(func(s *fleet.State) {
		for id, h := range s.Held {
			if h.Outcome == "" {
				held = append(held, id)
			}
		}
	})
	if len(held) == 0 {
		return nil
	}
	sort.Strings(held)
	id := held[0]
	if rapid.Bool().Draw(rt, "dismiss") {
		return &fleet.Dismiss{Quarantine: id, Reason: "drawn"}
	}
	return &fleet.Release{Quarantine: id, How: rapid.SampledFrom([]string{"as_is", "swap"}).Draw(rt, "how"), Reason: "drawn"}
}
