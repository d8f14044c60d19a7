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

// classWeight: the class's seasons count as much as this many own ones.
const classWeight = 1.0

// Model is what is known of one meter's use: the seasons to draw from, and the
// level of this season and of those to come. It is not changed after NewModel;
// several goroutines may use it.
type Model struct {
	frame frame
	today plan.Date
	year  int // season year of today
	index int

	own, class []*source
	ownShare   float64 // of draws that are from own
	expected   *shape
	basis      Basis

	now, nowSpread   float64 // log of base units a year, this season: median and standard deviation
	next, nextSpread float64 // the lasting level, likewise
	yearSpread       float64 // of a season around the lasting level

	shift int // days by which a drawn season may come early or late
}

// NewModel learns from a meter's own history before today, and from its class's,
// which may be nil. season is the rig's own; a zero season is a rig that works the
// year round.
func NewModel(h History, class *Pool, season plan.Season, today plan.Date) *Model {
	f := frameOf(season)
	m := &Model{frame: f, today: today, shift: leastShift}
	m.year, m.index = f.of(today)
	h = h.until(today)
	years := f.years(h, m.year, m.index)

	if class.Rigs() > 0 {
		m.class = class.sources
	}
	total, seasons := m.ownSeasons(h, years, false)
	if len(m.own) == 0 && len(m.class) == 0 { // of other work, but better than none
		total, seasons = m.ownSeasons(h, years, true)
	}
	p := prior{yearly: startYear * startYear, dispersion: startDispersion}
	switch n := float64(len(m.own)); {
	case len(m.class) > 0:
		m.basis, m.expected = OnClass, class.expected
		p = prior{class.level, class.between, class.year, class.dispersion}
		if n > 0 {
			m.basis, m.ownShare = OnOwnSeasons, n/(n+classWeight)
			m.expected = blend(shapeOf(m.own), class.expected, m.ownShare)
		}
	case n > 0:
		m.basis, m.ownShare, m.expected = OnOwnSeasons, 1, shapeOf(m.own)
		p.level, p.spread = math.Log(seasons/n), 1
		if n > 1 {
			p.dispersion = dispersion(m.own, m.expected)
		}
	case total > 0:
		m.basis, m.ownShare = OnOwnDays, 1
		m.own, p.level = f.fromDays(h, years)
		if len(m.own) == 0 {
			m.basis = OnBookings
			return m
		}
		m.expected, p.spread = shapeOf(m.own), 1
	default:
		m.basis = OnBookings
		return m
	}
	m.learn(h, years, p)
	return m
}

// ownSeasons takes the finished seasons to draw from, those of other work only when
// asked to. It gives the use of all days and of the seasons taken.
func (m *Model) ownSeasons(h History, years []known, other bool) (total, seasons float64) {
	for _, k := range years {
		total += k.total
		if k.finished(m.frame) && (other || k.asNow(m.frame)) {
			m.own = append(m.own, sourceOf(h, k))
			seasons += k.total
		}
	}
	return total, seasons
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
			for i := index - leastShift; i <= index+leastShift; i++ {
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
