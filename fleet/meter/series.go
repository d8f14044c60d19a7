package meter

import (
	"errors"
	"fmt"
	"math"
	"math/bits"
	"slices"
	"sort"
)

// Point is one counter reading.
type Point struct {
	At    int64 `json:"at"` // Unix milliseconds, UTC
	Value int64 `json:"v"`  // counter value in base units
}

// Epoch is the time of one physical counter.
type Epoch struct {
	At    int64  `json:"at"`            // when it began, Unix ms; 0 in the first epoch: not known
	Start int64  `json:"start"`         // what the counter showed then
	End   *int64 `json:"end,omitempty"` // what it showed when it was taken off, if that is known
	Base  int64  `json:"base"`          // the meter's total when it began
}

// Series is the history of one meter: a counter, its successors, and their readings,
// thinned (see the package comment). All fields are exported for encoding/json, which
// round-trips a series exactly; change them only through the methods, save Digits and RollAt.
type Series struct {
	Quantity Quantity `json:"q"`
	// Digits before the decimal point on the counter's face, 0 = not known.
	Digits int `json:"digits,omitempty"`
	// RollAt is the base-unit value at which the counter wraps to 0, 0 = none.
	RollAt int64 `json:"roll,omitempty"`

	Epochs []Epoch `json:"epochs"` // by time, never empty
	// The kept readings, by epoch, then time; an index of one counts through both.
	Packed Packed `json:"packed,omitzero"` // settled, then near
	Kept   Trace  `json:"kept"`            // the rest of the near ones, then the raw ones

	Settled int `json:"settled,omitempty"` // of Packed, how many are thinned by the cone alone
	Near    int `json:"near,omitempty"`    // of Kept, how many are thinned cautiously, as all of Packed after Settled
	Late    int `json:"late,omitempty"`    // readings put into thinned stretches since these were last thinned
}

// Mark is a kept reading.
type Mark struct {
	At    int64
	Value int64
	Epoch int32
	Thin  int8 // level at which readings between the mark before and this one were left out, 0 = none were
}

// Reading is a kept reading with the epoch it belongs to and the meter's total at it.
type Reading struct {
	At    int64 `json:"at"`
	Value int64 `json:"v"`
	Epoch int   `json:"epoch"`
	Total int64 `json:"total"`
}

// New begins a series. start is the counter's value when the meter came under the ledger's
// eye; start.At 0 means that the time is not known and the value holds until the first reading.
func New(q Quantity, start Point) *Series {
	return &Series{Quantity: q, Epochs: []Epoch{{At: start.At, Start: start.Value, Base: start.Value}}}
}

// Clone is a deep copy.
func (s *Series) Clone() *Series {
	c := *s
	c.Epochs = slices.Clone(s.Epochs)
	for i, e := range c.Epochs {
		if e.End != nil {
			end := *e.End
			c.Epochs[i].End = &end
		}
	}
	c.Packed, c.Kept = s.Packed.clone(), slices.Clone(s.Kept)
	return &c
}

// Check reports whether the fields hold together, for a series read from outside.
func (s *Series) Check() error {
	switch {
	case !s.Quantity.Valid():
		return fmt.Errorf("series: quantity %q is not known", string(s.Quantity))
	case len(s.Epochs) == 0:
		return errors.New("series: no epoch")
	case s.Settled < 0 || s.Settled > s.Packed.Len() || s.Near < 0 || s.Near > len(s.Kept) || s.Late < 0:
		return errors.New("series: stretches do not fit the kept readings")
	}
	for e := 1; e < len(s.Epochs); e++ {
		if s.Epochs[e].At < s.Epochs[e-1].At || (e > 1 && s.Epochs[e].At == s.Epochs[e-1].At) {
			return fmt.Errorf("series: epoch %d is out of order", e)
		}
	}
	// Within what is packed the order was looked at when it was read.
	before, some := Mark{}, false
	if n := s.Packed.Len(); n > 0 {
		if first := s.Packed.mark(0); first.Epoch < 0 {
			return errors.New("series: kept reading 0 is out of order")
		}
		before, some = s.Packed.mark(n-1), true
	}
	for i, m := range s.Kept {
		if m.Epoch < 0 || (some && !before.before(m)) {
			return fmt.Errorf("series: kept reading %d is out of order", s.Packed.Len()+i)
		}
		before, some = m, true
	}
	if some && int(before.Epoch) >= len(s.Epochs) {
		return errors.New("series: a kept reading is of no epoch")
	}
	for e, epoch := range s.Epochs {
		g := s.place(e, math.MinInt64)
		if (g.hasLeft && g.left.At > epoch.At) || (g.hasRight && g.right.At < epoch.At) {
			return fmt.Errorf("series: a kept reading is not in the time of its epoch, %d", e)
		}
	}
	return nil
}

