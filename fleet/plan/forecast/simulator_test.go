package forecast_test

import (
	"math"
	"math/rand/v2"
	"time"

	"rigledger/fleet/plan"
)

// The simulated work that the forecast is judged on. It shares no formula with
// the forecaster. The forecaster knows seasons as curves of use, draws blocks of
// them and scales them by a log-normal level. Here there is no curve and no level
// anywhere: use comes out of a queue. Crops on a customer's land call for spray
// rounds around certain days of the year (earlier or later with the spring,
// sometimes left out or doubled); each round's hectares arrive in a backlog, field
// by field, and go stale if nobody comes; the rig works the backlog off on days
// that are dry (a Markov chain with its own wet and dry spells in each month), not
// too windy, not a Sunday as a rule, and on which it is not broken down, as many
// hours as the day allows, at its own hectares an hour. A season's total is
// therefore bounded by the land below and by the weather above, and what rain
// delays is made up later, which a block drawn at random does not know. A rig moved to
// other work gets other land and other crops. All numbers: own invention, of the
// size of common practice (300 to 600 h a year).

// firstDay and simYears bound the simulation.
var firstDay = plan.On(2012, time.January, 1)

const simYears = 11

// region is a part of the world with its weather and its springs.
type region struct {
	season plan.Season
	turn   int    // days by which its year is turned against the northern one
	dry    []bool // by day of the simulation
	calm   []bool
	spring []float64 // days by which each year is late
	market []float64 // by year: how much land there is for contractors
}

// round is one passage over the crop.
type round struct {
	day   float64 // of the northern year
	share float64 // of the land
}

var cereals = []round{{72, 0.4}, {100, 1}, {124, 1}, {146, 0.8}, {168, 0.5}, {205, 0.3}, {262, 0.6}, {288, 0.5}}
var vegetables = []round{{95, 0.6}, {118, 0.7}, {138, 0.9}, {157, 1}, {173, 1}, {190, 1}, {206, 0.9}, {224, 0.8}, {245, 0.5}}

func simDays() int { return firstDay.DaysUntil(firstDay.AddMonths(12 * simYears)) }

func newRegion(r *rand.Rand, southern bool) *region {
	g := &region{season: plan.ClassByName("trailed").Season}
	if southern {
		g.turn = 183
		g.season = plan.Season{From: plan.MonthDay{Month: 9, Day: 1}, To: plan.MonthDay{Month: 4, Day: 30}}
	}
	dry := true
	for d := range simDays() {
		// Chance to stay dry and to turn dry: drier around the middle of the northern year.
		phase := math.Cos(2 * math.Pi * float64(g.dayOfYear(d)-200) / 365)
		stay, turn := 0.72+0.10*phase, 0.36+0.12*phase
		if dry {
			dry = r.Float64() < stay
		} else {
			dry = r.Float64() < turn
		}
		g.dry = append(g.dry, dry)
		g.calm = append(g.calm, r.Float64() < 0.85)
	}
	for range simYears + 2 {
		g.spring = append(g.spring, 7*r.NormFloat64())
		g.market = append(g.market, math.Exp(0.10*r.NormFloat64()))
	}
	return g
}

// dayOfYear is the northern day of the year that a day of the simulation is like.
func (g *region) dayOfYear(d int) int { return (d + g.turn) % 365 }

// machine is a rig with the land it works; all its luck is drawn beforehand, so that
// two futures of it differ only in the diary.
type machine struct {
	g       *region
	born    int // day of the simulation
	moved   int // day it was moved to other work, -1 never
	arrive  []float64
	hours   []float64 // that the day allows
	haHour  float64
	patient int // days after which a field is no longer worth spraying
}

func newMachine(r *rand.Rand, g *region, born, moved int) *machine {
	days := simDays()
	m := &machine{g: g, born: born, moved: moved, haHour: 20 * math.Exp(0.2*r.NormFloat64()), patient: 14 + r.IntN(14)}
	land, crops := 1500*math.Exp(0.30*r.NormFloat64()), cereals
	m.arrive = make([]float64, days)
	late := make([]float64, days)
	for year := -1; year <= simYears; year++ {
		own := math.Exp(0.14 * r.NormFloat64())
		for i := range cereals { // drawn for both kinds of crop alike
			jitter, luck := 4*r.NormFloat64(), r.Float64()
			for kind, rounds := range [][]round{crops, vegetables} {
				if i >= len(rounds) {
					continue
				}
				c := rounds[i]
				ha := c.share * land * own * g.market[year+1]
				switch {
				case luck < 0.07:
					ha = 0
				case luck > 0.94:
					ha *= 1.8
				}
				centre := float64(year*365-g.turn) + c.day + g.spring[year+1] + jitter
				for f := -10; f <= 10; f++ { // field by field over three weeks
					d := int(centre) + f
					if d < 0 || d >= days {
						continue
					}
					part := ha * float64(11-max(f, -f)) / 121
					if kind == 0 {
						m.arrive[d] += part
					} else {
						late[d] += part
					}
				}
			}
		}
	}
	factor := []float64{0.4, 0.6, 1.3, 1.7}[r.IntN(4)]
	down := 0
	for d := range days {
		if moved >= 0 && d >= moved {
			m.arrive[d] = late[d] * factor
		}
		if r.Float64() < 0.005 {
			down = 2 + r.IntN(8)
		}
		h := 6 + 7*r.Float64()
		if sunday := firstDay.AddDays(d).Weekday() == time.Sunday; sunday && r.Float64() < 0.75 || down > 0 {
			h = 0
		}
		down--
		m.hours = append(m.hours, h)
	}
	return m
}

// diary is planned work and rest by day of the simulation: hours of work that is
// done in any weather, -1 for rest.
type diary map[int]float64

// work runs the queue and gives the seconds worked each day.
func (m *machine) work(planned diary) []int64 {
	out := make([]int64, simDays())
	queue := make([]float64, len(out)) // hectares left, by the day they came
	for d := range out {
		if d < m.born {
			continue
		}
		queue[d] = m.arrive[d]
		hours, done := m.hours[d], 0.0
		if !m.g.dry[d] || !m.g.calm[d] {
			hours = 0
		}
		switch p := planned[d]; {
		case p < 0:
			hours = 0
		case p > 0:
			done = p
			hours = max(0, hours-p)
		}
		for from := max(m.born, d-m.patient); from <= d && hours > 0; from++ {
			ha := min(queue[from], hours*m.haHour)
			queue[from] -= ha
			hours -= ha / m.haHour
			done += ha / m.haHour
		}
		out[d] = int64(math.Round(done * 3600))
	}
	return out
}
