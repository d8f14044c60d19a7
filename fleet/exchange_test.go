package fleet_test

import (
	"context"
	"testing"

	"rigledger/events"
	"rigledger/fleet"
)

// What the exchange wrote is there after a restart, from a snapshot as from the
// ledger alone; a suspect counter is held with its value, for a person to release.
func TestExchangeSurvivesARestart(t *testing.T) {
	b := newBench(t)
	ctx := context.Background()
	b.must(trailed("R1"))
	kept, secret := fleet.NewCalendar()
	kept.Name, kept.Yard = "Yard", "north"
	b.must(kept)
	gone, lost := fleet.NewCalendar()
	gone.Name, gone.Rig = "Rig", "R1"
	b.must(gone)
	b.must(&fleet.RevokeCalendar{Calendar: gone.ID(), Reason: "left"})
	b.refused(&fleet.RevokeCalendar{Calendar: gone.ID()}, fleet.Conflict)
	b.refused(&fleet.RevokeCalendar{Calendar: "k-none"}, fleet.NotFound)
	b.refused(&fleet.NoteExchange{Taken: events.ExchangeTaken{Rig: "R9", Digest: "d"}}, fleet.NotFound)
	note := &fleet.NoteExchange{Taken: events.ExchangeTaken{Rig: "R1", Device: "A00C840012345678", Digest: "d", Readings: 2}}
	b.must(note)
	head := b.Head().N
	if b.must(note); b.Head().N != head {
		t.Error("the same was noted twice")
	}
	a := reading("R1", "taskdata-1", b.clock.now(), "pump", 12.5, "HUR")
	a.Via, a.Fault, a.Detail = "exchange", fleet.WhySuspect, "it falls"
	outcomes, _, err := b.TakeReport(ctx, []events.Arrival{a})
	if err != nil || len(outcomes[0].Quarantined) != 1 || outcomes[0].Reason != fleet.WhySuspect {
		t.Fatalf("%+v, %v", outcomes, err)
	}
	if _, err := b.SaveSnapshot(ctx); err != nil {
		t.Fatal(err)
	}
	live := stateText(t, b.Fleet)
	b.Close()
	for name, store := range map[string]events.Store{"snapshot": b.store, "ledger": withoutSnapshot{b.store}} {
		again := openBench(t, store)
		if stateText(t, again.Fleet) != live {
			t.Errorf("from the %s the state is another", name)
		}
		again.View(func(s *fleet.State) {
			if k := s.CalendarOf(secret); k == nil || k.Calendar != kept.ID() {
				t.Errorf("%s: the secret opens %+v", name, k)
			}
			if s.CalendarOf(lost) != nil || s.CalendarOf("") != nil {
				t.Errorf("%s: a revoked calendar opens", name)
			}
			if !s.Rigs["R1"].Exchanged["d"] {
				t.Errorf("%s: what was taken is forgotten", name)
			}
			h := s.Held[outcomes[0].Quarantined[0]]
			if h == nil || len(h.Counters) != 1 || h.Counters[0].Value != 12.5 {
				t.Errorf("%s: held %+v", name, h)
			}
		})
		again.Close()
	}
}
