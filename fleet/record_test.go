package fleet_test

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"rigledger/events"
	"rigledger/fleet"
	"rigledger/fleet/plan"
)

const suctionFilter = "T01-filter-suction.suction-filter."

// proven is a bench with a rig that has worked, been serviced, had its counter
// changed and a reading taken back.
func proven(t *testing.T) *bench {
	b := benchAt(t, "2026-05-04 08:00")
	b.must(trailed("T01"))
	b.must(trailed("T02"))
	b.work(day("2026-05-04 08:00"), 0, 9.4)
	b.must(&fleet.FinishItem{Item: suctionFilter + "1", By: "Ana"})
	b.work(b.clock.now(), 9.4, 19)
	done := b.clock.now().Add(-30 * time.Minute)
	b.must(&fleet.FinishItem{Item: suctionFilter + "2", By: "Ana", At: &done})
	last := 19.5
	b.clock.set(b.clock.now().Add(time.Hour))
	b.must(&fleet.SwapMeter{Rig: "T01", Meter: "pump", Last: &last, Start: 2, Reason: "new box"})
	b.clock.set(b.clock.now().Add(time.Minute))
	b.work(b.clock.now(), 2, 5)
	b.must(inspect("T01", gaugeSheet(0.3)))
	b.must(certificate("T01", "2026-05-05"))
	// A reading is taken back and comes again, by another hand.
	at := b.clock.now()
	b.must(&fleet.VoidReading{Rig: "T01", Meter: "pump", At: at, Reason: "the wrong rig"})
	b.clock.set(at.Add(10 * time.Minute))
	b.take(reading("T01", "by-hand", at, "pump", 5.0, "HUR"))
	return b
}

// work sends a reading of the pump every twelve minutes, and one of the other rig
// between, and puts on the list what falls due.
func (b *bench) work(from time.Time, hours, to float64) {
	b.t.Helper()
	for i := 1; hours < to-1e-9; i++ {
		hours = min(hours+0.2, to)
		at := from.Add(time.Duration(i) * 12 * time.Minute)
		b.clock.set(at)
		b.take(reading("T01", fmt.Sprintf("w-%d", at.Unix()), at, "pump", hours, "HUR", "area", float64(at.Unix()-day("2026-05-04 08:00").Unix())/3600*7, "H18"))
		b.take(reading("T02", fmt.Sprintf("w-%d", at.Unix()), at, "pump", float64(at.Unix()-day("2026-05-04 08:00").Unix())/3600, "HUR"))
	}
	b.raise()
}

func (b *bench) record(of, id string) (*fleet.Record, []byte) {
	b.t.Helper()
	r, err := b.Record(context.Background(), of, id, func(*fleet.Rig) error { return nil })
	if err != nil {
		b.t.Fatal(err)
	}
	text, err := json.Marshal(r)
	if err != nil {
		b.t.Fatal(err)
	}
	return r, text
}

func hoursOf(a plan.Amounts) float64 { return a.Human(plan.Hours) }

func TestARecordHoldsTheCountersAndWhatTheyRestOn(t *testing.T) {
	b := proven(t)
	r, _ := b.record(fleet.RigRecord, "T01")
	pump := r.Meters[0]
	if pump.Meter != "pump" || hoursOf(pump.Total) != 22.5 || hoursOf(pump.Counter) != 5 || len(pump.Swaps) != 1 {
		t.Fatalf("the pump's meter: %+v", pump)
	}
	if swap := pump.Swaps[0]; hoursOf(swap.Last) != 19.5 || hoursOf(swap.Start) != 2 || hoursOf(swap.Total) != 19.5 || !swap.Given || swap.Commit == 0 {
		t.Errorf("its swap: %+v", swap)
	}
	if on := pump.RestsOn; on == nil || hoursOf(on.Counter) != 5 || hoursOf(on.Total) != 22.5 || on.Event != "by-hand" {
		t.Errorf("it rests on %+v, and the reading of that time that stands came by hand", pump.RestsOn)
	}
	filters, inspected, certified := 0, 0, 0
	for _, f := range r.Facts {
		switch of := f.Entry.Fact.(type) {
		case *events.ItemFinished:
			if !strings.HasPrefix(of.Item, suctionFilter) {
				continue
			}
			filters++
			then := f.Meters[0]
			want := map[string][3]float64{"1": {9.4, 9.4, 9.4}, "2": {18.5, 18.4, 9.1}}[strings.TrimPrefix(of.Item, suctionFilter)]
			if got := [3]float64{hoursOf(then.Total), hoursOf(then.Before.Total), hoursOf(f.Since[0].Ran)}; got != want {
				t.Errorf("%s: total, reading before and hours since the last are %v, want %v", of.Item, got, want)
			}
			if first := of.Item == suctionFilter+"1"; f.Since[0].First != first {
				t.Errorf("%s: the first is %v", of.Item, f.Since[0].First)
			}
		case *events.CertificateIssued:
			certified++
			if got := hoursOf(f.Meters[0].Total); got != 14 { // at midnight in the yard
				t.Errorf("certified at %g h, want 14", got)
			}
		case *events.InspectionJudged:
			inspected++
			if then := f.Meters[0]; hoursOf(then.Total) != 22.5 || hoursOf(then.Before.Counter) != 5 {
				t.Errorf("inspected at %+v", then)
			}
		}
	}
	if filters != 2 || inspected != 1 || certified != 1 {
		t.Errorf("%d filters cleaned, %d inspections and %d certificates, want 2, 1 and 1", filters, inspected, certified)
	}
	b.provesEveryReading(r)
}

