package shape

import (
	"rigledger/events"
	"rigledger/fleet"
	"rigledger/fleet/plan"
)

// Fact shows a fact in human units. Facts without quantities or secrets
// show as they are; they are never changed once made.
func Fact(r *fleet.Rig, f events.Fact) any {
	type doc = map[string]any
	quantity := func(meter string, base int64) plan.Amounts {
		if m := r.Meter(meter); m != nil {
			return Amount(m.Series.Quantity, base)
		}
		return plan.Amounts{}
	}
	switch f := f.(type) {
	case *events.RigRegistered:
		return doc{
			"rig": f.Rig, "name": f.Name, "class": f.Class, "yard": f.Yard, "first_use": f.FirstUse, "serial": f.Serial,
			"width_m": float64(f.WidthMM) / 1000, "tank_l": float64(f.TankML) / 1000,
		}
	case *events.RigAmended:
		d := doc{"rig": f.Rig}
		for name, v := range map[string]*string{"name": f.Name, "yard": f.Yard, "first_use": f.FirstUse, "serial": f.Serial} {
			if v != nil {
				d[name] = *v
			}
		}
		for name, v := range map[string]*int64{"width_m": f.WidthMM, "tank_l": f.TankML} {
			if v != nil {
				d[name] = float64(*v) / 1000
			}
		}
		return d
	case *events.CredentialIssued:
		return doc{"rig": f.Rig, "user": f.User}
	case *events.PartFitted:
		return doc{
			"rig": f.Rig, "part": f.Part, "position": f.Position, "part_kind": f.Type, "name": f.Name, "serial": f.Serial,
			"sku": f.SKU, "made": f.Made, "from_start": f.FromStart, "carried": Amounts(f.Carried),
		}
	case *events.MeterAdded:
		return doc{"rig": f.Rig, "meter": f.Meter, "quantity": f.Quantity, "counter": quantity(f.Meter, f.Value)}
	case *events.MeterSwapped:
		d := doc{"rig": f.Rig, "meter": f.Meter, "start": quantity(f.Meter, f.Start), "rolled": f.Rolled, "reason": f.Reason}
		if f.Last != nil {
			d["last"] = quantity(f.Meter, *f.Last)
		}
		return d
	case *events.ReadingQuarantined:
		return doc{
			"rig": f.Rig, "quarantine": f.Quarantine, "event": f.Event, "via": f.Arrived, "reason": f.Reason, "detail": f.Detail,
			"counters": HeldCounters(f.Counters),
		}
	case *events.ItemRaised:
		return doc{
			"rig": f.Rig, "item": f.Item, "part": f.Part, "task": f.Task, "cycle": f.Cycle, "plan": f.Plan, "version": f.Version,
			"due": limitOfFact(f.Due, f.DueDate), "why": f.Why,
		}
	case *events.ItemDeferred:
		return doc{"rig": f.Rig, "item": f.Item, "reason": f.Reason, "due": limitOfFact(f.Due, f.Date)}
	}
	return f
}

func limitOfFact(due events.Amounts, date string) Limit {
	d, _ := plan.ParseDate(date)
	return Limit{Amounts(due), d}
}

// HeldCounter is a counter as it was sent; its unit may not be the meter's.
type HeldCounter struct {
	Meter string  `json:"meter"`
	Value float64 `json:"value"`
	Unit  string  `json:"unit"`
}

// HeldCounters shows the counters of a message in quarantine.
func HeldCounters(counters []events.HeldCounter) []HeldCounter {
	out := make([]HeldCounter, 0, len(counters))
	for _, c := range counters {
		out = append(out, HeldCounter(c))
	}
	return out
}

// FeedFact shows a fact as the timeline does; readings, which no timeline has,
// with their counters in human units, and files without their bytes.
func FeedFact(rig *fleet.Rig, f events.Fact) any {
	type doc = map[string]any
	switch f := f.(type) {
	case *events.MeterRead:
		counters := make([]doc, 0, len(f.Counters))
		for _, c := range f.Counters {
			counter := plan.Amounts{}
			if m := rig.Meter(c.Meter); m != nil {
				counter = Amount(m.Series.Quantity, c.Value)
			}
			counters = append(counters, doc{"meter": c.Meter, "counter": counter})
		}
		d := doc{"rig": f.Rig, "event": f.Event, "counters": counters}
		if f.Location != nil {
			lat, lon := f.Location.Degrees()
			d["position"] = doc{"latitude": lat, "longitude": lon}
		}
		return d
	case *events.FileKept:
		return doc{"file": f.File, "name": f.Name, "type": f.Type, "bytes": len(f.Bytes)}
	}
	return Fact(rig, f)
}
