package forecast

import (
	"math"

	"rigledger/fleet/plan"
)

// Basis says what a forecast rests on.
type Basis string

// From the rig's own finished seasons (with its class's beside them), its
// class's seasons scaled by whatever the rig did itself, a part of one season of
// its own, or nothing but bookings.
const (
	OnOwnSeasons Basis = "own seasons"
	OnClass      Basis = "class"
	OnOwnDays    Basis = "part of a season"
	OnBookings   Basis = "bookings only"
)

// Model is what is known of one meter's use: the seasons to draw from, and the
// level of this season and of those to come. It is not changed after NewModel;
// several goroutines may use it.
type Model struct {
	frame frame
	today plan.Date
	year  int // season year of today
	index int

	own, class  []*source
	odd, before float64
	shift       int
	ownShare    float64 // of draws that are from own
	expected    *shape
	basis       Basis

	now, nowSpread   float64 // log of base units a year, this season: median and standard deviation
	next, nextSpread float64 // the lasting level, likewise
	yearSpread       float64 // of a season around the lasting level
}

// NewModel learns from a meter's own history before today, and from its class's,
// which may be nil. season is the rig's own; a zero season is a rig that works the
// year round.
func NewModel(h History, class *Pool, season plan.Season, today plan.Date) *Model {
	f := frameOf(season)
	m := &Model{frame: f, today: today, shift: mostShift}
	m.year, m.index = f.of(today)
	h = h.until(today)
	years := f.years(h, m.year, m.index)

	total, seasons := 0.0, 0.0
	for _, k := range years {
		total += k.total
		if k.finished(f) {
			m.own = append(m.own, sourceOf(h, k))
			seasons += k.total
		}
	}
	if class.Rigs() > 0 {
		m.class = class.sources
	}
	level, spread := 0.0, 0.0
	yearly, scatter := startYear*startYear, startDispersion
	switch {
	case len(m.class) > 0:
		m.basis, m.expected = OnClass, class.expected
		level, spread = class.level, class.between
		yearly, scatter = class.year, class.dispersion
		if n := float64(len(m.own)); n > 0 {
			m.basis, m.ownShare = OnOwnSeasons, n/(n+classWeight)
			m.expected = blend(shapeOf(m.own), class.expected, m.ownShare)
		}
	case len(m.own) > 0:
		n := float64(len(m.own))
		m.basis, m.ownShare, m.expected = OnOwnSeasons, 1, shapeOf(m.own)
		level, spread = math.Log(seasons/n), 1
		if sum, weight := dispersion(m.own, m.expected); n > 1 {
			scatter = (sum*n/(n-1) + startDispersion*priorCount) / (weight + priorCount)
		}
	case total > 0:
		m.basis, m.ownShare = OnOwnDays, 1
		m.own, level = f.fromDays(h, years)
		m.expected, spread = shapeOf(m.own), 1
	default:
		m.basis = OnBookings
		return m
	}
	m.learn(h, years, level, spread, yearly, scatter)
	return m
}

// learn follows the level through the years. The lasting level has a prior
// (level, its variance spread); each year's own level stands around it with
// variance yearly; what was seen of a year tells that with an error. All in
// logarithms, by the usual normal updating, so a little evidence moves the level a
// little: the recent level is shrunk towards what was known before. A year that is
// off by more than can be put down to chance widens the lasting variance, as when a
// rig is moved to other work.
func (m *Model) learn(h History, years []known, level, spread, yearly, scatter float64) {
	lasting, variance := level, spread
	m.now, m.nowSpread = lasting, math.Sqrt(variance+yearly)
	open := 0.0
	for _, k := range years {
		current := k.year == m.year
		variance += drift * drift
		if current {
			m.before = lasting
		}
		used, expected, effective := m.recent(h, k, math.Exp(lasting))
		if expected <= 0 {
			if current {
				m.now, m.nowSpread = lasting, math.Sqrt(variance+yearly)
			}
			continue
		}
		// Half a grain on both sides keeps a stretch without any work finite.
		grain := scatter / 2
		off := math.Log((used + grain) / (expected + grain))
		wrong := scatter / (effective + grain)
		if current {
			rate := (m.expected.upTo(k.to+7) - m.expected.upTo(k.to-7)) / 14
			late := timing * rate / (expected + grain)
			wrong += late * late
		}
		all := variance + yearly + wrong
		open *= math.Exp2(-expected / 0.7)
		if z := off * off / (surprise * all); z > 1 {
			variance += (z - 1) * all
			all = variance + yearly + wrong
			open += unsettled * off * off
		}
		gain := (variance + yearly) / all
		if current {
			m.now = lasting + gain*off
			m.nowSpread = math.Sqrt((variance + yearly) * (1 - gain))
		}
		lasting += variance / all * off
		variance *= 1 - variance/all
	}
	if n := len(years); n == 0 || years[n-1].year != m.year {
		variance += drift * drift
		m.now, m.nowSpread = lasting, math.Sqrt(variance+yearly)
	}
	m.next = lasting
	m.nowSpread = widen * math.Sqrt(m.nowSpread*m.nowSpread+open)
	m.nextSpread = widen * math.Sqrt(variance+drift*drift+open)
	m.yearSpread = math.Sqrt(yearly)
	m.odd = max(0, m.oddity(h, years, scatter))
	m.shift = mostShift + int(min(1, m.odd*shiftBy)*shiftMost)
}

