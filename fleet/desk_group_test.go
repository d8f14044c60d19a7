package fleet

import (
	"bytes"
	"context"
	"log/slog"
	"strings"
	"testing"
	"time"

	"rigledger/events"
)

// Commands may share a commit only when none of them reads what another changes.
func TestWhatMayShareACommit(t *testing.T) {
	finish := &FinishItem{Item: "T01-pump.look.1"}
	withReading := &FinishItem{Item: "T01-pump.look.1", Counters: []events.RawCounter{{Meter: "pump", Value: 1, Unit: "HUR"}}}
	for _, tc := range []struct {
		name          string
		first, second Command
		together      bool
	}{
		{"work planned for two rigs", &MakeBooking{Rig: "T01"}, &MakeBooking{Rig: "T02"}, true},
		{"two swaps on one rig", &SwapMeter{Rig: "T01"}, &SwapMeter{Rig: "T01"}, false},
		{"a release and a swap, whose rigs may be one", &SwapMeter{Rig: "T01"}, &Release{Quarantine: "q"}, false},
		{"a release first", &Release{Quarantine: "q"}, &SwapMeter{Rig: "T01"}, false},
		{"a dismissal and what looks at the rig's quarantine", &Dismiss{Quarantine: "q"}, &reconsider{rig: "T01"}, false},
		{"a job with a reading and a swap", &SwapMeter{Rig: "T01"}, withReading, false},
		{"a job without one", &SwapMeter{Rig: "T01"}, finish, true},
	} {
		touched := map[string]bool{}
		touch(touched, tc.first)
		if got := !clashes(touched, tc.second); got != tc.together {
			t.Errorf("%s: together %v, want %v", tc.name, got, tc.together)
		}
	}
}

type faulty struct{}

func (faulty) Touches() []string { return nil }

func (faulty) Decide(d Deciding) ([]events.Entry, error) {
	var rig *Rig
	return nil, missing("rig", rig.Rig)
}

// A fault of the program is told to the log, and its inside to nobody else.
func TestACommandThatFailsIsRefusedWithoutItsInside(t *testing.T) {
	var told bytes.Buffer
	f := &Fleet{state: newState(time.UTC), log: slog.New(slog.NewTextHandler(&told, nil))}
	_, err := f.ask(&job{ctx: context.Background(), cmd: faulty{}}, time.Now())
	if CodeOf(err) != Down || strings.Contains(err.Error(), "pointer") || !strings.Contains(told.String(), "nil pointer") {
		t.Errorf("refused with %v; the log has %q", err, told.String())
	}
}
