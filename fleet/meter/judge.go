package meter

import (
	"cmp"
	"math/bits"
	"slices"
)

// Limits are plausibility bounds: data, not law.
type Limits struct {
	// MaxGainPerHour is in base units per hour of elapsed time: 3600 for an hour meter,
	// width in m × 30,000 m/h for area. 0 is unbounded.
	MaxGainPerHour int64
	// Slack is a constant allowance in base units, such as one step of the counter. 0 takes the default
	// (0.05 h, 0.05 ha, 50 l, 0.5 km, 1 load), a negative value none.
	Slack int64
}

// Verdict is what a reading would be.
type Verdict int

const (
	Fits    Verdict = iota // plausible
	Repeat                 // the same value at the same time is known
	Falls                  // below an earlier reading of its epoch, or above a later one
	TooFast                // gains more than the limits allow
	Rolled                 // fell, as a counter that wraps at RollAt would
	Clash                  // another value is known at the same time
)

func (v Verdict) String() string {
	names := [...]string{"fits", "repeat", "falls", "too fast", "rolled", "clash"}
	if v < 0 || int(v) >= len(names) {
		return "unknown"
	}
	return names[v]
}

// neighbours are what a reading stands between, in its epoch. The prior one may be the
// epoch's start at an unknown time (timed false); the later one the value the counter came off with.
type neighbours struct {
	prior, later   Point
	timed, bounded bool
	gap            *gap // of the two, when readings were left out between them
}

// Judge says what a reading would be. pending are readings accepted but not yet inserted, in
// any order; they count as if inserted. A reading left out by thinning, told again, fits.
func (s *Series) Judge(p Point, lim Limits, pending []Point) Verdict {
	if len(pending) > 0 && s.anyAtSwap(p, pending) {
		return s.withAll(pending).Judge(p, lim, nil)
	}
	e, n := len(s.Epochs)-1, len(s.Kept)
	var b neighbours
	if n > 0 && s.Epochs[e].At < p.At && s.Kept[n-1].At < p.At && int(s.Kept[n-1].Epoch) == e {
		b.prior, b.timed = Point{s.Kept[n-1].At, s.Kept[n-1].Value}, true
	} else {
		if s.known(p) {
			return Repeat
		}
		e = s.epochOf(p)
		if e == 0 && p.At < s.Epochs[0].At {
			// Before the ledger's eye: without effect on totals.
			if p.Value > s.Epochs[0].Start {
				return Falls
			}
			return Fits
		}
		b = s.neighboursOf(e, p)
	}
	for _, q := range pending {
		if q.At == p.At && q.Value == p.Value {
			return Repeat
		}
		if len(s.Epochs) > 1 && s.epochOf(q) != e {
			continue
		}
		switch {
		case q.At == p.At:
			return Clash
		case q.At < p.At && (!b.timed || q.At > b.prior.At):
			if e == 0 && q.At < s.Epochs[0].At {
				continue
			}
			b.prior, b.timed, b.gap = q, true, nil
		case q.At > p.At && (!b.bounded || q.At < b.later.At):
			b.later, b.bounded, b.gap = q, true, nil
		}
	}
	return s.weigh(e, p, lim, b)
}

// anyAtSwap reports whether one of the readings has the very time of a swap. Which counter it is of then
// depends on the readings before it, pending ones included.
func (s *Series) anyAtSwap(p Point, pending []Point) bool {
	if len(s.Epochs) == 1 {
		return false
	}
	atSwap := func(at int64) bool {
		e := s.epochOpenAt(at)
		return e > 0 && s.Epochs[e].At == at
	}
	return atSwap(p.At) || slices.ContainsFunc(pending, func(q Point) bool { return atSwap(q.At) })
}

// withAll is a copy with the pending readings in: dear, and needed only in the millisecond of a swap.
func (s *Series) withAll(pending []Point) *Series {
	c := s.Clone()
	sorted := slices.Clone(pending)
	slices.SortStableFunc(sorted, func(a, b Point) int { return cmp.Compare(a.At, b.At) })
	for _, q := range sorted {
		c.Insert(q)
	}
	return c
}

// known reports whether exactly this reading is kept, or is the start or end of an epoch.
func (s *Series) known(p Point) bool {
	for g := s.find(edgeAfter(p.At)); g.hasLeft && g.left.At == p.At; g = s.place(int(g.left.Epoch), p.At) {
		if g.left.Value == p.Value {
			return true
		}
	}
	for e := len(s.Epochs) - 1; e >= 0 && s.Epochs[e].At >= p.At; e-- {
		if s.Epochs[e].At != p.At || p.At == 0 {
			continue
		}
		if s.Epochs[e].Start == p.Value {
			return true
		}
		if e > 0 && s.Epochs[e-1].End != nil && *s.Epochs[e-1].End == p.Value {
			return true
		}
	}
	return false
}

