package forecast

import (
	"math"
	"slices"
	"sync"

	"rigledger/fleet/plan"
)

// Horizon is how many days ahead the forecast looks unless told otherwise: three
// years. MostHorizon is the furthest.
const (
	Horizon     = 1096
	MostHorizon = 3660
)

// paths are the futures drawn. Of 99, the 10th, 50th and 90th are its 10 %, 50 %
// and 90 % points without interpolation: a truth drawn alike lies below the k-th of n with
// chance k/(n+1).
const paths = 99

const (
	low    = 10 - 1
	middle = 50 - 1
	high   = 90 - 1
)

// mostSeasons is how many seasons have a level of their own: this one and those that
// begin before MostHorizon.
const mostSeasons = 2 + MostHorizon/365

const (
	blockDays = 28 // a season is put together from blocks of this length
)

// Curves are held day by day for the first weeks, then week by week for the first
// year, then by fortnights, with a straight line between.
const (
	daily  = 42           // days
	weekly = daily + 7*46 // 364 days
)

// Booking is planned work or planned rest on one day. Booked amounts are in the
// meter's base units; several of one day add up. Booked work is a floor: the rig does at
// least that on the day, whatever the weather. On a rest day it does
// nothing, whatever else is booked.
type Booking struct {
	Day    plan.Date
	Amount int64
	Rest   bool
}

// Outlook is a meter's use from today on: after each number of days, the use that
// 10, 50 and 90 % of the futures stay below. It is not changed after
// Curves; several goroutines may use it.
type Outlook struct {
	model   *Model
	today   plan.Date
	horizon int
	booked  []planned
	stretch []stretch
	at      []int32      // days gone at each knot
	use     [3][]float64 // at each knot: the low, middle and high curve
}

// planned is the booking of one day, by days from today.
type planned struct {
	ahead  int
	amount float64
	rest   bool
}

// stretch is a run of days that a future takes from one season.
type stretch struct {
	ahead, days int // from today
	index       int // in the season year, of its first day
	season      int // 0 is today's season year
	block       uint64
}

// Curves looks ahead from today, which may be later than the day the model was made. Bookings
// before today or past the horizon are without effect. horizon is in days; 0 or less
// takes Horizon.
func (m *Model) Curves(today plan.Date, bookings []Booking, horizon int) *Outlook {
	if horizon <= 0 {
		horizon = Horizon
	}
	o := &Outlook{model: m, today: today, horizon: min(horizon, MostHorizon)}
	o.book(bookings)
	o.cut()
	for n := 0; n < o.horizon; {
		o.at = append(o.at, int32(n))
		switch {
		case n < daily:
			n++
		case n < weekly:
			n += 7
		default:
			n += 14
		}
	}
	o.at = append(o.at, int32(o.horizon))
	o.draw()
	return o
}

func (o *Outlook) book(bookings []Booking) {
	for _, b := range bookings {
		ahead := o.today.DaysUntil(b.Day)
		if ahead < 0 || ahead >= o.horizon || !b.Rest && b.Amount <= 0 {
			continue
		}
		o.booked = append(o.booked, planned{ahead, float64(max(0, b.Amount)), b.Rest})
	}
	slices.SortStableFunc(o.booked, func(a, b planned) int { return a.ahead - b.ahead })
	kept := o.booked[:0]
	for _, b := range o.booked {
		if n := len(kept); n > 0 && kept[n-1].ahead == b.ahead {
			kept[n-1].amount += b.amount
			kept[n-1].rest = kept[n-1].rest || b.rest
			continue
		}
		kept = append(kept, b)
	}
	o.booked = kept
}

// cut lays the days ahead into stretches, on a grid fixed in the season year: the
// forecast of tomorrow draws the same seasons as that of today.
func (o *Outlook) cut() {
	f := o.model.frame
	year, index := f.of(o.today)
	length := f.length(year)
	for ahead := 0; ahead < o.horizon; {
		if index == length {
			year, index = year+1, 0
			length = f.length(year)
		}
		block := index / blockDays
		end := min((block+1)*blockDays, length)
		if length-end < blockDays/2 {
			end = length // no crumb at the end of the year
		}
		days := min(end-index, o.horizon-ahead)
		season := min(max(0, year-o.model.year), mostSeasons-1)
		o.stretch = append(o.stretch, stretch{ahead, days, index, season, uint64(year)<<8 | uint64(block)})
		ahead, index = ahead+days, index+days
	}
}

// future is one drawn future.
type future struct {
	o      *Outlook
	number int
	levels [mostSeasons]float64
}

