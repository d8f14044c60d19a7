package meter

import (
	"math"
	"slices"
)

// Insert puts a reading in, wherever its time belongs. It does not judge: that is done before
// the ledger keeps the reading. A reading at a known time replaces that one's value. It returns false when
// nothing changed: the reading is known, lies before the meter's start, or is absorbed by a thinned stretch.
func (s *Series) Insert(p Point) bool {
	n, last := len(s.Kept), len(s.Epochs)-1
	if n > 0 && s.Kept[n-1].At < p.At && s.Epochs[last].At < p.At {
		if n == cap(s.Kept) && rawLen <= n && n < tailLen {
			s.Kept = append(make(Trace, 0, tailLen), s.Kept...) // not twice what it was: it gets no longer
		}
		s.Kept = append(s.Kept, Mark{At: p.At, Value: p.Value, Epoch: int32(last)})
		if n+1-s.Near >= 2*rawLen {
			s.seal()
		}
		return true
	}
	return s.insertAmong(p)
}

func (s *Series) insertAmong(p Point) bool {
	e := s.epochOf(p)
	if e == 0 && p.At < s.Epochs[0].At {
		return false
	}
	g := s.place(e, p.At)
	if g.hasRight && g.right.At == p.At && int(g.right.Epoch) == e {
		if g.right.Value == p.Value {
			return false
		}
		g.right.Value = p.Value
		s.replace(g.index, g.index+1, g.right)
		s.rebase()
		return true
	}
	m := Mark{At: p.At, Value: p.Value, Epoch: int32(e)}
	if g.thinned() && int(g.right.Epoch) == e {
		if g.offLine(p) <= s.Quantity.Tolerance() {
			return false
		}
		m.Thin = g.right.Thin
	}
	if g.index < s.sealed() {
		s.Late++
		s.countIn(g.index, 1)
	}
	s.replace(g.index, g.index, m)
	if e < len(s.Epochs)-1 {
		s.rebase()
	}
	if s.Late >= lateLen {
		s.thinAgain()
	}
	if len(s.Kept)-s.Near >= 2*rawLen {
		s.seal()
	}
	return true
}

// countIn says that n readings are about to be put in before the kept reading at an index of a thinned stretch, or,
// n negative, are taken out there.
func (s *Series) countIn(i, n int) {
	switch {
	case i < s.Settled:
		s.Settled += n
	case i >= s.Packed.Len() && i < s.sealed():
		s.Near += n
	}
}

// replace puts kept readings in the place of those from index i up to j, which are all packed or none. What is put
// between the last packed and the first other one is not packed. It counts nothing.
func (s *Series) replace(i, j int, with ...Mark) {
	packed := s.Packed.Len()
	if i < packed {
		s.Packed.splice(i, j, with)
		return
	}
	if s.Kept = slices.Replace(s.Kept, i-packed, j-packed, with...); len(s.Kept) == 0 {
		s.Kept = nil
	}
}

// thinned reports whether readings were left out in the gap.
func (g *gap) thinned() bool {
	return g.hasLeft && g.hasRight && g.right.Thin > 0 && g.left.Epoch == g.right.Epoch
}

// offLine is how far a reading lies from the line across the gap.
func (g *gap) offLine(p Point) int64 {
	off := p.Value - line(g.left.At, g.left.Value, g.right.At, g.right.Value, p.At)
	return max(off, -off)
}

// place is where the reading of an epoch at a time stands, to the right of the gap, or would stand.
func (s *Series) place(e int, at int64) gap { return s.find(edgeOf(e, at)) }

// epochOf is the epoch a reading belongs to; see the package comment for the instant of a swap.
func (s *Series) epochOf(p Point) int {
	e := s.epochOpenAt(p.At)
	if e > 0 && s.Epochs[e].At == p.At && (s.ofOldCounter(e-1, p) || p.Value < s.Epochs[e].Start) {
		return e - 1
	}
	return e
}

// ofOldCounter reports whether a reading at the instant epoch e was closed can be of that epoch.
func (s *Series) ofOldCounter(e int, p Point) bool {
	floor := s.Epochs[e].Start
	if g := s.place(e, p.At); g.hasLeft && int(g.left.Epoch) == e {
		floor = g.left.Value
	}
	end := s.Epochs[e].End
	return floor <= p.Value && (end == nil || p.Value <= *end)
}

