package feed

import (
	"net/url"
	"slices"
	"strings"

	"rigledger/events"
	"rigledger/fleet"
)

// Address is where in the API something stands that a fact changed. Rig is the
// rig that it is about, "" for none.
type Address struct {
	Path string
	Rig  string
}

// Changes gives the addresses of what a fact changed in the read model: of the
// rig that it is about first, then of whatever else answers otherwise since. A
// rig's address stands for what lies under it too (/v1/rigs/T01/fitness,
// /timeline, /usage …). A list stands for its members, of which any may have
// changed: /v1/items?rig=T01, /v1/rigs/T01/parts. It may name something that
// answers as before, never leave out something that does not.
//
// It is a pure function of the fact and the state as it stands. Read long after,
// a fact does not name what has changed again since by a fact of its own (an item
// that was raised later, a part that moved): the later fact does.
func Changes(s *fleet.State, e *events.Entry) []Address {
	c := changes{s: s}
	rig := s.Rigs[e.Fact.Subject()]
	if rig != nil {
		c.rig(rig)
	}
	switch f := e.Fact.(type) {
	case *events.RigRegistered, *events.CredentialIssued, *events.WorkChanged, *events.HandoverSigned, *events.ExchangeTaken:
	case *events.RigAmended: // its name and yard stand in everything about it
		c.parts(rig)
		for _, list := range ofRig {
			c.ofRig(list, rig)
		}
	case *events.RigRetired, *events.PlanAdopted, *events.RigPlaced, *events.CalibrationMade, *events.CertificateIssued,
		*events.CertificateWithdrawn, *events.InspectionJudged:
		c.parts(rig)
		c.items(rig, "")
		switch f := f.(type) {
		case *events.RigRetired: // what was open has ended with it
			c.ofRig("items?stage=all", rig)
			c.plans(rig)
		case *events.PlanAdopted:
			c.plans(rig)
		case *events.CalibrationMade:
			c.add("calibrations", f.Calibration, f.Rig)
			c.file(f.File, f.Rig)
		case *events.CertificateIssued:
			c.add("certificates", f.Certificate, f.Rig)
			c.inspection(f.Inspection, f.Rig)
			c.file(f.File, f.Rig)
		case *events.CertificateWithdrawn:
			c.add("certificates", f.Certificate, f.Rig)
			if cert := s.Bay.Certificates[f.Certificate]; cert != nil {
				c.inspection(cert.Inspection, f.Rig)
			}
		case *events.InspectionJudged:
			c.add("inspections", f.Inspection, f.Rig)
			c.inspection(f.Retest, f.Rig)
			c.file(f.File, f.Rig)
		}
	case *events.MeterAdded:
		c.usage(rig, e)
	case *events.MeterRead:
		c.usage(rig, e)
	case *events.MeterSwapped:
		c.usage(rig, e)
	case *events.MeterUnswapped:
		c.usage(rig, e)
	case *events.ReadingVoided:
		c.usage(rig, e)
	case *events.ReadingQuarantined:
		c.add("quarantine", f.Quarantine, f.Rig)
	case *events.ReadingReleased:
		c.add("quarantine", f.Quarantine, f.Rig)
	case *events.ReadingDismissed:
		c.add("quarantine", f.Quarantine, f.Rig)
	case *events.ReadingReopened:
		c.add("quarantine", f.Quarantine, f.Rig)
	case *events.ConditionMeasured:
		if f.Part == "" {
			c.parts(rig)
		} else {
			c.part(f.Part)
		}
		c.items(rig, f.Part)
	case *events.PartFitted:
		c.part(f.Part)
	case *events.PartRemoved:
		c.part(f.Part)
		c.struckWith(f.Part, e)
	case *events.PlanPublished:
		c.add("plans", f.Plan, "")
	case *events.ClassPublished:
		c.path("/v1/classes", "")
		c.path("/v1/rigs?class="+url.QueryEscape(f.Class), "")
	case *events.ItemRaised:
		c.add("items", f.Item, f.Rig)
		c.part(f.Part)
	case *events.ItemBooked:
		c.add("items", f.Item, f.Rig)
	case *events.ItemStarted:
		c.add("items", f.Item, f.Rig)
	case *events.ItemDeferred:
		c.item(f.Item, f.Rig)
	case *events.ItemStruck:
		c.item(f.Item, f.Rig)
	case *events.ItemReturned:
		c.item(f.Item, f.Rig)
		if f.Step == fleet.StepDone { // what was done with it is open again too, on any part
			c.parts(rig)
			c.items(rig, "")
		}
	case *events.ItemFinished:
		c.item(f.Item, f.Rig)
		for _, also := range f.Includes {
			c.doneWith(also, f, e)
		}
	case *events.BookingMade:
		c.add("bookings", f.Booking, f.Rig)
	case *events.BookingCancelled:
		c.add("bookings", f.Booking, f.Rig)
	case *events.DefectReported:
		c.add("defects", f.Defect, f.Rig)
		if id, _, ok := strings.Cut(f.Defect, "."); ok && s.Bay.Inspections[id] != nil {
			c.inspection(id, f.Rig)
		}
	case *events.DefectCleared:
		c.add("defects", f.Defect, f.Rig)
		if d := s.Defects[f.Defect]; d != nil {
			c.inspection(d.Inspection, f.Rig)
		}
	case *events.YardPlaced:
		yard := url.QueryEscape(f.Yard)
		c.path("/v1/yards/"+url.PathEscape(f.Yard)+"/place", "")
		c.path("/v1/rigs?yard="+yard, "")
		c.path("/v1/items?yard="+yard, "")
	case *events.RuleSetPublished:
		c.add("rulesets", f.RuleSet, "")
	case *events.IntervalsPublished:
		for _, list := range []string{"intervals", "rigs", "items"} {
			c.path("/v1/"+list, "")
		}
	case *events.FileKept:
		c.add("files", f.File, "")
	case *events.RigStanding:
		for _, it := range f.Items {
			c.item(it.Item, f.Rig)
		}
	}
	return c.found
}

