package fleet

import (
	"math"

	"rigledger/events"
	"rigledger/fleet/meter"
	"rigledger/fleet/plan"
)

// quantities are all that a meter may count.
var quantities = [...]meter.Quantity{meter.Hours, meter.Area, meter.Volume, meter.Distance, meter.Loads}

// PartUsage is a part's own usage of one quantity at a time (Unix ms), base
// units: what it carried in plus what every rig it was on did meanwhile. ok is
// false when no rig it was on counts that quantity or lets it be estimated.
func (s *State) PartUsage(p *Part, q meter.Quantity, at int64) (usage int64, ok bool) {
	if carried, has := p.Carried.Get(string(q)); has {
		usage, ok = carried, true
	}
	for i := range p.Stays {
		stay := &p.Stays[i]
		if stay.From > at && !stay.FromStart {
			continue
		}
		rig := s.Rigs[stay.Rig]
		if rig == nil {
			continue
		}
		r := s.runOf(rig, q, s.preferredMeter(rig.Class, p.Position))
		if r.series == nil {
			continue
		}
		to := at
		if stay.To != 0 && stay.To < at {
			to = stay.To
		}
		ok = true
		usage += r.at(to)
		if !stay.FromStart {
			usage -= r.at(stay.From)
		}
	}
	return usage, ok
}

// run is how a rig's total of a quantity is had: from a meter, or estimated
// from another one.
type run struct {
	series  *meter.Series
	convert func(int64) int64 // nil where the meter counts the quantity itself
}

// estimated says that the total is not measured.
func (r run) estimated() bool { return r.convert != nil }

func (r run) at(at int64) int64 {
	total := r.series.TotalAt(at)
	if r.convert != nil {
		return r.convert(total)
	}
	return total
}

// runOf finds a rig's meter for a quantity, or what it can be estimated from:
// area from the distance sprayed times the width, hours from the area over the
// field capacity of the class (ASABE EP496.3). series is nil where neither is there.
func (s *State) runOf(rig *Rig, q meter.Quantity, preferred string) run {
	if m := rig.MeterOf(q, preferred); m != nil {
		return run{series: m.Series}
	}
	switch q {
	case meter.Area:
		for _, m := range rig.Meters {
			if m.Spraying && m.Series.Quantity == meter.Distance {
				return run{m.Series, func(metres int64) int64 { return meter.EstimateArea(metres, rig.WidthMM) }}
			}
		}
	case meter.Hours:
		class, area := s.Class(rig.Class), s.runOf(rig, meter.Area, "")
		if class == nil || area.series == nil {
			return run{}
		}
		capacity := meter.FieldCapacity(class.Field.KmH, float64(rig.WidthMM)/1000, class.Field.Efficiency)
		return run{area.series, func(v int64) int64 {
			if area.convert != nil {
				v = area.convert(v)
			}
			return meter.EstimateHours(v, capacity)
		}}
	}
	return run{}
}

// PartTotals is the part's usage of every quantity its rigs count or let be
// estimated.
func (s *State) PartTotals(p *Part, at int64) plan.Amounts {
	var a plan.Amounts
	for _, q := range quantities {
		if v, ok := s.PartUsage(p, q, at); ok {
			a.SetNamed(string(q), v)
		}
	}
	return a
}

// Estimates lists the quantities that a rig has no meter of and that are
// estimated, in the order hours, area.
func (s *State) Estimates(rig *Rig) []MeterTotal {
	var out []MeterTotal
	for _, q := range []meter.Quantity{meter.Hours, meter.Area} {
		if r := s.runOf(rig, q, ""); r.series != nil && r.estimated() {
			_, at := r.series.Total()
			out = append(out, MeterTotal{Meter: "estimated-" + string(q), Quantity: q, Total: r.at(farFuture), ReadAt: unixMilli(at), Estimate: true})
		}
	}
	return out
}

// preferredMeter names the meter that a class gives to a position.
func (s *State) preferredMeter(class, position string) string {
	if c := s.Class(class); c != nil {
		if p := c.PartAt(position); p != nil {
			return p.Meter
		}
	}
	return ""
}

// Limits are the plausibility bounds for a meter of a rig, from its class: no
// more hours than pass, and no more area or distance than the boom's width at the
// class's greatest speed allows (design: width × 30 km/h, common practice).
func (s *State) Limits(r *Rig, q meter.Quantity) meter.Limits {
	hoursPerDay, kmH := 24.0, 30.0
	if c := s.Class(r.Class); c != nil {
		hoursPerDay, kmH = c.Limits.HoursPerDay, c.Limits.MaxKmH
	}
	switch q {
	case meter.Hours:
		return meter.Limits{MaxGainPerHour: int64(math.Round(3600 * hoursPerDay / 24)), Slack: q.Tolerance()}
	case meter.Area:
		return meter.Limits{MaxGainPerHour: int64(kmH * 1000 * float64(r.WidthMM) / 1000), Slack: q.Tolerance()}
	case meter.Distance:
		return meter.Limits{MaxGainPerHour: int64(kmH * 1000), Slack: q.Tolerance()}
	}
	return meter.Limits{Slack: q.Tolerance()}
}

// amountsOf turns a plan's amounts into those of a fact.
func amountsOf(a plan.Amounts) events.Amounts {
	var out events.Amounts
	for q, v := range a.All() {
		out = append(out, events.Amount{Quantity: q.String(), Value: v})
	}
	return out
}

// planAmounts is the inverse of amountsOf.
func planAmounts(a events.Amounts) plan.Amounts {
	var out plan.Amounts
	for _, x := range a {
		out.SetNamed(x.Quantity, x.Value)
	}
	return out
}

// kindAt and titleAt give what a class says of a position, "" for one it does
// not have.
func (s *State) kindAt(class, position string) string {
	if c := s.Class(class); c != nil {
		if p := c.PartAt(position); p != nil {
			return p.Kind
		}
	}
	return ""
}

func (s *State) titleAt(class, position string) string {
	if c := s.Class(class); c != nil {
		if p := c.PartAt(position); p != nil {
			return p.Title
		}
	}
	return position
}