func (o *Outlook) future(number int) future {
	p := future{o: o, number: number}
	m := o.model
	if m.basis == OnBookings {
		return p
	}
	// This season and the lasting level are drawn together: who does more now will
	// rather do more then.
	const together = 0.6
	now := normal(0, number)
	last := together*now + math.Sqrt(1-together*together)*normal(1, number)
	p.levels[0] = math.Exp(m.now + m.nowSpread*now)
	seasons := o.stretch[len(o.stretch)-1].season
	for s := 1; s <= seasons; s++ {
		p.levels[s] = math.Exp(m.next + m.nextSpread*last + m.yearSpread*normal(1+s, number))
	}
	return p
}

// season gives what a stretch is taken from, shifted by some days; nil where
// nothing is known.
func (p *future) season(s *stretch) (*source, int) {
	m := p.o.model
	if m.basis == OnBookings {
		return nil, 0
	}
	x := mix(s.block ^ uint64(p.number+1)<<32)
	shift := int(mix(s.block>>8^uint64(p.number+1)<<40)%uint64(2*m.shift+1)) - m.shift
	from := m.class
	if float64(x>>40)/(1<<24) < m.ownShare {
		from = m.own
	}
	return from[(x&0xffffffff)*uint64(len(from))>>32], shift
}

// on is the use of one day of a stretch, before bookings.
func (p *future) on(s *stretch, ahead int) float64 {
	from, shift := p.season(s)
	if from == nil {
		return 0
	}
	i := s.index + ahead - s.ahead + shift
	return (from.upTo(i+1) - from.upTo(i)) * p.levels[s.season]
}

// change is what a booking adds to a day that would have had that use.
func (b planned) change(use float64) float64 {
	switch {
	case b.rest:
		return -use
	case b.amount > use:
		return b.amount - use
	}
	return 0
}

// board is the working space of one draw.
type board struct {
	use   []float64 // [knot][future]
	extra []float64 // by knot: what bookings change since the knot before
	order [paths]uint8
}

var boards = sync.Pool{New: func() any { return new(board) }}

func (o *Outlook) draw() {
	knots := len(o.at)
	b := boards.Get().(*board)
	defer boards.Put(b)
	if cap(b.use) < knots*paths {
		b.use, b.extra = make([]float64, knots*paths), make([]float64, knots)
	}
	b.use, b.extra = b.use[:knots*paths], b.extra[:knots]
	for number := range paths {
		o.drawOne(b, number)
	}
	flat := make([]float64, 3*knots)
	o.use = [3][]float64{flat[:knots:knots], flat[knots : 2*knots : 2*knots], flat[2*knots:]}
	for i := range b.order {
		b.order[i] = uint8(i)
	}
	var sorted [paths]float64
	for k := range knots {
		row := b.use[k*paths : (k+1)*paths]
		// The order changes little from knot to knot, so insertion is quick.
		for i := range paths {
			number := b.order[i]
			v := row[number]
			j := i
			for j > 0 && sorted[j-1] > v {
				sorted[j], b.order[j] = sorted[j-1], b.order[j-1]
				j--
			}
			sorted[j], b.order[j] = v, number
		}
		o.use[0][k], o.use[1][k], o.use[2][k] = sorted[low], sorted[middle], sorted[high]
	}
}

func (o *Outlook) drawOne(b *board, number int) {
	p := o.future(number)
	gone, k, next := 0.0, 0, 0
	b.use[number] = 0
	k = 1
	clear(b.extra)
	for i := range o.stretch {
		s := &o.stretch[i]
		end := s.ahead + s.days
		from, shift := p.season(s)
		for ; next < len(o.booked) && o.booked[next].ahead < end; next++ {
			d := &o.booked[next]
			use := 0.0
			if from != nil {
				at := s.index + d.ahead - s.ahead + shift
				use = (from.upTo(at+1) - from.upTo(at)) * p.levels[s.season]
			}
			b.extra[o.knotAfter(d.ahead)] += d.change(use)
		}
		if from == nil {
			for ; k < len(o.at) && int(o.at[k]) <= end; k++ {
				b.use[k*paths+number] = gone
			}
			continue
		}
		level := p.levels[s.season]
		origin := s.index - s.ahead + shift
		before := from.upTo(s.index + shift)
		for ; k < len(o.at) && int(o.at[k]) <= end; k++ {
			b.use[k*paths+number] = gone + (from.upTo(origin+int(o.at[k]))-before)*level
		}
		gone += (from.upTo(origin+end) - before) * level
	}
	if len(o.booked) > 0 {
		more := 0.0
		for k := range o.at {
			more += b.extra[k]
			b.use[k*paths+number] += more
		}
	}
}

// knotAfter is the first knot at which the day that many days ahead is over.
func (o *Outlook) knotAfter(ahead int) int {
	k := ahead + 1
	switch {
	case ahead >= weekly:
		k = daily + (weekly-daily)/7 + (ahead-weekly)/14 + 1
	case ahead >= daily:
		k = daily + (ahead-daily)/7 + 1
	}
	return min(k, len(o.at)-1)
}