func (s *Series) neighboursOf(e int, p Point) neighbours {
	epoch := &s.Epochs[e]
	b := neighbours{prior: Point{epoch.At, epoch.Start}, timed: epoch.At != 0}
	if e+1 < len(s.Epochs) && epoch.End != nil {
		b.later, b.bounded = Point{s.Epochs[e+1].At, *epoch.End}, true
	}
	g := s.place(e, p.At)
	if g.hasLeft && int(g.left.Epoch) == e {
		b.prior, b.timed = Point{g.left.At, g.left.Value}, true
	}
	if g.hasRight && int(g.right.Epoch) == e {
		b.later, b.bounded = Point{g.right.At, g.right.Value}, true
		if g.thinned() {
			b.gap = &g
		}
	}
	return b
}

func (s *Series) weigh(e int, p Point, lim Limits, b neighbours) Verdict {
	if b.bounded && b.later.At == p.At && b.later.Value != p.Value {
		return Clash
	}
	if e == 0 && b.timed && b.prior.At == p.At && b.prior.Value != p.Value {
		return Clash // with the value at the start; a new counter may move in the millisecond it was put on
	}
	if b.bounded && p.Value > b.later.Value {
		return Falls
	}
	slack := lim.Slack
	if slack == 0 {
		slack = traits[s.Quantity].slack
	}
	slack = max(slack, 0)
	if p.Value < b.prior.Value {
		if !b.bounded && e == len(s.Epochs)-1 && s.rolled(p, lim, slack, b) {
			return Rolled
		}
		return Falls
	}
	if lim.MaxGainPerHour <= 0 {
		return Fits
	}
	if b.gap != nil && b.gap.offLine(p) <= s.Quantity.Tolerance() {
		return Fits
	}
	if b.timed && tooFast(p.Value-b.prior.Value-slack, p.At-b.prior.At, lim.MaxGainPerHour) {
		return TooFast
	}
	if b.bounded && tooFast(b.later.Value-p.Value-slack, b.later.At-p.At, lim.MaxGainPerHour) {
		return TooFast
	}
	return Fits
}

// tooFast reports whether gain in ms of elapsed time exceeds a rate per hour.
func tooFast(gain, elapsed, perHour int64) bool {
	if gain <= 0 {
		return false
	}
	h1, l1 := bits.Mul64(uint64(gain), 3_600_000)
	h2, l2 := bits.Mul64(uint64(max(elapsed, 0)), uint64(perHour))
	return h1 > h2 || (h1 == h2 && l1 > l2)
}

// rolled reports whether a fallen newest reading is what a wrapped counter would show. Long
// silence makes any gain possible, so besides the limits it must be at most a tenth of
// the counter's range: more is for a person to decide (our own caution, not a rule of the trade).
func (s *Series) rolled(p Point, lim Limits, slack int64, b neighbours) bool {
	if s.RollAt <= 0 || b.prior.Value >= s.RollAt || p.Value >= s.RollAt {
		return false
	}
	gain := s.RollAt - b.prior.Value + p.Value
	if gain > s.RollAt/10 {
		return false
	}
	return lim.MaxGainPerHour <= 0 || !b.timed || !tooFast(gain-slack, p.At-b.prior.At, lim.MaxGainPerHour)
}

// Rollover is the swap that explains a reading judged Rolled: when, on the line from the reading before to this
// one, the counter reached RollAt. Swap(at, &last, 0) and then Insert(p) put it in. ok is false when
// the series knows no RollAt or the reading did not fall.
func (s *Series) Rollover(p Point) (at, last int64, ok bool) {
	b := s.neighboursOf(len(s.Epochs)-1, p)
	if s.RollAt <= 0 || p.Value >= b.prior.Value || b.prior.Value > s.RollAt {
		return 0, 0, false
	}
	if !b.timed || b.prior.At >= p.At {
		return p.At, s.RollAt, true
	}
	// line with its axes exchanged: the time at which the gain is RollAt.
	at = line(b.prior.Value, b.prior.At, s.RollAt+p.Value, p.At, s.RollAt)
	return min(at, p.At-1), s.RollAt, true
}
