package meter

import "math"

const (
	rawLen  = 128            // readings kept raw at least; twice that at most
	nearLen = 2048           // readings kept cautiously thinned at least; twice that at most
	lateLen = 512            // late readings in thinned stretches before these are thinned anew
	maxSpan = 24 * 3_600_000 // ms: no line over left-out readings is longer
	near    = 1              // level of Mark.Thin
	settled = 2
)

// seal thins the older half of the raw readings, and in its turn the older half of the near ones.
func (s *Series) seal() {
	to := s.Sealed + rawLen
	s.Sealed = to - s.thin(max(s.Sealed-1, 0), to, near)
	if s.Sealed-s.Settled >= 2*nearLen {
		to = s.Settled + nearLen
		out := s.thin(max(s.Settled-1, 0), to, settled)
		s.Settled, s.Sealed = to-out, s.Sealed-out
	}
}

// thinAgain thins the readings that came late into the thinned stretches.
func (s *Series) thinAgain() {
	s.Late = 0
	out := s.thin(0, s.Settled, settled)
	s.Settled -= out
	s.Sealed -= out
	s.Sealed -= s.thin(max(s.Settled-1, 0), s.Sealed, near)
	if s.Sealed-s.Settled >= 2*nearLen {
		to := s.Sealed - nearLen
		out = s.thin(max(s.Settled-1, 0), to, settled)
		s.Settled, s.Sealed = to-out, s.Sealed-out
	}
}

// cone holds the slopes (base units per ms) of the lines through the apex that pass every
// reading left out so far within the allowance.
type cone struct {
	apex   Mark
	lo, hi float64
}

func (c *cone) from(apex Mark) { *c = cone{apex, math.Inf(-1), math.Inf(1)} }

// Only divisions and comparisons: no multiply-add that one processor fuses and another
// does not, so a fold thins alike everywhere.
func (c *cone) narrow(m Mark, allowance int64) {
	dt := float64(m.At - c.apex.At)
	c.lo = max(c.lo, float64(m.Value-allowance-c.apex.Value)/dt)
	c.hi = min(c.hi, float64(m.Value+allowance-c.apex.Value)/dt)
}

func (c *cone) sees(m Mark) bool {
	slope := float64(m.Value-c.apex.Value) / float64(m.At-c.apex.At)
	return c.lo <= slope && slope <= c.hi
}

// thin leaves out what it can of Kept[lo:hi], never the two ends, and returns how many.
func (s *Series) thin(lo, hi int, level int8) int {
	if hi-lo < 3 {
		return 0
	}
	tolerance := s.Quantity.Tolerance()
	// One unit of each share goes to the rounding of an interpolated value.
	step := tolerance / 4
	allowance := max(tolerance/4-1, 0)
	if level == settled {
		allowance = max(tolerance/2-1, 0)
	}
	var c cone
	c.from(s.Kept[lo])
	held, heldThin := s.Kept[lo+1], s.Kept[lo+1].Thin // newest, not yet decided
	before := s.Kept[lo]                              // the reading before held, kept or not
	write := lo + 1
	for i := lo + 2; i < hi; i++ {
		m := s.Kept[i]
		may := heldThin < level && m.Thin < level &&
			before.Epoch == held.Epoch && held.Epoch == m.Epoch &&
			before.Value <= held.Value && held.Value <= m.Value &&
			m.At-c.apex.At <= maxSpan
		if may && level == near {
			may = held.Value-before.Value <= step && m.Value-held.Value <= step
		}
		if may {
			narrowed := c
			narrowed.narrow(held, allowance)
			if may = narrowed.sees(m); may {
				c = narrowed
			}
		}
		if may {
			before, held, heldThin = held, m, m.Thin
			held.Thin = level
			continue
		}
		s.Kept[write] = held
		write++
		c.from(held)
		before, held, heldThin = held, m, m.Thin
	}
	s.Kept[write] = held
	write++
	out := hi - write
	if out > 0 {
		rest := copy(s.Kept[write:], s.Kept[hi:])
		s.Kept = s.Kept[:write+rest]
	}
	return out
}