// ofRig are the lists of everything about a rig that stands beside it.
var ofRig = []string{"items?stage=all", "defects?state=all", "quarantine?state=all", "bookings", "inspections", "calibrations", "certificates"}

// changes gathers addresses, each once, in order.
type changes struct {
	s     *fleet.State
	found []Address
}

func (c *changes) path(path, rig string) {
	if !slices.ContainsFunc(c.found, func(a Address) bool { return a.Path == path }) {
		c.found = append(c.found, Address{path, rig})
	}
}

func (c *changes) add(list, id, rig string) { c.path("/v1/"+list+"/"+url.PathEscape(id), rig) }

func (c *changes) rig(r *fleet.Rig) { c.add("rigs", r.Rig, r.Rig) }

// ofRig is a list of everything of a kind about a rig.
func (c *changes) ofRig(list string, r *fleet.Rig) {
	name, query, more := strings.Cut(list, "?")
	if more {
		query = "&" + query
	}
	c.path("/v1/"+name+"?rig="+url.QueryEscape(r.Rig)+query, r.Rig)
}

func (c *changes) part(id string) {
	if p := c.s.Parts[id]; p != nil && len(p.Stays) > 0 {
		c.add("parts", id, p.Stays[len(p.Stays)-1].Rig) // who may see that rig may see the part
	}
}

// parts are all on a rig: the rig itself as one, and the list of the others,
// which are some thirty.
func (c *changes) parts(r *fleet.Rig) {
	c.part(r.Rig)
	c.path("/v1/rigs/"+url.PathEscape(r.Rig)+"/parts", r.Rig)
}

// plans are those that a rig has been under, which tell how many rigs are.
func (c *changes) plans(r *fleet.Rig) {
	for i := range r.Timeline {
		if f, ok := r.Timeline[i].Entry.Fact.(*events.PlanAdopted); ok {
			c.add("plans", f.Plan, r.Rig)
		}
	}
}

// items are a rig's open ones as a list, or those on one part.
func (c *changes) items(r *fleet.Rig, part string) {
	if part == "" {
		c.ofRig("items", r)
		return
	}
	for _, id := range r.Open {
		if it := c.s.Items[id]; it != nil && it.Part == part {
			c.add("items", id, r.Rig)
		}
	}
}

func (c *changes) item(id, rig string) {
	c.add("items", id, rig)
	if it := c.s.Items[id]; it != nil {
		c.part(it.Part)
	}
}

func (c *changes) file(id, rig string) {
	if id != "" {
		c.add("files", id, rig)
	}
}

func (c *changes) inspection(id, rig string) {
	if id != "" {
		c.add("inspections", id, rig)
	}
}

// usage is what a change of a rig's counters changes: every part on it and its
// open items, and parts that were on it until after the reading before, whose
// usage there is now known better, with the rigs that carry them now.
func (c *changes) usage(r *fleet.Rig, e *events.Entry) {
	c.parts(r)
	c.items(r, "")
	if len(r.Left) == 0 {
		return
	}
	at := e.At.UnixMilli()
	before := at
	for _, m := range r.Meters {
		read, _ := m.Series.ReadBefore(at) // 0 for none: any part
		before = min(before, read)
	}
	for _, id := range r.Left {
		p := c.s.Parts[id]
		if p == nil {
			continue
		}
		for i := range p.Stays {
			if stay := &p.Stays[i]; stay.Rig != r.Rig || stay.To != 0 && stay.To <= before {
				continue
			}
			c.part(id)
			if now := c.s.Rigs[p.Rig()]; now != nil && now != r {
				c.rig(now)
				c.items(now, id)
			}
			break
		}
	}
}

// struckWith are the items that ended because their part was removed.
func (c *changes) struckWith(part string, e *events.Entry) {
	p := c.s.Parts[part]
	if p == nil {
		return
	}
	for task, log := range p.Tasks {
		if it := c.s.Items[fleet.ItemID(part, task, log.Cycles+1)]; it != nil && it.Stage == fleet.Struck && it.EndedAt.Equal(e.At) {
			c.add("items", it.Item, it.Rig)
		}
	}
	slices.SortFunc(c.found[1:], func(a, b Address) int { return strings.Compare(a.Path, b.Path) }) // tasks have no order
}

// doneWith is the item of "<part>.<task>" that a larger one ended, if there was one.
func (c *changes) doneWith(name string, f *events.ItemFinished, e *events.Entry) {
	part, task, _ := strings.Cut(name, ".")
	c.part(part)
	p := c.s.Parts[part]
	if p == nil || p.Tasks[task] == nil {
		return
	}
	for cycle := p.Tasks[task].Cycles; cycle > 0; cycle-- { // the newest is the likeliest
		it := c.s.Items[fleet.ItemID(part, task, cycle)]
		if it != nil && it.Finish != nil && it.EndedAt.Equal(e.At) && it.Finish.Findings == "done with "+f.Item {
			c.add("items", it.Item, it.Rig)
			return
		}
	}
}
