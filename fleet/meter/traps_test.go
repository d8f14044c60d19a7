package meter_test

import (
	"encoding/json"
	"testing"

	"rigledger/fleet/meter"
)

func ptr(v int64) *int64 { return &v }

const hour = 3_600_000 // ms

func insert(s *meter.Series, ps ...meter.Point) {
	for _, p := range ps {
		s.Insert(p)
	}
}

func TestASwapOnTheSameMillisecondAsAReading(t *testing.T) {
	const at = 1000 * hour
	for _, c := range []struct {
		name         string
		last         *int64
		start, value int64 // of the reading at the swap
		epoch        int
		total        int64 // start value 100, then a reading of 500 before
	}{
		{"the old counter's last reading stays with the old one", nil, 0, 700, 0, 700},
		{"so does the value it came off with", ptr(700), 0, 700, 0, 700},
		{"a value below the reading before is the new counter's", nil, 0, 13, 1, 513},
		{"so is the new counter's start", ptr(600), 20, 20, 1, 600},
		{"a value neither can have is left with the old one, where it moves no total", ptr(600), 650, 400, 0, 600},
		{"and a value the old one had not reached", ptr(600), 650, 660, 1, 610},
	} {
		for _, swapFirst := range []bool{true, false} {
			t.Run(c.name, func(t *testing.T) {
				s := meter.New(meter.Hours, meter.Point{At: hour, Value: 100})
				insert(s, meter.Point{At: 10 * hour, Value: 500})
				if swapFirst {
					s.Swap(at, c.last, c.start)
				}
				insert(s, meter.Point{At: at, Value: c.value})
				if !swapFirst {
					s.Swap(at, c.last, c.start)
				}
				if got, _ := s.Total(); got != c.total {
					t.Errorf("total %d, want %d", got, c.total)
				}
				ps := s.Points(at, at)
				if len(ps) != 1 || ps[0].Epoch != c.epoch {
					t.Errorf("the reading stands as %+v, want epoch %d", ps, c.epoch)
				}
				if v := s.Judge(meter.Point{At: at, Value: c.value}, meter.Limits{}, nil); v != meter.Repeat {
					t.Errorf("told again it is judged %v", v)
				}
			})
		}
	}
}

func TestASwapBetweenExistingReadingsTakesTheLaterOnesToTheNewCounter(t *testing.T) {
	s := meter.New(meter.Hours, meter.Point{Value: 1000})
	insert(s, meter.Point{At: 10 * hour, Value: 2000}, meter.Point{At: 20 * hour, Value: 2600})
	s.Swap(15*hour, ptr(2200), 2500)
	if got, at := s.Total(); got != 2300 || at != 20*hour {
		t.Errorf("total %d at %d, want 2200 + 100 at 20 h", got, at)
	}
	if got := s.TotalAt(12*hour + hour/2); got != 2100 {
		t.Errorf("half way to the swap %d, want 2100", got)
	}
	s.Swap(15*hour, nil, 2400) // corrected: nobody read the old one
	if got, _ := s.Total(); got != 2200 {
		t.Errorf("corrected total %d, want 2000 + 200", got)
	}
	if p, ok := s.Last(); !ok || p.Value != 2600 {
		t.Errorf("last %+v %v", p, ok)
	}
	s.Swap(30*hour, nil, 0)
	if _, ok := s.Last(); ok {
		t.Error("a counter just fitted has no reading")
	}
	if got, at := s.Total(); got != 2200 || at != 20*hour {
		t.Errorf("a swap moves neither total nor time of reading: %d at %d", got, at)
	}
}