// Len is the number of readings kept.
func (s *Series) Len() int { return s.Packed.Len() + len(s.Kept) }

// sealed is the index of the first raw reading.
func (s *Series) sealed() int { return s.Packed.Len() + s.Near }

// mark is the kept reading at an index.
func (s *Series) mark(i int) Mark {
	if packed := s.Packed.Len(); i >= packed {
		return s.Kept[i-packed]
	}
	return s.Packed.mark(i)
}

// newest is the last kept reading.
func (s *Series) newest() (m Mark, ok bool) {
	if n := len(s.Kept); n > 0 {
		return s.Kept[n-1], true
	}
	if n := s.Packed.Len(); n > 0 {
		return s.Packed.mark(n - 1), true
	}
	return m, false
}

// Last is the newest reading of the counter now fitted; false when it was never read.
func (s *Series) Last() (Point, bool) {
	if m, ok := s.newest(); ok && int(m.Epoch) == len(s.Epochs)-1 {
		return Point{m.At, m.Value}, true
	}
	return Point{}, false
}

// Total is the meter's total in base units at the newest reading (start value plus the gains of all
// epochs), and the time of that reading, 0 when there is none.
func (s *Series) Total() (total, readAt int64) {
	last := len(s.Epochs) - 1
	total = s.Epochs[last].Base
	if m, ok := s.newest(); ok {
		readAt = m.At
		if int(m.Epoch) == last {
			total = s.totalOf(&m)
		}
	}
	return total, readAt
}

func (s *Series) totalOf(m *Mark) int64 {
	e := &s.Epochs[m.Epoch]
	return e.Base + m.Value - e.Start
}

// LastGain is the time of the newest reading at which the meter had run since the one
// before, Unix ms; 0 when it never has.
func (s *Series) LastGain() int64 {
	// From the newest back, a block's worth at a time; the first of each is looked at with the next.
	var few [blockLen + 1]Mark
	for j := s.Len(); j > 0; {
		i := max(j-len(few), 0)
		marks := s.read(few[:0], i, j)
		for k := len(marks) - 1; k > 0; k-- {
			if s.totalOf(&marks[k]) > s.totalOf(&marks[k-1]) {
				return marks[k].At
			}
		}
		if i == 0 {
			if s.totalOf(&marks[0]) > s.Epochs[0].Base {
				return marks[0].At
			}
			return 0
		}
		j = i + 1
	}
	return 0
}

// TotalAt is the total at a time (Unix ms), linear between neighbouring readings.
func (s *Series) TotalAt(at int64) int64 {
	e := s.epochOpenAt(at)
	epoch := &s.Epochs[e]
	if e == 0 && at < epoch.At {
		return epoch.Base
	}
	g := s.find(edgeAfter(at))
	left, leftTotal := epoch.At, epoch.Base
	if g.hasLeft && int(g.left.Epoch) == e {
		left, leftTotal = g.left.At, s.totalOf(&g.left)
	} else if e == 0 && epoch.At == 0 {
		return epoch.Base
	}
	switch {
	case g.hasRight && int(g.right.Epoch) == e:
		return line(left, leftTotal, g.right.At, s.totalOf(&g.right), at)
	case e+1 < len(s.Epochs) && epoch.End != nil:
		next := &s.Epochs[e+1]
		return line(left, leftTotal, next.At, next.Base, at)
	}
	return leftTotal
}

