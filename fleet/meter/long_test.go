package meter_test

import (
	"math/rand/v2"
	"testing"

	"rigledger/fleet/meter"
)

// season plays years of a rig told in order: parked nights with the box switched on, loads of twenty minutes
// at a steady pace with noise, fills between. Deterministic, so that a failure repeats.
func season(o *oracle, n int, perHour int64, rng *rand.Rand) {
	at, value := int64(1_700_000_000_000), o.start.Value
	for len(o.readings) < n {
		for load := 0; load < 18 && len(o.readings) < n; load++ {
			pace := perHour * int64(80+rng.IntN(21)) / 100
			for minute := 0; minute < 20; minute++ {
				dt := int64(55_000 + rng.IntN(10_000))
				at, value = at+dt, value+pace*dt/3_600_000*int64(97+rng.IntN(4))/100
				o.readings = append(o.readings, told{meter.Point{At: at, Value: value}, 0})
			}
			for minute := 0; minute < 12; minute++ {
				at += 60_000
				o.readings = append(o.readings, told{meter.Point{At: at, Value: value}, 0})
			}
		}
		for range 48 {
			at += 15 * 60_000
			o.readings = append(o.readings, told{meter.Point{At: at, Value: value}, 0})
		}
		if rng.IntN(20) == 0 {
			at += 40 * 24 * 3_600_000 // laid up
		}
	}
}

func TestYearsToldInOrderAreKeptSmallAndWithinTheTolerance(t *testing.T) {
	for _, c := range []struct {
		q       meter.Quantity
		perHour int64
		atMost  int // kept, of some 200,000
	}{
		{meter.Hours, 3600, 20_000},
		{meter.Area, 43 * 10_000, 40_000}, // 36 m at 12 km/h
	} {
		t.Run(string(c.q), func(t *testing.T) {
			rng := rand.New(rand.NewPCG(1, 2))
			o := &oracle{start: meter.Point{At: 1_699_999_000_000, Value: 4_000_000}}
			season(o, 200_000, c.perHour, rng)
			s := o.series(c.q)
			lim := meter.Limits{MaxGainPerHour: 36 * 30_000}
			for _, r := range o.readings {
				if v := s.Judge(r.Point, lim, nil); v != meter.Fits {
					t.Fatalf("a reading in order is judged %v", v)
				}
				s.Insert(r.Point)
			}
			cs := o.corners()
			var worst int64
			for range 300_000 {
				at := cs[0].at + rng.Int64N(cs[len(cs)-1].at-cs[0].at+1000)
				off := s.TotalAt(at) - totalAt(cs, at)
				worst = max(worst, off, -off)
			}
			for _, corner := range cs { // the worst of a polygon is at its corners
				off := s.TotalAt(corner.at) - corner.total
				worst = max(worst, off, -off)
			}
			t.Logf("kept %d of %d, worst error %d of %d allowed", s.Len(), len(o.readings), worst, c.q.Tolerance())
			if worst > c.q.Tolerance() {
				t.Errorf("worst error %d base units, allowed %d", worst, c.q.Tolerance())
			}
			if s.Len() > c.atMost {
				t.Errorf("kept %d readings, expected at most %d", s.Len(), c.atMost)
			}
			for _, r := range o.readings {
				if v := s.Judge(r.Point, lim, nil); v != meter.Fits && v != meter.Repeat {
					t.Fatalf("a repeat of %+v is judged %v", r.Point, v)
				}
			}
		})
	}
}

func TestALateImportOfOldHistoryStaysSmallAndWithinTheTolerance(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	o := &oracle{start: meter.Point{At: 1_699_999_000_000, Value: 0}}
	season(o, 60_000, 3600, rng)
	s := o.series(meter.Hours)
	for _, r := range o.readings[40_000:] {
		s.Insert(r.Point)
	}
	for _, r := range o.readings[:40_000] {
		s.Insert(r.Point)
	}
	cs := o.corners()
	for _, corner := range cs {
		if off := s.TotalAt(corner.at) - corner.total; off > 180 || off < -180 {
			t.Fatalf("off by %d at %d", off, corner.at)
		}
	}
	if s.Len() > 12_000 {
		t.Errorf("kept %d of %d", s.Len(), len(o.readings))
	}
	t.Logf("kept %d of %d", s.Len(), len(o.readings))
}

func TestVoidingBeyondTheRawStretchDisturbsNoMoreThanItsNeighbourhood(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 6))
	o := &oracle{start: meter.Point{At: 1_699_999_000_000, Value: 0}}
	season(o, 30_000, 3600, rng)
	s := o.series(meter.Hours)
	for _, r := range o.readings {
		s.Insert(r.Point)
	}
	first, last := o.readings[0].At, o.readings[len(o.readings)-1].At
	kept := s.Points(first, last)
	total := totalOf(s)
	for range 50 {
		i := 1 + rng.IntN(len(kept)-300)
		c := s.Clone()
		if !c.Void(kept[i].At) {
			t.Fatal("a kept reading is voided")
		}
		for _, r := range kept {
			if r.At > kept[i-1].At && r.At < kept[i+1].At {
				continue
			}
			if got := c.TotalAt(r.At); got != r.Total {
				t.Fatalf("voiding %d moved the total at %d from %d to %d", kept[i].At, r.At, r.Total, got)
			}
		}
		if totalOf(c) != total || totalOf(s) != total || s.Len() != c.Len()+1 {
			t.Fatal("voiding a middle reading moved the total, or the original moved with its clone")
		}
	}
}

func BenchmarkInsertAndJudgeInOrder(b *testing.B) {
	o := &oracle{start: meter.Point{At: 1_699_999_000_000, Value: 4_000_000}}
	season(o, 1_000_000, 43*10_000, rand.New(rand.NewPCG(1, 2)))
	lim := meter.Limits{MaxGainPerHour: 36 * 30_000}
	b.ReportAllocs()
	for b.Loop() {
		s := o.series(meter.Area)
		for _, r := range o.readings {
			if s.Judge(r.Point, lim, nil) == meter.Fits {
				s.Insert(r.Point)
			}
		}
		b.ReportMetric(float64(s.Len()), "kept")
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/float64(len(o.readings)), "ns/reading")
}

func BenchmarkTotalAt(b *testing.B) {
	o := &oracle{start: meter.Point{At: 1_699_999_000_000, Value: 4_000_000}}
	season(o, 1_000_000, 3600, rand.New(rand.NewPCG(1, 2)))
	s := o.series(meter.Hours)
	for _, r := range o.readings {
		s.Insert(r.Point)
	}
	from, to := o.span()
	b.ReportAllocs()
	at := from
	for b.Loop() {
		s.TotalAt(at)
		if at += 7_919_000; at > to {
			at = from
		}
	}
}

func BenchmarkLateReadingAmongPackedOnes(b *testing.B) {
	o := &oracle{start: meter.Point{At: 1_699_999_000_000, Value: 4_000_000}}
	season(o, 200_000, 43*10_000, rand.New(rand.NewPCG(1, 2)))
	s := o.series(meter.Area)
	for _, r := range o.readings {
		s.Insert(r.Point)
	}
	rng := rand.New(rand.NewPCG(7, 8))
	b.ReportAllocs()
	for b.Loop() { // off the line, so that it is kept; then taken out again
		at := o.readings[rng.IntN(len(o.readings)-5000)].At + 1
		if s.Insert(meter.Point{At: at, Value: s.TotalAt(at) + 600}) {
			s.Void(at)
		}
	}
}
