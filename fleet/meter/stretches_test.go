package meter_test

import (
	"encoding/json"
	"math"
	"reflect"
	"testing"

	"rigledger/fleet/meter"
)

// steady is n readings of an hour meter, one every gap ms, gaining as many seconds each.
func steady(s *meter.Series, from meter.Point, n int, gap, gain int64) []meter.Point {
	out := make([]meter.Point, n)
	for i := range out {
		from.At, from.Value = from.At+gap, from.Value+gain
		out[i] = from
	}
	insert(s, out...)
	return out
}

// borders are the times of the first mark of the near and of the raw stretch.
func borders(s *meter.Series) [2]int64 {
	return [2]int64{s.Marks()[s.Settled].At, s.Kept[s.Near].At}
}

// worked is a series with all three stretches, told every minute, each kept reading a corner: the pace changes.
func worked(t *testing.T) *meter.Series {
	s := meter.New(meter.Hours, meter.Point{At: hour, Value: 0})
	p := meter.Point{At: hour}
	for range 600 {
		p = steady(s, p, 10, 60_000, 60)[9]
		p = steady(s, p, 10, 600_000, 0)[9]
	}
	if s.Settled == 0 || s.Sealed()-s.Settled < 1000 || len(s.Kept)-s.Near < 128 {
		t.Fatalf("stretches %d, %d of %d", s.Settled, s.Sealed(), s.Len())
	}
	return s
}

func TestLateReadingsAndVoidsLeaveTheBordersOfTheStretchesWhereTheyAre(t *testing.T) {
	whole := worked(t)
	if whole.Near < 2 {
		t.Fatalf("%d near readings are not packed", whole.Near)
	}
	for name, i := range map[string]int{"settled": whole.Settled / 2, "near": (whole.Settled + whole.Sealed()) / 2, "near and not packed": whole.Sealed() - 1} {
		t.Run(name, func(t *testing.T) {
			s := whole.Clone()
			want := borders(s)
			// Two readings that no counter told honestly: far off the line, so that they are kept.
			marks := s.Marks()
			mid := (marks[i-1].At + marks[i].At) / 2
			p := meter.Point{At: mid, Value: marks[i].Value + 100_000}
			if !s.Insert(p) || borders(s) != want {
				t.Errorf("a late reading moved the borders from %v to %v", want, borders(s))
			}
			if got := s.TotalAt(mid); got != p.Value {
				t.Errorf("the late reading's own total is %d, want %d", got, p.Value)
			}
			if !s.Void(mid) || borders(s) != want {
				t.Errorf("a void moved the borders from %v to %v", want, borders(s))
			}
		})
	}
}

func TestALateReadingInASettledStretchIsAbsorbedOnItsLineAndKeptOffIt(t *testing.T) {
	s := worked(t)
	before := s.Len()
	marks := s.Marks()
	at := (marks[10].At + marks[11].At) / 2
	if marks[11].Thin == 0 {
		t.Fatal("no reading was left out there")
	}
	on, off := s.TotalAt(at), s.TotalAt(at)+s.Quantity.Tolerance()+1
	if s.Insert(meter.Point{At: at, Value: on}) || s.Len() != before {
		t.Error("on the line of a thinned stretch it is absorbed")
	}
	if !s.Insert(meter.Point{At: at, Value: off}) || s.TotalAt(at) != off || s.Len() != before+1 {
		t.Error("off the line by more than the tolerance it is kept")
	}
}