// Swap says that at that time the counter was taken off and another one, showing start, was
// put on. last is what the old one showed; nil takes its last known reading. Readings later than at belong to
// the new counter. A swap at the time of a known swap corrects that one; a swap before
// the meter's start is without effect.
func (s *Series) Swap(at int64, last *int64, start int64) {
	if last != nil {
		end := *last
		last = &end
	}
	if at < s.Epochs[0].At {
		return
	}
	e := s.epochOpenAt(at)
	if e > 0 && s.Epochs[e].At == at {
		s.Epochs[e-1].End, s.Epochs[e].Start = last, start
		s.rebase()
		return
	}
	s.splitThinned(e, at, last)
	s.Epochs = slices.Insert(s.Epochs, e+1, Epoch{At: at, Start: start, End: s.Epochs[e].End})
	s.Epochs[e].End = last
	s.toEpoch(s.place(e, at+1).index, 1)
	if g := s.place(e, at); g.hasRight && g.right.At == at && int(g.right.Epoch) == e {
		if p := (Point{at, g.right.Value}); !s.ofOldCounter(e, p) && p.Value >= start {
			g.right.Epoch++
			s.replace(g.index, g.index+1, g.right)
		}
	}
	s.rebase()
}

// toEpoch moves the kept readings from an index on to a later or an earlier epoch.
func (s *Series) toEpoch(i int, by int32) {
	if packed := s.Packed.Len(); i < packed {
		marks := s.Packed.read(make([]Mark, 0, packed-i), i, packed)
		for k := range marks {
			marks[k].Epoch += by
		}
		s.Packed.splice(i, packed, marks)
		i = packed
	}
	for k := i - s.Packed.Len(); k < len(s.Kept); k++ {
		s.Kept[k].Epoch += by
	}
}

// splitThinned gives a thinned stretch of epoch e that a swap cuts in two an end for the old counter and a
// beginning for the new one, on its line.
func (s *Series) splitThinned(e int, at int64, last *int64) {
	g := s.place(e, at+1)
	i, l, r := g.index, g.left, g.right
	if i >= s.sealed() || !g.thinned() || int(r.Epoch) != e || l.At >= at {
		return
	}
	cut := Mark{At: at, Value: line(l.At, l.Value, r.At, r.Value, at), Epoch: int32(e), Thin: r.Thin}
	if last != nil {
		cut.Value = min(cut.Value, *last)
	}
	marks := []Mark{cut}
	if r.At > at+1 {
		marks = append(marks, Mark{At: at + 1, Value: line(l.At, l.Value, r.At, r.Value, at+1), Epoch: int32(e)})
	} else {
		r.Thin = 0
	}
	s.countIn(i, len(marks))
	s.replace(i, i+1, append(marks, r)...)
}

// Void takes the reading at that time out; totals follow. It returns false when no reading of that time
// is kept. Where both the old and the new counter were read at the millisecond of a swap, the new one's goes first.
func (s *Series) Void(at int64) bool {
	g := s.find(edgeAfter(at))
	if !g.hasLeft || g.left.At != at {
		return false
	}
	s.remove(g.index - 1)
	s.rebase()
	return true
}

// remove takes the kept reading at index i out; the stretches on either side become one, thinned if either was.
func (s *Series) remove(i int) {
	gone := s.mark(i)
	s.countIn(i, -1)
	s.replace(i, i+1)
	if i == 0 || i >= s.Len() {
		return
	}
	if m := s.mark(i); m.Thin < gone.Thin && s.mark(i-1).Epoch == m.Epoch {
		m.Thin = gone.Thin
		s.replace(i, i+1, m)
	}
}

// Unswap takes the swap at that time out: the readings after it belong to the old counter again. It
// returns false when there is none.
func (s *Series) Unswap(at int64) bool {
	e := s.epochOpenAt(at)
	if e == 0 || s.Epochs[e].At != at {
		return false
	}
	s.Epochs[e-1].End = s.Epochs[e].End
	s.Epochs = slices.Delete(s.Epochs, e, e+1)
	s.toEpoch(s.place(e, math.MinInt64).index, -1)
	if i := s.place(e-1, at).index; i+1 < s.Len() && s.mark(i).At == at && s.mark(i+1).At == at {
		s.remove(i + 1) // two counters were read at that instant; one counter has one value
	}
	s.rebase()
	return true
}

// rebase works out anew the total at which every epoch begins.
func (s *Series) rebase() {
	for e := 1; e < len(s.Epochs); e++ {
		old := &s.Epochs[e-1]
		end := old.Start
		if old.End != nil {
			end = *old.End
		} else if g := s.place(e, math.MinInt64); g.hasLeft && int(g.left.Epoch) == e-1 {
			end = g.left.Value
		}
		s.Epochs[e].Base = old.Base + end - old.Start
	}
}
