package meter_test

import (
	"math/big"
	"slices"
	"sort"

	"rigledger/fleet/meter"

	"pgregory.net/rapid"
)

// oracle is the definition of a meter, worked out from every reading in sorted order each time it is
// asked. It keeps all, and is as slow as it is plain.
type oracle struct {
	start    meter.Point
	swaps    []swap
	readings []told
}

type swap struct {
	at    int64
	last  *int64
	start int64
}

// told is a reading and the counter (0 = first) it was told by.
type told struct {
	meter.Point
	counter int
}

// corner is a time and the total there; the total between corners is linear.
type corner struct{ at, total int64 }

func (o *oracle) corners() []corner {
	sort.SliceStable(o.readings, func(i, j int) bool {
		a, b := o.readings[i], o.readings[j]
		return a.counter < b.counter || (a.counter == b.counter && a.At < b.At)
	})
	base, from, at := o.start.Value, o.start.Value, o.start.At
	out := []corner{{at, base}}
	for c := 0; c <= len(o.swaps); c++ {
		last := from
		for _, r := range o.readings {
			if r.counter == c {
				if c == 0 && at == 0 && len(out) == 1 { // start value holds until the first reading
					out = append(out, corner{r.At - 1, base})
				}
				last = r.Value
				out = append(out, corner{r.At, base + last - from})
			}
		}
		if c == len(o.swaps) {
			return out
		}
		s := o.swaps[c]
		end := last
		if s.last != nil {
			end = *s.last
		}
		base += end - from
		if s.last == nil || (c == 0 && at == 0 && len(out) == 1) {
			// flat up to the swap: its last known value holds
			out = append(out, corner{s.at - 1, out[len(out)-1].total})
		}
		out = append(out, corner{s.at, base})
		from = s.start
	}
	panic("unreachable")
}

func totalAt(cs []corner, at int64) int64 {
	i := sort.Search(len(cs), func(i int) bool { return cs[i].at > at })
	if i == 0 {
		return cs[0].total
	}
	if i == len(cs) {
		return cs[i-1].total
	}
	a, b := cs[i-1], cs[i]
	n := new(big.Int).Mul(big.NewInt(b.total-a.total), big.NewInt(at-a.at))
	return a.total + n.Div(n, big.NewInt(b.at-a.at)).Int64()
}

// life draws a machine's life: readings of a counter that never falls, at strictly rising times, with swaps.
func life(t *rapid.T, minReadings, maxReadings, maxSwaps int, everyLast bool) *oracle {
	const began = 1_700_000_000_000
	o := &oracle{}
	o.start.Value = rapid.Int64Range(0, 5_000_000).Draw(t, "start")
	if rapid.Bool().Draw(t, "start time known") {
		o.start.At = began - rapid.Int64Range(1, 1e9).Draw(t, "start before")
	}
	at, value, counter := int64(began), o.start.Value, 0
	// rapid leans to the small end of a range, and evenly over samples.
	var sizes []int
	for i := range 9 {
		sizes = append(sizes, minReadings+i*(maxReadings-minReadings)/8)
	}
	n := rapid.SampledFrom(sizes).Draw(t, "readings")
	swapsAt := map[int]bool{}
	for range rapid.IntRange(0, maxSwaps).Draw(t, "swaps") {
		swapsAt[rapid.SampledFrom(indexes(n)).Draw(t, "swap after")] = true
	}
	// A stretch of work has one pace; whole stretches are drawn, so that long lives stay cheap to draw.
	rate, gap, left, jitter := int64(0), int64(60_000), 0, int64(0)
	for i := range n {
		if left == 0 {
			left = rapid.SampledFrom([]int{1, 2, 5, 20, 40, 80, 150}).Draw(t, "stretch")
			rate = rapid.SampledFrom([]int64{0, 0, 200, 1000, 1000, 120_000}).Draw(t, "per 1000 s")
			gap = rapid.SampledFrom([]int64{2000, 10_000, 60_000, 300_000, 40_000_000}).Draw(t, "gap")
			jitter = rapid.SampledFrom([]int64{0, 5, 15, 40}).Draw(t, "jitter")
		}
		left--
		step := gap + int64(i*7919%101)*gap/300
		at += step
		value += step * rate / 1_000_000
		if rate > 0 {
			value += int64(i*6271%97) * jitter / 40
		}
		o.readings = append(o.readings, told{meter.Point{At: at, Value: value}, counter})
		if swapsAt[i] {
			at += rapid.Int64Range(2, 3_600_000).Draw(t, "swap later by")
			s := swap{at: at, start: rapid.Int64Range(0, 1_000_000).Draw(t, "new start")}
			if everyLast || rapid.Bool().Draw(t, "last known") {
				last := value + rapid.Int64Range(0, 7200).Draw(t, "last more by")
				s.last = &last
			}
			o.swaps = append(o.swaps, s)
			value, counter = s.start, counter+1
			at++
		}
	}
	return o
}

func (o *oracle) span() (from, to int64) {
	return o.readings[0].At - 10_000_000, o.readings[len(o.readings)-1].At + 10_000_000
}

// asked are times worth asking for: readings' own times and their neighbours, and times in between.
func (o *oracle) asked(t *rapid.T, cs []corner, n int) []int64 {
	lo := cs[0].at
	if o.start.At == 0 {
		lo = cs[1].at
	}
	out := []int64{lo - 1000, cs[len(cs)-1].at + 1000}
	for range n {
		i := rapid.SampledFrom(indexes(len(cs)-1)).Draw(t, "corner")
		a, b := max(cs[i].at, lo), cs[i+1].at
		out = append(out, a-1, a, a+1, a+(b-a)*rapid.SampledFrom([]int64{10, 37, 50, 63, 90}).Draw(t, "way")/100)
	}
	return out
}

func indexes(n int) []int {
	out := make([]int, n)
	for i := range out {
		out[i] = i
	}
	return out
}

func (o *oracle) series(q meter.Quantity) *meter.Series { return meter.New(q, o.start) }

func shuffled[T any](t *rapid.T, in []T) []T {
	if len(in) == 0 {
		return in
	}
	return rapid.Permutation(slices.Clone(in)).Draw(t, "order")
}