func TestASwapEnteredLateIntoAThinnedStretchTakesTheInterpolatedLastValue(t *testing.T) {
	begin := func() (*meter.Series, []meter.Point) {
		s := meter.New(meter.Hours, meter.Point{At: hour, Value: 0})
		return s, steady(s, meter.Point{At: hour}, 1000, 10_000, 10)
	}
	s, told := begin()
	exactly := told[60]
	if len(s.Points(exactly.At, exactly.At)) != 0 {
		t.Fatal("the reading at the swap should have been left out")
	}
	total, _ := s.Total()
	at := exactly.At + 1
	s.Swap(at, nil, exactly.Value) // the new counter was set to what the old one showed
	if got, _ := s.Total(); got < total-180 || got > total+180 {
		t.Errorf("total %d, before the swap %d", got, total)
	}
	for _, p := range told {
		if got := s.TotalAt(p.At); got < p.Value-180 || got > p.Value+180 {
			t.Fatalf("total at %d is %d, told %d", p.At, got, p.Value)
		}
	}
	if err := s.Check(); err != nil {
		t.Error(err)
	}
	s, _ = begin()
	last := exactly.Value + 5
	s.Swap(at, &last, exactly.Value)
	if got, _ := s.Total(); got != total+5 {
		t.Errorf("with the last value known the total is %d, want %d", got, total+5)
	}
}

func TestTotalsDoNotFallAtALateSwapWithALastValueBelowTheLine(t *testing.T) {
	s := meter.New(meter.Hours, meter.Point{At: hour, Value: 0})
	told := steady(s, meter.Point{At: hour}, 1000, 10_000, 10)
	last := told[60].Value - 50
	s.Swap(told[60].At, &last, 0)
	if before, then := s.TotalAt(told[60].At-1), s.TotalAt(told[60].At); before > then || then != last {
		t.Errorf("total falls from %d to %d at the swap, which ended at %d", before, then, last)
	}
}

func TestThinningManyTimesOverDoesNotAddUpItsErrors(t *testing.T) {
	o := &oracle{start: meter.Point{At: hour, Value: 0}}
	p := o.start
	for i := range 30_000 { // a pace that keeps bending, so that every line is a compromise
		p.At, p.Value = p.At+600_000, p.Value+300+int64(290*math.Sin(float64(i)/40))
		o.readings = append(o.readings, told{p, 0})
	}
	s := o.series(meter.Hours)
	for _, r := range o.readings[20_000:] {
		s.Insert(r.Point)
	}
	if s.Settled == 0 {
		t.Fatal("nothing is settled")
	}
	// Why it cannot add up: what holds a thinned stretch is never itself left out at that level.
	var holds []int64
	marks := s.Marks()
	for i := 1; i < s.Settled; i++ {
		if marks[i].Thin == 2 {
			holds = append(holds, marks[i-1].At, marks[i].At)
		}
	}
	if len(holds) == 0 {
		t.Fatal("no stretch is thinned")
	}
	defer func() {
		for _, at := range holds {
			if len(s.Points(at, at)) != 1 {
				t.Fatalf("the reading at %d held a thinned stretch and was left out", at)
			}
		}
	}()
	for _, r := range o.readings[:20_000] { // every 512 late ones all is looked at again
		s.Insert(r.Point)
	}
	var worst int64
	for _, c := range o.corners() {
		off := s.TotalAt(c.at) - c.total
		worst = max(worst, off, -off)
	}
	t.Logf("kept %d of %d, worst error %d s", s.Len(), len(o.readings), worst)
	if worst > 180 {
		t.Errorf("worst error %d s, allowed 180", worst)
	}
}

func TestRepeatsOfLeftOutReadingsThatUsedTheSlackEachTimeStillFit(t *testing.T) {
	lim := meter.Limits{MaxGainPerHour: 3600, Slack: 30}
	s := meter.New(meter.Hours, meter.Point{At: hour, Value: 0})
	p := meter.Point{At: hour}
	var told []meter.Point
	for range 600 {
		p.At, p.Value = p.At+10_000, p.Value+35
		if v := s.Judge(p, lim, nil); v != meter.Fits {
			t.Fatalf("in order judged %v", v)
		}
		s.Insert(p)
		told = append(told, p)
	}
	left := 0
	for _, p := range told {
		if len(s.Points(p.At, p.At)) == 0 {
			left++
		}
		if v := s.Judge(p, lim, nil); v != meter.Fits && v != meter.Repeat {
			t.Fatalf("told again, %+v is judged %v", p, v)
		}
	}
	if left == 0 {
		t.Fatal("none was left out: the test shows nothing")
	}
}

