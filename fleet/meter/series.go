package meter

import (
	"errors"
	"fmt"
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
	Kept   Trace   `json:"kept"`   // by epoch, then time

	Settled int `json:"settled,omitempty"` // Kept[:Settled] is thinned by the cone alone
	Sealed  int `json:"sealed,omitempty"`  // Kept[Settled:Sealed] is thinned cautiously, the rest is raw
	Late    int `json:"late,omitempty"`    // readings put into Kept[:Sealed] since it was last thinned
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
	c.Kept = slices.Clone(s.Kept)
	return &c
}

// Check reports whether the fields hold together, for a series read from outside.
func (s *Series) Check() error {
	switch {
	case !s.Quantity.Valid():
		return fmt.Errorf("series: quantity %q is not known", string(s.Quantity))
	case len(s.Epochs) == 0:
		return errors.New("series: no epoch")
	case s.Settled < 0 || s.Settled > s.Sealed || s.Sealed > len(s.Kept):
		return errors.New("series: stretches do not fit the kept readings")
	}
	for e := 1; e < len(s.Epochs); e++ {
		if s.Epochs[e].At < s.Epochs[e-1].At || (e > 1 && s.Epochs[e].At == s.Epochs[e-1].At) {
			return fmt.Errorf("series: epoch %d is out of order", e)
		}
	}
	for i, m := range s.Kept {
		if m.Epoch < 0 || int(m.Epoch) >= len(s.Epochs) || (i > 0 && (m.At < s.Kept[i-1].At || m.Epoch < s.Kept[i-1].Epoch)) {
			return fmt.Errorf("series: kept reading %d is out of order", i)
		}
	}
	return nil
}

// Len is the number of readings kept.
func (s *Series) Len() int { return len(s.Kept) }

// Last is the newest reading of the counter now fitted; false when it was never read.
func (s *Series) Last() (Point, bool) {
	if n := len(s.Kept); n > 0 && int(s.Kept[n-1].Epoch) == len(s.Epochs)-1 {
		return Point{s.Kept[n-1].At, s.Kept[n-1].Value}, true
	}
	return Point{}, false
}

// Total is the meter's total in base units at the newest reading (start value plus the gains of all
// epochs), and the time of that reading, 0 when there is none.
func (s *Series) Total() (total, readAt int64) {
	last := len(s.Epochs) - 1
	total = s.Epochs[last].Base
	if n := len(s.Kept); n > 0 {
		m := &s.Kept[n-1]
		readAt = m.At
		if int(m.Epoch) == last {
			total = s.totalOf(m)
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
	for i := len(s.Kept) - 1; i >= 0; i-- {
		before := s.Epochs[0].Base
		if i > 0 {
			before = s.totalOf(&s.Kept[i-1])
		}
		if s.totalOf(&s.Kept[i]) > before {
			return s.Kept[i].At
		}
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
	i := s.firstAfter(at)
	left, leftTotal := epoch.At, epoch.Base
	if i > 0 && int(s.Kept[i-1].Epoch) == e {
		left, leftTotal = s.Kept[i-1].At, s.totalOf(&s.Kept[i-1])
	} else if e == 0 && epoch.At == 0 {
		return epoch.Base
	}
	switch {
	case i < len(s.Kept) && int(s.Kept[i].Epoch) == e:
		return line(left, leftTotal, s.Kept[i].At, s.totalOf(&s.Kept[i]), at)
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
	i := sort.Search(len(s.Kept), func(i int) bool { return s.Kept[i].At >= from })
	j := s.firstAfter(to)
	if i >= j {
		return nil
	}
	out := make([]Reading, 0, j-i)
	for ; i < j; i++ {
		m := &s.Kept[i]
		out = append(out, Reading{m.At, m.Value, int(m.Epoch), s.totalOf(m)})
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

// firstAfter is the index of the first kept reading later than at.
func (s *Series) firstAfter(at int64) int {
	n := len(s.Kept)
	if n == 0 || s.Kept[n-1].At <= at {
		return n
	}
	return sort.Search(n, func(i int) bool { return s.Kept[i].At > at })
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