// Usage is the gain of the total from one time to another, both Unix ms.
func (s *Series) Usage(from, to int64) int64 { return s.TotalAt(to) - s.TotalAt(from) }

// Points are the kept readings with from ≤ At ≤ to, oldest first.
func (s *Series) Points(from, to int64) []Reading {
	i := s.find(edge{from, 0, math.MaxInt32}).index
	j := s.find(edgeAfter(to)).index
	if i >= j {
		return nil
	}
	out := make([]Reading, 0, j-i)
	var few [blockLen]Mark
	for ; i < j; i += len(few) {
		for _, m := range s.read(few[:0], i, min(i+len(few), j)) {
			out = append(out, Reading{m.At, m.Value, int(m.Epoch), s.totalOf(&m)})
		}
	}
	return out
}

// ReadBefore is the time of the newest kept reading before another time.
func (s *Series) ReadBefore(at int64) (before int64, ok bool) {
	g := s.find(edge{at, 0, math.MaxInt32})
	return g.left.At, g.hasLeft
}

// ReadAfter is the oldest kept reading after a time.
func (s *Series) ReadAfter(at int64) (next Reading, ok bool) {
	g := s.find(edgeAfter(at))
	return Reading{g.right.At, g.right.Value, int(g.right.Epoch), s.totalOf(&g.right)}, g.hasRight
}

// read appends the kept readings from index i up to j.
func (s *Series) read(out []Mark, i, j int) []Mark {
	packed := s.Packed.Len()
	if i < packed {
		out = s.Packed.read(out, i, min(j, packed))
		i = packed
	}
	if i < j {
		out = append(out, s.Kept[i-packed:j-packed]...)
	}
	return out
}

// epochOpenAt is the epoch whose counter is fitted at the instant: at a swap, the new one.
func (s *Series) epochOpenAt(at int64) int {
	e := len(s.Epochs) - 1
	for e > 0 && s.Epochs[e].At > at {
		e--
	}
	return e
}

// gap is a place between two kept readings.
type gap struct {
	index             int // of the right one, or where it would stand
	left, right       Mark
	hasLeft, hasRight bool
}

// find is the place of an edge.
func (s *Series) find(e edge) (g gap) {
	packed, n := s.Packed.Len(), len(s.Kept)
	if n > 0 && !e.passes(s.Kept[n-1].At, s.Kept[n-1].Epoch) {
		return gap{index: packed + n, left: s.Kept[n-1], hasLeft: true}
	}
	i := sort.Search(n, func(i int) bool { return e.passes(s.Kept[i].At, s.Kept[i].Epoch) })
	if i < n {
		g.right, g.hasRight = s.Kept[i], true
	}
	g.index = packed + i
	if i > 0 {
		g.left, g.hasLeft = s.Kept[i-1], true
		return g
	}
	at, left, right := s.Packed.find(e)
	g.index, g.left, g.hasLeft = at, left, at > 0
	if at < packed {
		g.right, g.hasRight = right, true
	}
	return g
}

// line is the value at time t on the line through (t0, v0) and (t1, v1), t0 ≤ t ≤ t1,
// rounded down from v0. 128-bit inside: a value times a time does not fit 64.
func line(t0, v0, t1, v1, t int64) int64 {
	if t1 <= t0 || t <= t0 {
		return v0
	}
	if t >= t1 {
		return v1
	}
	gain, sign := v1-v0, int64(1)
	if gain < 0 {
		gain, sign = -gain, -1
	}
	hi, lo := bits.Mul64(uint64(gain), uint64(t-t0))
	quotient, _ := bits.Div64(hi, lo, uint64(t1-t0))
	return v0 + sign*int64(quotient)
}
