package meter_test

import (
	"testing"

	"rigledger/fleet/meter"
)

func TestLastGainIsTheNewestReadingAtWhichTheMeterHadRun(t *testing.T) {
	s := meter.New(meter.Hours, meter.Point{Value: 100})
	for _, step := range []struct{ at, value, want int64 }{
		{1_000, 100, 0}, {2_000, 150, 2_000}, {3_000, 150, 2_000}, {4_000, 150, 2_000}, {5_000, 151, 5_000},
	} {
		s.Insert(meter.Point{At: step.at, Value: step.value})
		if got := s.LastGain(); got != step.want {
			t.Errorf("after %d at %d: %d, want %d", step.value, step.at, got, step.want)
		}
	}
}