func TestRolloverOfACounterWithKnownDigits(t *testing.T) {
	rollAt := meter.Hours.RollAt(4)
	if rollAt != 10_000*3600 {
		t.Fatalf("four digits roll at %d s", rollAt)
	}
	lim := meter.Limits{MaxGainPerHour: 3600}
	begin := func() *meter.Series {
		s := meter.New(meter.Hours, meter.Point{At: hour, Value: rollAt - 20*3600})
		s.Digits, s.RollAt = 4, rollAt
		insert(s, meter.Point{At: 100 * hour, Value: rollAt - 6*3600})
		return s
	}
	for _, c := range []struct {
		name string
		p    meter.Point
		want meter.Verdict
	}{
		{"eight hours on, two past zero", meter.Point{At: 108 * hour, Value: 2 * 3600}, meter.Rolled},
		{"exactly zero", meter.Point{At: 106 * hour, Value: 0}, meter.Rolled},
		{"more gain than the time allows", meter.Point{At: 108 * hour, Value: 5 * 3600}, meter.Falls},
		{"a small fall is no rollover", meter.Point{At: 108 * hour, Value: rollAt - 7*3600}, meter.Falls},
		{"a long silence does not excuse a large gain", meter.Point{At: 9000 * hour, Value: 3000 * 3600}, meter.Falls},
		{"a late reading does not roll", meter.Point{At: 50 * hour, Value: 0}, meter.Falls},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := begin()
			if got := s.Judge(c.p, lim, nil); got != c.want {
				t.Fatalf("judged %v, want %v", got, c.want)
			}
			if c.want != meter.Rolled {
				return
			}
			before, _ := s.Total()
			want := before + 6*3600 + c.p.Value
			at, last, ok := s.Rollover(c.p)
			if !ok || at < 100*hour || at >= c.p.At || last != rollAt {
				t.Fatalf("rollover at %d with %d, %v", at, last, ok)
			}
			other := s.Clone()
			s.Swap(at, &last, 0)
			insert(s, c.p)
			if got, _ := s.Total(); got != want {
				t.Errorf("total %d, want %d", got, want)
			}
			if got := s.TotalAt(103 * hour); got < before+3*3600-1 || got > before+3*3600 {
				t.Errorf("three hours on the total is %d more, want 3 h", got-before)
			}
			other.Swap(c.p.At, &last, 0) // a swap at the reading's own time does as well
			insert(other, c.p)
			if got, _ := other.Total(); got != want {
				t.Errorf("total %d with the swap at the reading, want %d", got, want)
			}
		})
	}
	t.Run("unknown digits fall", func(t *testing.T) {
		s := begin()
		s.RollAt = 0
		if got := s.Judge(meter.Point{At: 108 * hour, Value: 0}, lim, nil); got != meter.Falls {
			t.Errorf("judged %v", got)
		}
	})
}

func TestJudgeNamesWhatIsWrongWithAReading(t *testing.T) {
	// An hour meter at 24 h a day (design: quarantine what gains more than 24 h in a day).
	lim := meter.Limits{MaxGainPerHour: 3600, Slack: -1}
	s := meter.New(meter.Hours, meter.Point{At: 10 * hour, Value: 3600})
	insert(s, meter.Point{At: 20 * hour, Value: 2 * 3600}, meter.Point{At: 30 * hour, Value: 4 * 3600})
	s.Swap(40*hour, ptr(5*3600), 100)
	for _, c := range []struct {
		name    string
		p       meter.Point
		pending []meter.Point
		want    meter.Verdict
	}{
		{"between its neighbours", meter.Point{At: 25 * hour, Value: 3 * 3600}, nil, meter.Fits},
		{"the same again", meter.Point{At: 20 * hour, Value: 2 * 3600}, nil, meter.Repeat},
		{"another value at that time", meter.Point{At: 20 * hour, Value: 3 * 3600}, nil, meter.Clash},
		{"above a later one", meter.Point{At: 25 * hour, Value: 5 * 3600}, nil, meter.Falls},
		{"below an earlier one", meter.Point{At: 25 * hour, Value: 3600}, nil, meter.Falls},
		{"above what the counter came off with", meter.Point{At: 39 * hour, Value: 5*3600 + 1}, nil, meter.Falls},
		{"the start again", meter.Point{At: 10 * hour, Value: 3600}, nil, meter.Repeat},
		{"another start", meter.Point{At: 10 * hour, Value: 3700}, nil, meter.Clash},
		{"below the start", meter.Point{At: 11 * hour, Value: 3599}, nil, meter.Falls},
		{"faster than the clock", meter.Point{At: 10*hour + 1000, Value: 3602}, nil, meter.TooFast},
		{"as fast as the clock", meter.Point{At: 10*hour + 1000, Value: 3601}, nil, meter.Fits},
		{"leaves too little time to the later one", meter.Point{At: 20*hour - 1000, Value: 3600}, nil, meter.TooFast},
		{"before the meter's start, below it", meter.Point{At: hour, Value: 10}, nil, meter.Fits},
		{"before the meter's start, above it", meter.Point{At: hour, Value: 3601}, nil, meter.Falls},
		{"the value the old counter came off with", meter.Point{At: 40 * hour, Value: 5 * 3600}, nil, meter.Repeat},
		{"the new counter's start", meter.Point{At: 40 * hour, Value: 100}, nil, meter.Repeat},
		{"the new counter below its start", meter.Point{At: 41 * hour, Value: 99}, nil, meter.Falls},
		{"the old counter still told after the swap", meter.Point{At: 41 * hour, Value: 5 * 3600}, nil, meter.TooFast},
		{"below one that is pending", meter.Point{At: 42 * hour, Value: 200}, []meter.Point{{At: 41 * hour, Value: 300}}, meter.Falls},
		{"above a later pending one", meter.Point{At: 42 * hour, Value: 400}, []meter.Point{{At: 43 * hour, Value: 300}, {At: 50 * hour, Value: 900}}, meter.Falls},
		{"the same as a pending one", meter.Point{At: 42 * hour, Value: 200}, []meter.Point{{At: 42 * hour, Value: 200}}, meter.Repeat},
		{"clashing with a pending one", meter.Point{At: 42 * hour, Value: 201}, []meter.Point{{At: 42 * hour, Value: 200}}, meter.Clash},
		{"pending of the other counter does not count", meter.Point{At: 42 * hour, Value: 200}, []meter.Point{{At: 35 * hour, Value: 5 * 3600}}, meter.Fits},
	} {
		t.Run(c.name, func(t *testing.T) {
			if got := s.Judge(c.p, lim, c.pending); got != c.want {
				t.Errorf("judged %v, want %v", got, c.want)
			}
		})
	}
}

