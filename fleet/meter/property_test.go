package meter_test

import (
	"encoding/json"
	"reflect"
	"testing"

	"rigledger/fleet/meter"

	"pgregory.net/rapid"
)

func totalOf(s *meter.Series) int64 { v, _ := s.Total(); return v }

func checkExact(t *rapid.T, o *oracle, s *meter.Series) {
	t.Helper()
	cs := o.corners()
	if got, want := totalOf(s), cs[len(cs)-1].total; got != want {
		t.Fatalf("total %d, of all readings in order %d", got, want)
	}
	for _, at := range o.asked(t, cs, 12) {
		if got, want := s.TotalAt(at), totalAt(cs, at); got != want {
			t.Fatalf("total at %d is %d, of all readings in order %d", at, got, want)
		}
	}
}

func checkWithin(t *rapid.T, o *oracle, s *meter.Series, times int) {
	t.Helper()
	cs := o.corners()
	if got, want := totalOf(s), cs[len(cs)-1].total; got != want {
		t.Fatalf("total %d, of all readings in order %d", got, want)
	}
	bound := s.Quantity.Tolerance()
	for _, at := range o.asked(t, cs, times) {
		got, want := s.TotalAt(at), totalAt(cs, at)
		if got-want > bound || want-got > bound {
			t.Fatalf("total at %d is %d, of all readings %d: off by %d > %d (kept %d of %d)", at, got, want, got-want, bound, s.Len(), len(o.readings))
		}
	}
}

func roundTrip(t *rapid.T, s *meter.Series) *meter.Series {
	t.Helper()
	data, err := json.Marshal(s)
	if err != nil {
		t.Fatal(err)
	}
	back := new(meter.Series)
	if err := json.Unmarshal(data, back); err != nil {
		t.Fatal(err)
	}
	if err := back.Check(); err != nil {
		t.Fatal(err)
	}
	if !reflect.DeepEqual(s, back) {
		t.Fatalf("series changed on its way through JSON:\n%+v\n%+v", s, back)
	}
	return back
}

func TestAnyOrderAndRepetitionOfRecentReadingsAndSwapsGivesTheExactTotals(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		o := life(t, 1, 100, 4, false)
		type event struct {
			swap *swap
			told told
		}
		var events []event
		for i := range o.swaps {
			events = append(events, event{swap: &o.swaps[i]}, event{swap: &o.swaps[i]})
		}
		for _, r := range o.readings {
			events = append(events, event{told: r})
		}
		for range rapid.IntRange(0, 30).Draw(t, "repeats") {
			events = append(events, event{told: o.readings[rapid.SampledFrom(indexes(len(o.readings))).Draw(t, "repeat of")]})
		}
		s := o.series(meter.Hours)
		for _, e := range shuffled(t, events) {
			if e.swap != nil {
				s.Swap(e.swap.at, e.swap.last, e.swap.start)
			} else {
				s.Insert(e.told.Point)
			}
		}
		if s.Len() != len(o.readings) {
			t.Fatalf("kept %d of %d recent readings", s.Len(), len(o.readings))
		}
		checkExact(t, o, roundTrip(t, s))
	})
}

func TestVoidedRecentReadingsLeaveNoTraceAndASwapTakenOutNeither(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		o := life(t, 2, 100, 3, false)
		s := o.series(meter.Area)
		wrong := make([]bool, len(o.readings))
		for i := range wrong {
			wrong[i] = rapid.SampledFrom(indexes(5)).Draw(t, "wrong") == 0
		}
		wrong[0] = false
		for _, w := range o.swaps {
			s.Swap(w.at, w.last, w.start)
		}
		for i, r := range o.readings {
			if wrong[i] {
				r.Value += rapid.Int64Range(0, 1e9).Draw(t, "wrong by")
			}
			s.Insert(r.Point)
		}
		cut := o.readings[0].At - 5
		s.Swap(cut, nil, 77)
		var right []told
		for i, r := range o.readings {
			if !wrong[i] {
				right = append(right, r)
			} else if !s.Void(r.At) || s.Void(r.At) {
				t.Fatal("a reading is voided once")
			}
		}
		if !s.Unswap(cut) || s.Unswap(cut) {
			t.Fatal("a swap is taken out once")
		}
		o.readings = right
		checkExact(t, o, s)
	})
}

func TestThinnedTotalsStayWithinTheToleranceInAnyOrder(t *testing.T) {
	for _, q := range []meter.Quantity{meter.Hours, meter.Area, meter.Loads} {
		t.Run(string(q), func(t *testing.T) {
			rapid.Check(t, func(t *rapid.T) {
				o := life(t, 300, 1500, 3, false)
				s := o.series(q)
				for _, w := range o.swaps {
					s.Swap(w.at, w.last, w.start)
				}
				var order []told
				switch rapid.SampledFrom(indexes(3)).Draw(t, "arrival") {
				case 0:
					order = shuffled(t, o.readings)
				case 1: // a block is late
					i := rapid.SampledFrom(indexes(len(o.readings))).Draw(t, "block from")
					j := i + rapid.SampledFrom(indexes(len(o.readings)-i)).Draw(t, "block length")
					order = append(append(append(order, o.readings[:i]...), o.readings[j:]...), o.readings[i:j]...)
				case 2: // newest first
					for i := len(o.readings) - 1; i >= 0; i-- {
						order = append(order, o.readings[i])
					}
				}
				for i, r := range order {
					s.Insert(r.Point)
					if i%97 == 0 {
						s = roundTrip(t, s)
					}
				}
				checkWithin(t, o, s, 40)
				for _, r := range order { // all again, by then partly left out
					if v := s.Judge(r.Point, meter.Limits{MaxGainPerHour: 600_000}, nil); v == meter.Falls || v == meter.Clash || v == meter.Rolled {
						t.Fatalf("a repeat at %d is judged %v", r.At, v)
					}
					if s.Insert(r.Point) {
						t.Fatalf("a repeat at %d changed the series", r.At)
					}
				}
				checkWithin(t, o, s, 10)
			})
		})
	}
}

