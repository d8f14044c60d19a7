package fleet_test

import (
	"context"
	"testing"
	"time"

	"rigledger/fleet"
)

// TestWhatWasKnown: a state of a time past holds what was recorded by then, and
// nothing that was entered later about the time before.
func TestWhatWasKnown(t *testing.T) {
	for name, snapshot := range map[string]string{"without a snapshot": "", "with an older one": "2026-05-10", "with a newer one": "2026-06-20"} {
		t.Run(name, func(t *testing.T) {
			b := newBench(t)
			ctx := context.Background()
			at := func(text string) {
				b.clock.set(day(text + " 12:00"))
				if text == snapshot {
					if _, err := b.SaveSnapshot(ctx); err != nil {
						t.Fatal(err)
					}
				}
			}
			b.must(trailed("T01"))
			at("2026-05-10")
			b.take(reading("T01", "1:1", day("2026-05-10 09:00"), "pump", 20.0, "HUR"))
			at("2026-05-31")
			b.take(reading("T01", "1:2", day("2026-05-31 09:00"), "pump", 60.0, "HUR"))
			at("2026-06-03") // measured on 1 June, and late
			b.take(reading("T01", "1:3", day("2026-06-01 09:00"), "pump", 66.0, "HUR"))
			at("2026-06-20")
			b.take(reading("T01", "1:4", day("2026-06-20 09:00"), "pump", 90.0, "HUR"))
			b.must(&fleet.VoidReading{Rig: "T01", Meter: "pump", At: day("2026-05-10 09:00"), Reason: "it was another rig's"})

			for _, want := range []struct {
				at    string
				hours float64
			}{{"2026-05-01", -1}, {"2026-05-09", 0}, {"2026-05-20", 20}, {"2026-06-01 23:59", 60}, {"2026-06-04", 66}, {"2027-01-01", 90}, {"2026-06-01 23:59", 60}} {
				s, err := b.AsOf(ctx, day(want.at))
				if err != nil {
					t.Fatal(err)
				}
				if s.Recorded.After(day(want.at)) {
					t.Errorf("%s: stands on a commit recorded at %s", want.at, s.Recorded)
				}
				rig := s.Rigs["T01"]
				if want.hours < 0 {
					if rig != nil {
						t.Errorf("%s: the rig was known before it was registered", want.at)
					}
					continue
				}
				total, _ := rig.Meter("pump").Series.Total()
				if total != int64(want.hours*3600) {
					t.Errorf("%s: %d s were known, want %g h", want.at, total, want.hours)
				}
			}
			june, _ := b.AsOf(ctx, day("2026-06-01 23:59"))
			if n := len(june.Rigs["T01"].Meter("pump").Series.Points(0, day("2027-01-01").UnixMilli())); n != 2 {
				t.Errorf("on 1 June %d readings were known, want 2: the one that was voided later among them", n)
			}
			if again, _ := b.AsOf(ctx, day("2026-06-01 23:59")); again != june {
				t.Error("it is folded twice")
			}
		})
	}
}

// TestAsOfIsGivenUp: who does not wait any longer is not worked for.
func TestAsOfIsGivenUp(t *testing.T) {
	b := newBench(t)
	ctx, stop := context.WithCancel(context.Background())
	stop()
	if _, err := b.AsOf(ctx, b.clock.now().Add(time.Hour)); fleet.CodeOf(err) != fleet.Down {
		t.Errorf("error %v, want code %s", err, fleet.Down)
	}
}
