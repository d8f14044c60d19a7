package fleet

import (
	"math"
	"time"

	"rigledger/fleet/plan"
)

// Codes of conditions that the house plans act on. Any other code may be sent
// and named in a plan; these have a meaning here.
const (
	// FlowDrift is how far the tank's level and the rate over the area disagree, in
	// percent: a sign that the flow meter has drifted. It is worked out from
	// TankUsed, AreaDone and RateSet when they come with one time.
	FlowDrift = "flow-drift"
	TankUsed  = "tank-used" // litres gone from the tank by its gauge
	AreaDone  = "area-done" // hectares sprayed with them
	RateSet   = "rate-set"  // litres a hectare that the regulation held by its flow meter
	// DefectPrefix stands before the code of an open defect: "defect-milky-oil"
	// has the value 1 while such a defect is open.
	DefectPrefix = "defect-"
)

// conditionsFor gives the newest values that concern a part, by code, leaving
// out those that the last job has answered.
func (s *State) conditionsFor(rig *Rig, p *Part, done *plan.Mark) map[string]float64 {
	values := map[string]float64{}
	at := map[string]time.Time{}
	for _, c := range rig.Conditions {
		if c.Part != "" && c.Part != p.Part {
			continue
		}
		if done != nil && c.At.UnixMilli() <= done.At {
			continue
		}
		// Of two with one time, what was said of the part counts before what was said of the rig.
		if known, ok := at[c.Code]; ok && (c.At.Before(known) || c.At.Equal(known) && c.Part == "") {
			continue
		}
		values[c.Code], at[c.Code] = c.Value, c.At
	}
	if drift, ok := flowDrift(values, at); ok {
		values[FlowDrift] = drift
	}
	for _, id := range rig.Defects {
		d := s.Defects[id]
		if d.Code != "" && (d.Part == "" || d.Part == p.Part) && (done == nil || d.ReportedAt.UnixMilli() > done.At) {
			values[DefectPrefix+d.Code] = 1
		}
	}
	return values
}

// flowDrift is |used / (area × rate) − 1| in percent.
func flowDrift(values map[string]float64, at map[string]time.Time) (percent float64, ok bool) {
	used, area, rate := values[TankUsed], values[AreaDone], values[RateSet]
	if used <= 0 || area <= 0 || rate <= 0 || !at[TankUsed].Equal(at[AreaDone]) || !at[TankUsed].Equal(at[RateSet]) {
		return 0, false
	}
	// Rounded, so that exactly 5 % is 5 and not a hair more.
	return math.Round(math.Abs(used/(area*rate)-1)*1e11) / 1e9, true
}
