package meter

import (
	"slices"
	"sort"
)

// Insert puts a reading in, wherever its time belongs. It does not judge: that is done before
// the ledger keeps the reading. A reading at a known time replaces that one's value. It returns false when
// nothing changed: the reading is known, lies before the meter's start, or is absorbed by a thinned stretch.
func (s *Series) Insert(p Point) bool {
	n, last := len(s.Kept), len(s.Epochs)-1
	if n > 0 && s.Kept[n-1].At < p.At && s.Epochs[last].At < p.At {
		s.Kept = append(s.Kept, Mark{At: p.At, Value: p.Value, Epoch: int32(last)})
		if n+1-s.Sealed >= 2*rawLen {
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
	i := s.place(e, p.At)
	if i < len(s.Kept) && s.Kept[i].At == p.At && int(s.Kept[i].Epoch) == e {
		if s.Kept[i].Value == p.Value {
			return false
		}
		s.Kept[i].Value = p.Value
		s.rebase()
		return true
	}
	m := Mark{At: p.At, Value: p.Value, Epoch: int32(e)}
	if s.thinned(i) && int(s.Kept[i].Epoch) == e {
		if s.offLine(i, p) <= s.Quantity.Tolerance() {
			return false
		}
		m.Thin = s.Kept[i].Thin
	}
	if i < s.Sealed {
		s.Sealed++
		s.Late++
		if i < s.Settled {
			s.Settled++
		}
	}
	s.Kept = slices.Insert(s.Kept, i, m)
	if e < len(s.Epochs)-1 {
		s.rebase()
	}
	if s.Late >= lateLen {
		s.thinAgain()
	}
	if len(s.Kept)-s.Sealed >= 2*rawLen {
		s.seal()
	}
	return true
}

// thinned reports whether readings were left out between Kept[i-1] and Kept[i].
func (s *Series) thinned(i int) bool {
	return i > 0 && i < len(s.Kept) && s.Kept[i].Thin > 0 && s.Kept[i-1].Epoch == s.Kept[i].Epoch
}

// offLine is how far a reading lies from the line between Kept[i-1] and Kept[i].
func (s *Series) offLine(i int, p Point) int64 {
	l, r := &s.Kept[i-1], &s.Kept[i]
	off := p.Value - line(l.At, l.Value, r.At, r.Value, p.At)
	return max(off, -off)
}

// place is the index of the reading of an epoch at a time, or where it would stand.
func (s *Series) place(e int, at int64) int {
	n := len(s.Kept)
	if n == 0 {
		return 0
	}
	if m := &s.Kept[n-1]; int(m.Epoch) < e || (int(m.Epoch) == e && m.At < at) {
		return n
	}
	return sort.Search(n, func(i int) bool {
		m := &s.Kept[i]
		return int(m.Epoch) > e || (int(m.Epoch) == e && m.At >= at)
	})
}

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
	if i := s.place(e, p.At); i > 0 && int(s.Kept[i-1].Epoch) == e {
		floor = s.Kept[i-1].Value
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
	for i := range s.Kept {
		m := &s.Kept[i]
		if int(m.Epoch) > e || (int(m.Epoch) == e && m.At > at) {
			m.Epoch++
		}
	}
	if i := s.place(e, at); i < len(s.Kept) && s.Kept[i].At == at && int(s.Kept[i].Epoch) == e {
		if p := (Point{at, s.Kept[i].Value}); !s.ofOldCounter(e, p) && p.Value >= start {
			s.Kept[i].Epoch++
		}
	}
	s.rebase()
}

// splitThinned gives a thinned stretch of epoch e that a swap cuts in two an end for the old counter and a
// beginning for the new one, on its line.
func (s *Series) splitThinned(e int, at int64, last *int64) {
	i := s.place(e, at+1)
	if i >= s.Sealed || !s.thinned(i) || int(s.Kept[i].Epoch) != e || s.Kept[i-1].At >= at {
		return
	}
	l, r := s.Kept[i-1], s.Kept[i]
	cut := Mark{At: at, Value: line(l.At, l.Value, r.At, r.Value, at), Epoch: int32(e), Thin: r.Thin}
	if last != nil {
		cut.Value = min(cut.Value, *last)
	}
	marks := []Mark{cut}
	if r.At > at+1 {
		marks = append(marks, Mark{At: at + 1, Value: line(l.At, l.Value, r.At, r.Value, at+1), Epoch: int32(e)})
	} else {
		s.Kept[i].Thin = 0
	}
	s.Kept = slices.Insert(s.Kept, i, marks...)
	s.Sealed += len(marks)
	if i < s.Settled {
		s.Settled += len(marks)
	}
}

// Void takes the reading at that time out; totals follow. It returns false when no reading of that time
// is kept. Where both the old and the new counter were read at the millisecond of a swap, the new one's goes first.
func (s *Series) Void(at int64) bool {
	i := s.firstAfter(at) - 1
	if i < 0 || s.Kept[i].At != at {
		return false
	}
	s.remove(i)
	s.rebase()
	return true
}

// remove takes Kept[i] out; the stretches on either side become one, thinned if either was.
func (s *Series) remove(i int) {
	thin := s.Kept[i].Thin
	s.Kept = slices.Delete(s.Kept, i, i+1)
	if i < len(s.Kept) && i > 0 && s.Kept[i-1].Epoch == s.Kept[i].Epoch {
		s.Kept[i].Thin = max(s.Kept[i].Thin, thin)
	}
	if i < s.Settled {
		s.Settled--
	}
	if i < s.Sealed {
		s.Sealed--
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
	for i := range s.Kept {
		if int(s.Kept[i].Epoch) >= e {
			s.Kept[i].Epoch--
		}
	}
	if i := s.place(e-1, at); i+1 < len(s.Kept) && s.Kept[i].At == at && s.Kept[i+1].At == at {
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
		} else if i := s.place(e, -1<<63); i > 0 && int(s.Kept[i-1].Epoch) == e-1 {
			end = s.Kept[i-1].Value
		}
		s.Epochs[e].Base = old.Base + end - old.Start
	}
}