// provesEveryReading holds each reading of a record against its commit.
func (b *bench) provesEveryReading(r *fleet.Record) {
	b.t.Helper()
	hashes := map[uint64]*events.Commit{}
	if err := b.store.Read(context.Background(), 1, func(c *events.Commit) error { hashes[c.N] = c; return nil }); err != nil {
		b.t.Fatal(err)
	}
	for _, proof := range r.Commits {
		if hashes[proof.N].Hash != proof.Hash {
			b.t.Errorf("commit %d has another hash", proof.N)
		}
	}
	held := 0
	hold := func(meter string, one *fleet.RecordReading) {
		if one == nil {
			return
		}
		held++
		found := false
		if c := hashes[one.Commit]; c != nil {
			for _, e := range c.Facts {
				read, ok := e.Fact.(*events.MeterRead)
				found = found || ok && read.Rig == r.Rig.Rig && e.At.Equal(one.At) && e.By == one.By && read.Event == one.Event &&
					slices.ContainsFunc(read.Counters, func(k events.Counter) bool {
						v, ok := one.Counter.Get(plan.Hours)
						if !ok {
							v, _ = one.Counter.Get(plan.Area)
						}
						return k.Meter == meter && k.Value == v
					})
			}
		}
		if !found || !slices.ContainsFunc(r.Commits, func(p fleet.CommitProof) bool { return p.N == one.Commit }) {
			b.t.Errorf("%s at %s is not in the commit %d that is to prove it", meter, one.At, one.Commit)
		}
	}
	for _, m := range r.Meters {
		hold(m.Meter, m.RestsOn)
	}
	for _, f := range r.Facts {
		for _, then := range f.Meters {
			hold(then.Meter, then.Before)
			hold(then.Meter, then.After)
		}
	}
	if held < 5 {
		b.t.Errorf("only %d readings in the record", held)
	}
}

func TestOneChangedDigitOfARecordsCountersMakesItFail(t *testing.T) {
	b := proven(t)
	_, text := b.record(fleet.RigRecord, "T01")
	ctx := context.Background()
	if _, err := fleet.VerifyRecord(ctx, b.store, yardZone, text); err != nil {
		t.Fatalf("as handed out: %v", err)
	}
	digits := 0
	for _, part := range []string{`"meters":[{"meter":"pump"`, `"meters":[{"meter":"pump","total"`, `"since_last":[`} {
		from := bytes.Index(text, []byte(part))
		if from < 0 {
			t.Fatalf("the record holds no %s", part)
		}
		to := from + bytes.Index(text[from:], []byte("]"))
		for i := from; i < to; i++ {
			if text[i] < '0' || text[i] > '9' {
				continue
			}
			digits++
			bad := slices.Clone(text)
			bad[i] = '0' + (text[i]-'0'+1)%10
			if _, err := fleet.VerifyRecord(ctx, b.store, yardZone, bad); err == nil {
				t.Errorf("…%s… verifies", bad[max(0, i-40):i+10])
			}
		}
	}
	if digits < 100 {
		t.Errorf("only %d digits", digits)
	}
	// The ledger may grow, with readings that come late.
	b.take(reading("T01", "late", day("2026-05-04 08:05"), "pump", 0.1, "HUR"))
	if _, err := fleet.VerifyRecord(ctx, b.store, yardZone, text); err != nil {
		t.Errorf("after the ledger grew: %v", err)
	}
}

// TestReadingsThatCameLateAreFoundInALongLedger: many commits lie between when a
// counter showed so and when that was recorded.
func TestReadingsThatCameLateAreFoundInALongLedger(t *testing.T) {
	b := benchAt(t, "2026-05-04 08:00")
	b.must(trailed("T01"))
	b.must(trailed("T02"))
	begin := day("2026-05-04 08:00")
	for i := 1; i <= 700; i++ { // the other rig fills the ledger
		at := begin.Add(time.Duration(i) * 3 * time.Minute)
		b.clock.set(at)
		b.take(reading("T02", fmt.Sprint("o-", i), at, "pump", float64(i)*0.05, "HUR"))
	}
	b.take(reading("T01", "late", begin.Add(2*time.Hour), "pump", 2.0, "HUR", "area", 14.0, "H18"))
	at := begin.Add(3 * time.Hour)
	b.raise()
	in := inspect("T01", gaugeSheet(0.1))
	in.At = &at
	b.must(in)
	r, text := b.record(fleet.RigRecord, "T01")
	then := r.Facts[len(r.Facts)-1].Meters
	if len(then) != 2 || then[0].Before == nil || then[0].Before.Event != "late" || then[0].Before.Recorded.Sub(then[0].Before.At) < 24*time.Hour {
		t.Fatalf("the inspection was judged by %+v", then)
	}
	if _, err := fleet.VerifyRecord(context.Background(), b.store, yardZone, text); err != nil {
		t.Error(err)
	}
}
