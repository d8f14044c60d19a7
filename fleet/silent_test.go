package fleet_test

import (
	"testing"
	"time"

	"rigledger/events"
	"rigledger/fleet"
)

// What a person enters is news of the time it is about, not of the rig's line.
func TestARigIsHeardByWhatItSendsNotByWhatPeopleDoWithIt(t *testing.T) {
	b := newBench(t)
	b.must(trailed("T01"))
	heard := func(what, want string) {
		t.Helper()
		b.View(func(s *fleet.State) {
			if got := s.Rigs["T01"].LastHeard; !got.Equal(day(want)) {
				t.Errorf("%s: last heard %s, want %s", what, got, want)
			}
		})
	}
	at := func(text string) time.Time { b.clock.set(day(text)); return day(text) }
	at("2026-05-10 08:00")
	b.take(reading("T01", "1:1", day("2026-05-09 06:00"), "pump", 40.0, "HUR"))
	heard("a late reading of its own came", "2026-05-10 08:00")
	at("2026-05-11 08:00")
	o, _ := b.take(reading("T01", "1:2", day("2026-05-11 06:00"), "pump", 4.0, "HUR"))
	heard("one that is held came", "2026-05-11 08:00")

	at("2026-06-10 08:00")
	b.must(&fleet.Release{Quarantine: o[0].Quarantined[0], How: fleet.ReleaseSwap, Reason: "new display"})
	heard("it was released a month later", "2026-05-11 08:00")
	typed := reading("T01", "office", day("2026-05-20 06:00"), "pump", 9.0, "HUR")
	typed.By = "token:office"
	b.take(typed)
	heard("somebody typed what it showed in May", "2026-05-20 06:00")
	b.raise()
	b.must(&fleet.FinishItem{Item: "T01-filter-suction.suction-filter.1", By: "Ana", At: ptr(day("2026-05-21 10:00")),
		Counters: []events.RawCounter{{Meter: "pump", Value: 9.5, Unit: "HUR"}}})
	heard("a job was finished with a reading", "2026-05-21 10:00")
	if silent := b.SilentRigs(); len(silent) != 1 {
		t.Errorf("silent rigs: %v", silent)
	}
	defect := events.Arrival{Via: "rig.T01.defect", Rig: "T01", Event: "1:3", Time: day("2026-06-01 06:00"), Kind: events.KindDefect, Payload: []byte("{}"),
		Defect: &events.RawDefect{Text: "a hose drips"}}
	b.take(defect)
	heard("it reported a defect", "2026-06-10 08:00")
	if silent := b.SilentRigs(); len(silent) != 0 {
		t.Errorf("silent rigs: %v", silent)
	}
}
