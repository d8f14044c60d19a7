package meter

import (
	"math"
	"slices"
)

const (
	rawLen  = 128                     // readings kept raw at least; twice that at most
	nearLen = 2048                    // readings kept cautiously thinned at least; twice that at most
	packLen = blockLen / 2            // near readings packed at a time
	tailLen = 2*rawLen + packLen + 21 // Kept at most, and what an 8 KiB allocation has room for
	lateLen = 512                     // late readings in thinned stretches before these are thinned anew
	maxSpan = 24 * 3_600_000          // ms: no line over left-out readings is longer
	near    = 1                       // level of Mark.Thin
	settled = 2
)

// seal thins the older half of the raw readings, packs the near ones when they are enough, and thins in its
// turn the older half of the near ones.
func (s *Series) seal() {
	if packed := s.Packed.Len(); packed > 0 && s.Near == 0 { // the last near one holds the first line
		last := s.Packed.mark(packed - 1)
		s.Settled = min(s.Settled, packed-1)
		s.Packed.splice(packed-1, packed, nil)
		s.Kept = slices.Insert(s.Kept, 0, last)
		s.Near = 1
	}
	lo, hi := max(s.Near-1, 0), s.Near+rawLen
	s.Near = lo + len(thin(s.Kept[lo:hi], near, s.Quantity.Tolerance()))
	s.Kept = slices.Delete(s.Kept, s.Near, hi)
	if s.Near > packLen {
		s.pack((s.Near - 1) / packLen * packLen)
	}
	if s.sealed()-s.Settled >= 2*nearLen {
		s.settle(s.Settled + nearLen)
	}
}

// pack packs the oldest near readings that are not yet.
func (s *Series) pack(n int) {
	packed := s.Packed.Len()
	s.Packed.splice(packed, packed, s.Kept[:n])
	switch s.Kept = slices.Delete(s.Kept, 0, n); {
	case len(s.Kept) == 0:
		s.Kept = nil
	case cap(s.Kept) > 2*tailLen: // many came late at once
		s.Kept = append(make(Trace, 0, tailLen), s.Kept...)
	}
	s.Near -= n
}

// settle thins the near readings before an index by the cone alone.
func (s *Series) settle(to int) {
	out := s.thinPacked(max(s.Settled-1, 0), to, settled)
	s.Settled = to - out
}

// thinAgain thins the readings that came late into the thinned stretches.
func (s *Series) thinAgain() {
	s.Late = 0
	s.pack(s.Near)
	s.Settled -= s.thinPacked(0, s.Settled, settled)
	s.thinPacked(max(s.Settled-1, 0), s.Packed.Len(), near)
	if s.Packed.Len()-s.Settled >= 2*nearLen {
		s.settle(s.Packed.Len() - nearLen)
	}
}

// thinPacked thins packed readings, and returns how many it left out.
func (s *Series) thinPacked(i, j int, level int8) int {
	if j-i < 3 {
		return 0
	}
	marks := thin(s.Packed.read(make([]Mark, 0, j-i), i, j), level, s.Quantity.Tolerance())
	out := j - i - len(marks)
	if out > 0 {
		s.Packed.splice(i, j, marks)
	}
	return out
}

// cone holds the slopes (base units per ms) of the lines through the apex that pass every
// reading left out so far within the allowance.
type cone struct {
	at, value int64 // the apex
	lo, hi    float64
}

func (c *cone) from(apex *Mark) {
	c.at, c.value, c.lo, c.hi = apex.At, apex.Value, math.Inf(-1), math.Inf(1)
}

// Only divisions and comparisons: no multiply-add that one processor fuses and another
// does not, so a fold thins alike everywhere.
func (c *cone) narrow(m *Mark, allowance int64) {
	dt := float64(m.At - c.at)
	c.lo = max(c.lo, float64(m.Value-allowance-c.value)/dt)
	c.hi = min(c.hi, float64(m.Value+allowance-c.value)/dt)
}

func (c *cone) sees(m *Mark) bool {
	slope := float64(m.Value-c.value) / float64(m.At-c.at)
	return c.lo <= slope && slope <= c.hi
}

// thin leaves out what it can of some marks, never the two ends. It returns those that stay, in the same array.
func thin(marks []Mark, level int8, tolerance int64) []Mark {
	if len(marks) < 3 {
		return marks
	}
	// One unit of each share goes to the rounding of an interpolated value.
	step := tolerance / 4
	allowance := max(tolerance/4-1, 0)
	if level == settled {
		allowance = max(tolerance/2-1, 0)
	}
	var c cone
	c.from(&marks[0])
	held, heldThin := marks[1], marks[1].Thin // newest, not yet decided
	before := marks[0]                        // the reading before held, kept or not
	write := 1
	for i := 2; i < len(marks); i++ {
		m := marks[i]
		may := heldThin < level && m.Thin < level &&
			before.Epoch == held.Epoch && held.Epoch == m.Epoch &&
			before.Value <= held.Value && held.Value <= m.Value &&
			m.At-c.at <= maxSpan
		if may && level == near {
			may = held.Value-before.Value <= step && m.Value-held.Value <= step
		}
		if may {
			narrowed := c
			narrowed.narrow(&held, allowance)
			if may = narrowed.sees(&m); may {
				c = narrowed
			}
		}
		if may {
			before, held, heldThin = held, m, m.Thin
			held.Thin = level
			continue
		}
		marks[write] = held
		write++
		c.from(&held)
		before, held, heldThin = held, m, m.Thin
	}
	marks[write] = held
	write++
	return marks[:write]
}
