package forecast

import (
	"math"

	"rigledger/fleet/plan"
)

// Own starting values, where a class has too few seasons to tell; they count as
// much as priorCount rigs or seasons would. Standard deviations of logarithms.
const (
	startBetween    = 0.40 // between the rigs of a class
	startYear       = 0.20 // between the years of a rig
	startDispersion = 0.03 // see dispersion
	priorCount      = 3
)

// most seasons of a class that are drawn from; of more, every n-th is taken.
const mostSources = 60

// Member is one rig's history in the pool of its class, with the season it works in:
// rigs of both halves of the world may share a pool.
type Member struct {
	History History
	Season  plan.Season
}

// Pool is what the rigs of a class have in common, for one quantity: the finished
// seasons, the level and its spread. It is not changed after NewPool; several
// goroutines may use it.
type Pool struct {
	sources    []*source
	expected   *shape
	level      float64 // log of the base units in a year, of a middling rig
	between    float64 // variance of that log between rigs
	year       float64 // variance between years of one rig
	dispersion float64
	rigs       int
}

// NewPool gathers the class's finished seasons before today. The rig that is to be
// forecast may be among the members.
func NewPool(members []Member, today plan.Date) *Pool {
	p := &Pool{}
	var levels []float64 // one a rig
	within, withinCount := 0.0, 0
	for _, m := range members {
		f := frameOf(m.Season)
		h := m.History.until(today)
		year, index := f.of(today)
		var logs []float64
		for _, k := range f.years(h, year, index) {
			if k.finished(f) {
				p.sources = append(p.sources, sourceOf(h, k))
				logs = append(logs, math.Log(k.total))
			}
		}
		if len(logs) == 0 {
			continue
		}
		mean, variance := moments(logs)
		levels = append(levels, mean)
		if len(logs) > 1 {
			within += variance * float64(len(logs)-1)
			withinCount += len(logs) - 1
		}
	}
	p.rigs = len(levels)
	if p.rigs == 0 {
		return p
	}
	p.expected = shapeOf(p.sources)
	p.dispersion = dispersion(p.sources, p.expected)
	p.year = (within + startYear*startYear*priorCount) / float64(withinCount+priorCount)
	mean, variance := moments(levels)
	p.level = mean
	p.between = startBetween * startBetween
	if p.rigs > 1 {
		r := float64(p.rigs - 1)
		p.between = (variance*r + startBetween*startBetween*priorCount) / (r + priorCount)
	}
	p.between *= 1 + 1/float64(p.rigs) // the mean itself is only known from so many
	if step := (len(p.sources) + mostSources - 1) / mostSources; step > 1 {
		kept := p.sources[:0]
		for i := 0; i < len(p.sources); i += step {
			kept = append(kept, p.sources[i])
		}
		p.sources = kept
	}
	return p
}

// Rigs is how many rigs of the class have a finished season.
func (p *Pool) Rigs() int {
	if p == nil {
		return 0
	}
	return p.rigs
}
