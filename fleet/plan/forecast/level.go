package forecast

import "math"

// The constants of learning, set on simulated fleets other than those of the
// test. Logarithms are natural.
const (
	recency   = 0.25 // of a year's work, after which a day counts half as much
	drift     = 0.05 // of the lasting level, standard deviation of its log in a year
	timing    = 24.0 // days by which a season may run early or late before it says anything about the level
	surprise  = 2.5  // squared deviation, in variances, beyond which a lasting change is taken in
	unsettled = 0.3  // share of a surprise's square that stays as doubt …
	settling  = 0.7  // … and is halved by this much of a year's work
	narrow    = 0.8  // of the level's spread: the drawn blocks bring part of the years' scatter themselves
)

// By how many days, either way, a season drawn may be moved: springs differ. A rig
// whose last windows do not look like its seasons gets more, up to the sum.
const (
	leastShift = 6
	oddShift   = 90
)

// odd gives, for the last 1, 2, 3 and 6 windows with work in them, how far off they
// may be, on average and in variances, before they count as odd.
var odd = [...]struct {
	windows int
	limit   float64
}{{1, 0.9}, {2, 1.1}, {3, 1.2}, {6, 1.4}}

// prior is what is taken of a meter before its own history is looked at.
type prior struct {
	level      float64 // log of base units in a year
	spread     float64 // its variance
	yearly     float64 // variance of a year's level around it
	dispersion float64 // see dispersion
}

// learn follows the level through the years. The lasting level begins at the prior;
// each year's own level stands around it; what was seen of the year tells that
// level with an error. All in logarithms and by the usual updating of normal
// distributions, so that little evidence moves the level little: the recent level is
// shrunk towards what was known before. A year that is off by more than chance
// explains widens the lasting spread, as when a rig is moved to other work.
func (m *Model) learn(h History, years []known, p prior) {
	lasting, variance, doubt := p.level, p.spread, 0.0
	before := lasting // as this year began
	m.now, m.nowSpread = lasting, math.Sqrt(variance+p.yearly)
	grain := p.dispersion // on both sides, keeps a stretch without work finite
	for _, k := range years {
		variance += drift * drift
		if k.changed {
			variance += startBetween * startBetween
		}
		current := k.year == m.year
		if current {
			before = lasting
			m.now, m.nowSpread = lasting, math.Sqrt(variance+p.yearly)
		}
		used, expected, effective := m.recent(h, k)
		if expected <= 0 {
			continue
		}
		off := math.Log((used/math.Exp(lasting) + grain) / (expected + grain))
		wrong := p.dispersion / (effective + grain)
		edge := func(index int) {
			daily := (m.expected.upTo(index+7) - m.expected.upTo(index-7)) / 14
			late := timing * daily / (expected + grain)
			wrong += late * late
		}
		if current {
			edge(k.to)
		}
		if k.changed {
			edge(k.since)
		} else if k.from > 0 {
			edge(k.from)
		}
		all := variance + p.yearly + wrong
		doubt *= math.Exp2(-expected / settling)
		if z := off * off / (surprise * all); z > 1 {
			variance += (z - 1) * all
			all *= z
			doubt += unsettled * off * off
		}
		if current {
			gain := (variance + p.yearly) / all
			m.now = lasting + gain*off
			m.nowSpread = math.Sqrt((variance + p.yearly) * (1 - gain))
		}
		lasting += variance / all * off
		variance *= 1 - variance/all
	}
	m.next = lasting
	m.nowSpread = narrow * math.Sqrt(m.nowSpread*m.nowSpread+doubt)
	m.nextSpread = narrow * math.Sqrt(variance+drift*drift+doubt)
	m.yearSpread = math.Sqrt(p.yearly)
	m.shift = leastShift + int(oddShift*min(1, max(m.oddity(h, years, before, p.dispersion), m.untried(years))))
}

// untried is how much of a year's work is still to be seen of the work the rig was
// given: 1 on the day of the change, 0 a year's work later and where there was none.
func (m *Model) untried(years []known) float64 {
	seen, changed := 0.0, false
	for _, k := range years {
		changed = changed || k.changed
		if changed {
			seen += m.expected.upTo(k.to) - m.expected.upTo(k.since)
		}
	}
	if !changed {
		return 0
	}
	return max(0, 1-seen)
}

// recent weighs what is known of a year, the last days most: the use, the share of a
// year's use that was to be expected, and how large an evenly weighed share tells as
// much.
func (m *Model) recent(h History, k known) (used, expected, effective float64) {
	first := k.from
	if k.changed {
		first = k.since
	}
	const step = 7 // days weighed alike
	ahead, squares := 0.0, 0.0
	for to := k.to; to > first; to -= step {
		from := max(first, to-step)
		e, u := m.expected.upTo(to)-m.expected.upTo(from), h.between(k, from, to)
		if e <= 0 && u == 0 {
			continue
		}
		w := math.Exp2(-ahead / recency)
		used += w * u
		expected += w * e
		squares += w * w * e
		ahead += e
	}
	if squares > 0 {
		effective = expected * expected / squares
	}
	return used, expected, effective
}

// oddity is how little the last windows look like the seasons known, whatever
// their level: 0 as usual, 1 and more when work comes at other times than
// it did, as with other crops. Windows of this year are held against the level the
// year began with, others against their own year's. The sum starts with two windows
// that are as usual.
func (m *Model) oddity(h History, years []known, before, dispersion float64) float64 {
	const usual = 2
	sum, seen, worst := 0.0, 0, 0.0
	grain := dispersion / 2
	for i := len(years) - 1; i >= 0; i-- {
		k := years[i]
		level := math.Exp(before)
		if k.year != m.year {
			used, expected, _ := m.recent(h, k)
			if expected <= 0 {
				continue
			}
			level = (used + math.Exp(m.next)*grain) / (expected + grain)
		}
		for to := k.to; to-window >= k.from; to -= window {
			expected := m.expected.upTo(to) - m.expected.upTo(to-window)
			used := h.between(k, to-window, to) / level
			if expected < 0.01 && used < 0.01 {
				continue // between seasons
			}
			off := used - expected
			sum += off * off / (dispersion * max(expected, 0.02))
			seen++
			for _, o := range odd {
				if seen == o.windows {
					worst = max(worst, (sum+usual)/float64(seen+usual)-o.limit)
				}
			}
			if seen == odd[len(odd)-1].windows {
				return worst
			}
		}
	}
	return worst
}