func TestWhoseCounterAReadingAtTheSwapIsOfDependsOnPendingReadingsToo(t *testing.T) {
	const at = 1000 * hour
	s := meter.New(meter.Hours, meter.Point{Value: 0})
	insert(s, meter.Point{At: 10 * hour, Value: 50})
	s.Swap(at, ptr(59), 0)
	insert(s, meter.Point{At: at + hour, Value: 10})
	pending := []meter.Point{{At: at - 4, Value: 59}}
	p := meter.Point{At: at, Value: 58}
	if got := s.Judge(p, meter.Limits{}, nil); got != meter.Clash {
		t.Errorf("judged %v, want a clash with the 59 the old counter came off with", got)
	}
	if got := s.Judge(p, meter.Limits{}, pending); got != meter.Falls {
		t.Errorf("judged %v; after the pending 59 it can only be the new counter's, and that shows 10 later", got)
	}
	if s.Len() != 2 {
		t.Error("judging put something in")
	}
}

func TestLimitsDoNotOverflowAtTheLargestValues(t *testing.T) {
	s := meter.New(meter.Volume, meter.Point{At: 1, Value: 0})
	p := meter.Point{At: 1 << 45, Value: meter.MaxValue}
	if got := s.Judge(p, meter.Limits{MaxGainPerHour: 1 << 40}, nil); got != meter.Fits {
		t.Errorf("judged %v", got) // 2⁴⁵ ms × 2⁴⁰ per hour is far more than 10¹⁵
	}
	if got := s.Judge(p, meter.Limits{MaxGainPerHour: 1000}, nil); got != meter.TooFast {
		t.Errorf("judged %v", got)
	}
	insert(s, p)
	if got := s.TotalAt(1 + (p.At-1)/2); got < meter.MaxValue/2-1000 || got > meter.MaxValue/2 {
		t.Errorf("half way %d", got)
	}
}

func TestAnUntoldMeterStandsAtItsStart(t *testing.T) {
	s := meter.New(meter.Area, meter.Point{Value: 5})
	if total, at := s.Total(); total != 5 || at != 0 {
		t.Errorf("total %d at %d", total, at)
	}
	if s.TotalAt(99) != 5 || s.Usage(0, 1e12) != 0 || s.Void(0) || s.Len() != 0 || s.Points(0, 1e15) != nil {
		t.Error("an untold meter has usage")
	}
	insert(s, meter.Point{At: 100 * hour, Value: 905})
	if s.TotalAt(100*hour-1) != 5 || s.TotalAt(100*hour) != 905 {
		t.Error("with its time unknown the start value holds until the first reading")
	}
}

func TestDamagedSeriesAreRefused(t *testing.T) {
	for _, text := range []string{
		`{"q":"hours","epochs":[],"kept":[]}`,
		`{"q":"miles","epochs":[{"at":0,"start":0,"base":0}],"kept":[]}`,
		`{"q":"hours","epochs":[{"at":0,"start":0,"base":0}],"kept":[1,1]}`,
		`{"q":"hours","epochs":[{"at":0,"start":0,"base":0}],"kept":[5,1,0,-2,1,0]}`,
		`{"q":"hours","epochs":[{"at":0,"start":0,"base":0}],"kept":[5,1,4]}`,
		`{"q":"hours","epochs":[{"at":0,"start":0,"base":0}],"kept":[5,1,0],"settled":1}`,
		`{"q":"hours","epochs":[{"at":9,"start":0,"base":0},{"at":5,"start":0,"base":0}],"kept":[]}`,
		`{"q":"hours","epochs":[{"at":0,"start":0,"base":0},{"at":5,"start":0,"base":0}],"kept":[6,1,0,1,1,4]}`,
		`{"q":"hours","epochs":[{"at":0,"start":0,"base":0},{"at":5,"start":0,"base":0}],"kept":[4,1,4]}`,
	} {
		s := new(meter.Series)
		if json.Unmarshal([]byte(text), s) == nil && s.Check() == nil {
			t.Errorf("accepted %s", text)
		}
	}
}