func TestAVoidJoinsAThinnedStretchToItsNeighbourAsThinned(t *testing.T) {
	s := meter.New(meter.Hours, meter.Point{At: hour, Value: 0})
	flat := steady(s, meter.Point{At: hour}, 60, 10_000, 0)
	steady(s, flat[59], 400, 3_600_000, 1000) // steps too large to leave any out
	i, marks := 0, s.Marks()
	for marks[i].At != flat[59].At {
		i++
	}
	if marks[i].Thin == 0 || marks[i+1].Thin != 0 {
		t.Fatalf("not the shape that was wanted: %+v", marks[:i+2])
	}
	if !s.Void(flat[59].At) || s.Marks()[i].Thin == 0 {
		t.Errorf("the joined stretch %+v forgot that readings were left out of it", s.Marks()[i])
	}
}

func TestASwapTakenOutLeavesOneReadingPerTime(t *testing.T) {
	s := meter.New(meter.Hours, meter.Point{At: hour, Value: 0})
	last := int64(700)
	s.Swap(10*hour, &last, 0)
	insert(s, meter.Point{At: 10 * hour, Value: 700}, meter.Point{At: 10 * hour, Value: 720}, meter.Point{At: 20 * hour, Value: 900})
	if s.Len() != 3 {
		t.Fatalf("kept %d, want one of each counter at the swap and one after", s.Len())
	}
	if !s.Unswap(10*hour) || s.Len() != 2 {
		t.Fatalf("kept %d after the swap was taken out, want 2", s.Len())
	}
	if total, _ := s.Total(); total != 900 || s.Check() != nil {
		t.Errorf("total %d, %v", total, s.Check())
	}
}

func TestTheSameInsertsThinAlikeWithOrWithoutASnapshotBetween(t *testing.T) {
	a, b := meter.New(meter.Hours, meter.Point{}), meter.New(meter.Hours, meter.Point{})
	p := meter.Point{At: hour}
	for i := range 20_000 {
		p.At, p.Value = p.At+20_000, p.Value+int64(i*7919%23)
		late := meter.Point{At: p.At - 3*hour + int64(i%50), Value: a.TotalAt(p.At - 3*hour)}
		a.Insert(p)
		b.Insert(p)
		if i%41 == 0 && i > 1000 {
			a.Insert(late)
			b.Insert(late)
		}
		if i%997 == 0 {
			data, err := json.Marshal(b)
			if err != nil {
				t.Fatal(err)
			}
			b = new(meter.Series)
			if err := json.Unmarshal(data, b); err != nil {
				t.Fatal(err)
			}
		}
	}
	if !reflect.DeepEqual(a, b) {
		t.Error("a fold that went on from a snapshot differs from one that did not")
	}
}

func FuzzSeriesFromJSON(f *testing.F) {
	s := meter.New(meter.Hours, meter.Point{At: hour, Value: 3})
	steady(s, meter.Point{At: hour, Value: 3}, 300, 10_000, 10)
	last := int64(9000)
	s.Swap(500*hour, &last, 0)
	seed, err := json.Marshal(s)
	if err != nil {
		f.Fatal(err)
	}
	f.Add(seed)
	f.Add([]byte(`{"q":"area","epochs":[{"at":0,"start":0,"base":0}],"kept":[5,1,0]}`))
	f.Fuzz(func(t *testing.T, data []byte) {
		s := new(meter.Series)
		if json.Unmarshal(data, s) != nil || s.Check() != nil {
			return
		}
		again, err := json.Marshal(s)
		if err != nil {
			t.Fatal(err)
		}
		back := new(meter.Series)
		if err := json.Unmarshal(again, back); err != nil {
			t.Fatalf("%s: %v", again, err)
		}
		// Whatever passes Check can be asked and added to.
		p := meter.Point{At: 20 * hour, Value: 400}
		back.Judge(p, meter.Limits{MaxGainPerHour: 3600}, nil)
		back.Insert(p)
		back.Swap(10*hour, nil, 5)
		back.Void(20 * hour)
		back.TotalAt(15 * hour)
		if err := back.Check(); err != nil {
			t.Fatalf("%s: %v", again, err)
		}
	})
}