// oddity
func (m *Model) oddity(h History, years []known, scatter float64) float64 {
	sum, n := 0.0, 0.0
	left, worst := 8, 0.0
	for i := len(years) - 1; i >= 0 && left > 0; i-- {
		k := years[i]
		r, e, _ := m.recent(h, k, 1)
		if e <= 0 {
			continue
		}
		level := (r + math.Exp(m.next)*scatter/2) / (e + scatter/2)
		for to := k.to; to-window >= k.from && left > 0; to -= window {
			e := m.expected.upTo(to) - m.expected.upTo(to-window)
			u := 0.0
			for d := to - window; d < to; d++ {
				u += h.on(k.first + d - k.from)
			}
			if k.year == m.year {
				level = math.Exp((1-oldLevel)*math.Log(level) + oldLevel*m.before)
			}
			u /= level
			if e < 0.01 && u < 0.01 {
				continue
			}
			sum += (u - e) * (u - e) / (scatter * max(e, 0.02))
			n++
			left--
			for i, w := range oddLengths {
				if int(n) == w {
					worst = max(worst, (sum+2)/(n+2)-oddLimits[i])
				}
			}
		}
	}
	return worst
}

// recent weighs what is known of a year, the last days most: the use in shares of
// a year at the level, the share that was to be expected, and how large an evenly
// weighed share tells as much.
func (m *Model) recent(h History, k known, level float64) (used, expected, effective float64) {
	ahead, squares := 0.0, 0.0
	for i := k.to - 1; i >= k.from; i-- {
		e := m.expected.upTo(i+1) - m.expected.upTo(i)
		u := h.on(k.first + i - k.from)
		if e <= 0 && u == 0 {
			continue
		}
		w := math.Exp2(-ahead / recency)
		used += w * u / level
		expected += w * e
		squares += w * w * e
		ahead += e
	}
	if squares > 0 {
		effective = expected * expected / squares
	}
	return used, expected, effective
}

// fromDays makes a season out of a part of one: the days known inside the season,
// over and over, in their order. level is the log of the use a year of such days has.
func (f frame) fromDays(h History, years []known) (own []*source, level float64) {
	var days []float64
	sum := 0.0
	for _, k := range years {
		for i := k.from; i < k.to; i++ {
			if v := h.on(k.first + i - k.from); f.inSeason(i) {
				days = append(days, v)
				sum += v
			}
		}
	}
	if sum == 0 { // all work lay outside the season: take it as it came
		f.whole = true
		for _, k := range years {
			for i := k.from; i < k.to; i++ {
				days = append(days, h.on(k.first+i-k.from))
			}
		}
	}
	// Several beginnings stand for several seasons.
	const beginnings = 7
	logs := 0.0
	for b := range beginnings {
		s := &source{}
		total, at := 0.0, b*len(days)/beginnings
		for i := range yearDays {
			s.cum[i] = total
			if f.inSeason(i) {
				total += days[at%len(days)]
				at++
			}
		}
		s.cum[yearDays] = total
		if total == 0 {
			continue
		}
		for i := range s.cum {
			s.cum[i] /= total
		}
		own = append(own, s)
		logs += math.Log(total)
	}
	if len(own) == 0 {
		return nil, 0
	}
	return own, logs / float64(len(own))
}

// Basis tells what the model rests on.
func (m *Model) Basis() Basis { return m.basis }

// Day gives the model's mean use and its standard deviation on a day, in base
// units, without bookings.
func (m *Model) Day(day plan.Date) (mean, spread float64) {
	if m.basis == OnBookings {
		return 0, 0
	}
	year, index := m.frame.of(day)
	level := math.Exp(m.now + m.nowSpread*m.nowSpread/2)
	if year > m.year {
		v := m.nextSpread*m.nextSpread + m.yearSpread*m.yearSpread
		level = math.Exp(m.next + v/2)
	}
	sum, squares, weight := 0.0, 0.0, 0.0
	add := func(sources []*source, share float64) {
		if len(sources) == 0 || share == 0 {
			return
		}
		w := share / float64(len(sources))
		for _, s := range sources {
			for i := index - mostShift; i <= index+mostShift; i++ {
				u := s.upTo(i+1) - s.upTo(i)
				sum, squares, weight = sum+w*u, squares+w*u*u, weight+w
			}
		}
	}
	add(m.own, m.ownShare)
	add(m.class, 1-m.ownShare)
	mean = sum / weight
	return mean * level, math.Sqrt(max(0, squares/weight-mean*mean)) * level
}