func TestTotalsNeverFallAndUsageOfPartsIsUsageOfTheWhole(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		o := life(t, 2, 600, 3, false)
		s := o.series(meter.Volume)
		for _, w := range o.swaps {
			s.Swap(w.at, w.last, w.start)
		}
		before := totalOf(s)
		for _, r := range shuffled(t, o.readings) {
			s.Insert(r.Point)
			if now := totalOf(s); now < before {
				t.Fatalf("total fell from %d to %d", before, now)
			} else {
				before = now
			}
		}
		from, to := o.span()
		a, b := rapid.Int64Range(from, to).Draw(t, "a"), rapid.Int64Range(from, to).Draw(t, "b")
		a, b = min(a, b), max(a, b)
		if s.Usage(a, b) < 0 || s.Usage(from, a)+s.Usage(a, b)+s.Usage(b, to) != s.Usage(from, to) {
			t.Fatal("usage of parts is not usage of the whole")
		}
		var last int64
		for i, r := range s.Points(from, to) {
			if i > 0 && r.Total < last {
				t.Fatalf("kept totals fall at %d", r.At)
			}
			last = r.Total
			if got := s.TotalAt(r.At); got != r.Total {
				t.Fatalf("total at a kept reading %d, its own %d", got, r.Total)
			}
		}
	})
}

func TestJudgeSeesPendingReadingsAsIfInserted(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		o := life(t, 2, 60, 2, false)
		with, without := o.series(meter.Hours), o.series(meter.Hours)
		for _, w := range o.swaps {
			with.Swap(w.at, w.last, w.start)
			without.Swap(w.at, w.last, w.start)
		}
		var pending []meter.Point
		for _, r := range o.readings {
			with.Insert(r.Point)
			if rapid.Bool().Draw(t, "pending") {
				pending = append(pending, r.Point)
			} else {
				without.Insert(r.Point)
			}
		}
		pending = shuffled(t, pending)
		lim := meter.Limits{MaxGainPerHour: 3600, Slack: rapid.Int64Range(-1, 300).Draw(t, "slack")}
		for range 20 {
			r := o.readings[rapid.SampledFrom(indexes(len(o.readings))).Draw(t, "near")]
			p := meter.Point{At: r.At + rapid.Int64Range(-90_000, 90_000).Draw(t, "later"), Value: max(r.Value+rapid.Int64Range(-200, 200).Draw(t, "more"), 0)}
			if len(o.swaps) > 0 && rapid.SampledFrom(indexes(6)).Draw(t, "at a swap") == 0 {
				p.At = rapid.SampledFrom(o.swaps).Draw(t, "swap").at
			}
			a, b := with.Judge(p, lim, nil), without.Judge(p, lim, pending)
			if a != b {
				t.Fatalf("%+v is judged %v when all are in, %v when %d are pending", p, a, b, len(pending))
			}
		}
	})
}

func TestJudgeAgreesWithLookingAtEveryReading(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		o := life(t, 1, 100, 0, false)
		s := o.series(meter.Hours)
		for _, r := range shuffled(t, o.readings) {
			s.Insert(r.Point)
		}
		const perHour, slack = 3600, 30
		for range 20 {
			r := o.readings[rapid.SampledFrom(indexes(len(o.readings))).Draw(t, "near")]
			p := meter.Point{At: r.At + rapid.Int64Range(-90_000, 90_000).Draw(t, "later"), Value: max(r.Value+rapid.Int64Range(-200, 200).Draw(t, "more"), 0)}
			want := meter.Fits
			all := append([]told{}, o.readings...)
			if o.start.At != 0 {
				all = append(all, told{Point: o.start})
			}
			if p.Value < o.start.Value && p.At >= o.start.At {
				want = meter.Falls
			}
			for _, k := range all {
				switch {
				case k.At == p.At && k.Value == p.Value:
					want = meter.Repeat
				case k.At == p.At && want != meter.Repeat:
					want = meter.Clash
				}
				if want == meter.Repeat || want == meter.Clash {
					break
				}
				if (k.At < p.At && k.Value > p.Value) || (k.At > p.At && k.Value < p.Value) {
					want = meter.Falls
				}
			}
			if want == meter.Fits && p.At >= o.start.At { // before the start nothing is known of the pace
				var prior, later *meter.Point
				for i := range all {
					k := &all[i].Point
					if k.At < p.At && (prior == nil || k.At > prior.At) {
						prior = k
					}
					if k.At > p.At && (later == nil || k.At < later.At) {
						later = k
					}
				}
				// float64 here on purpose: another way to the same bound
				tooFast := func(a, b *meter.Point) bool {
					return a != nil && b != nil && float64(b.Value-a.Value-slack) > float64(b.At-a.At)/1000
				}
				if tooFast(prior, &p) || tooFast(&p, later) {
					want = meter.TooFast
				}
			}
			if got := s.Judge(p, meter.Limits{MaxGainPerHour: perHour, Slack: slack}, nil); got != want {
				t.Fatalf("%+v is judged %v, by all readings %v", p, got, want)
			}
		}
	})
}
