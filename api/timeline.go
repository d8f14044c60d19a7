package api

import (
	"time"

	"rigledger/events"
	"rigledger/fleet"
	"rigledger/fleet/plan"
)

// loggedDoc is one fact of a rig's timeline. What it says is in fact, in the
// units of the API; secrets' hashes and raw messages are left out.
type loggedDoc struct {
	Commit   uint64    `json:"commit"`
	Recorded time.Time `json:"recorded"`
	Kind     string    `json:"kind"`
	At       time.Time `json:"at"`
	By       string    `json:"by"`
	Fact     any       `json:"fact"`
}

func getTimeline(c *call) error {
	p := c.pages("timeline")
	kindsWanted := c.query.words("kind", events.Kinds()...)
	if err := c.query.err(); err != nil {
		return err
	}
	var docs []loggedDoc
	var next string
	err := c.view(func(s *fleet.State) error {
		r, err := c.rig(s)
		if err != nil {
			return err
		}
		// The place counts down, so that the newest comes first and what is added
		// later stands before any page that was read.
		var found []placed[*fleet.Logged]
		for i := len(r.Timeline) - 1; i >= 0 && len(found) <= p.limit; i-- {
			l := &r.Timeline[i]
			at := place{N: 1<<53 - uint64(i)}
			if p.wants(at) && has(kindsWanted, l.Entry.Fact.Kind()) {
				found = append(found, placed[*fleet.Logged]{at, l})
			}
		}
		found, next = cut(&p, found)
		docs = make([]loggedDoc, 0, len(found))
		for _, f := range found {
			e := &f.of.Entry
			docs = append(docs, loggedDoc{f.of.N, f.of.Recorded.UTC(), e.Fact.Kind(), e.At.UTC(), e.By, factDoc(r, e.Fact)})
		}
		return nil
	})
	if err != nil {
		return err
	}
	return c.list("timeline", docs, next, nil)
}

// factDoc shows a fact in human units. Facts without quantities or secrets
// show as they are; they are never changed once made.
func factDoc(r *fleet.Rig, f events.Fact) any {
	type doc = map[string]any
	quantity := func(meter string, base int64) plan.Amounts {
		if m := r.Meter(meter); m != nil {
			return amountOf(m.Series.Quantity, base)
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
			"sku": f.SKU, "made": f.Made, "from_start": f.FromStart, "carried": amountsOf(f.Carried),
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
			"counters": heldCountersOf(f.Counters),
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

func limitOfFact(due events.Amounts, date string) limit {
	d, _ := plan.ParseDate(date)
	return limit{amountsOf(due), d}
}
