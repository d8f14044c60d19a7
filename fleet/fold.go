package fleet

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"rigledger/events"
	"rigledger/fleet/meter"
	"rigledger/fleet/plan"
)

// Apply folds one commit into the state. An error means that the ledger and
// this program do not fit together (a gap, a fact about a rig that was never
// registered); the state is then not to be used further.
func (s *State) Apply(c *events.Commit) error {
	if c.N != s.Head.N+1 || c.Prev != s.Head.Hash {
		return fmt.Errorf("commit %d does not follow commit %d", c.N, s.Head.N)
	}
	for i := range c.Facts {
		if err := s.apply(c, &c.Facts[i]); err != nil {
			return fmt.Errorf("commit %d, fact %d: %w", c.N, i, err)
		}
	}
	s.Head, s.Recorded = c.Head(), c.Recorded
	return nil
}

func (s *State) apply(c *events.Commit, e *events.Entry) error {
	if f, ok := e.Fact.(*events.MeterRead); ok { // most facts, and the only ones not on the timeline
		return s.meterRead(c, e, f)
	}
	s.FactCounts[e.Fact.Kind()]++
	if registered, ok := e.Fact.(*events.RigRegistered); ok {
		s.rigRegistered(c, registered)
	}
	var rig *Rig
	if subject := e.Fact.Subject(); subject != "" {
		rig = s.Rigs[subject]
		if rig == nil && e.Fact.Kind() != "reading.quarantined" && e.Fact.Kind() != "reading.dismissed" && e.Fact.Kind() != "reading.reopened" {
			return fmt.Errorf("%s about the unknown rig %q", e.Fact.Kind(), subject)
		}
		if rig != nil {
			rig.Changed = c.N
			rig.Timeline = append(rig.Timeline, Logged{N: c.N, Recorded: c.Recorded, Entry: *e})
			s.noteWork(c, e, rig)
		}
	}
	switch f := e.Fact.(type) {
	case *events.RigRegistered:
	case *events.RigAmended:
		rig.amend(f)
		rig.Amended = c.N
	case *events.RigRetired:
		rig.Retired = true
		for _, id := range slices.Clone(rig.Open) {
			s.endUndone(c, s.Items[id], e, "the rig was retired: "+f.Reason)
		}
	case *events.CredentialIssued:
		delete(s.Users, rig.User)
		rig.User, rig.UserHash = f.User, f.Hash
		s.Users[f.User] = rig
	case *events.PartFitted:
		s.partFitted(rig, e, f)
	case *events.PartRemoved:
		return s.partRemoved(c, rig, e, f)
	case *events.MeterAdded:
		start := meter.Point{Value: f.Value}
		if !f.Untimed {
			start.At = e.At.UnixMilli()
		}
		series := meter.New(meter.Quantity(f.Quantity), start)
		series.RollAt = f.RollAt
		rig.Meters = append(rig.Meters, &Meter{Meter: f.Meter, Series: series, Spraying: f.Spraying})
	case *events.MeterSwapped:
		m := rig.Meter(f.Meter)
		if m == nil {
			return fmt.Errorf("swap of the unknown meter %q", f.Meter)
		}
		m.Series.Swap(e.At.UnixMilli(), f.Last, f.Start)
		s.touchFormer(rig, c.N)
	case *events.MeterUnswapped:
		if m := rig.Meter(f.Meter); m != nil {
			m.Series.Unswap(e.At.UnixMilli())
		}
		s.touchFormer(rig, c.N)
	case *events.ReadingVoided:
		if m := rig.Meter(f.Meter); m != nil {
			m.Series.Void(e.At.UnixMilli())
		}
		s.touchFormer(rig, c.N)
	case *events.ReadingQuarantined:
		h := &Held{ReadingQuarantined: *f, At: e.At, HeldAt: c.Recorded, Changed: c.N}
		s.Held[f.Quarantine] = h
		s.indexHeld(h)
		if rig != nil {
			rig.received(f.Event, 0)
			rig.heard(c, e, f.Event)
		}
	case *events.ReadingReleased:
		return s.endQuarantine(c, e, f.Quarantine, f.How, f.Reason)
	case *events.ReadingDismissed:
		return s.endQuarantine(c, e, f.Quarantine, "dismissed", f.Reason)
	case *events.ReadingReopened:
		h := s.Held[f.Quarantine]
		if h == nil {
			return fmt.Errorf("unknown quarantine %q", f.Quarantine)
		}
		h.Outcome, h.OutcomeBy, h.OutcomeAt, h.Why, h.Changed = "", "", time.Time{}, "", c.N
		s.indexHeld(h)
	case *events.ConditionMeasured:
		rig.conditionMeasured(c, e, f)
	case *events.PlanPublished:
		return s.planPublished(c, e, f)
	case *events.ClassPublished:
		return s.classPublished(f)
	case *events.PlanAdopted:
		rig.Plan = PlanRef{Plan: f.Plan, Version: f.Version}
	case *events.BookingMade:
		s.Bookings[f.Booking] = &Booking{BookingMade: *f, MadeBy: e.By, Changed: c.N}
		rig.Booked = append(rig.Booked, f.Booking)
	case *events.BookingCancelled:
		if b := s.Bookings[f.Booking]; b != nil {
			b.Cancelled, b.Changed = true, c.N
		}
		rig.Booked = without(rig.Booked, f.Booking)
	case *events.WorkChanged:
		rig.WorkChanged = f.Date
	case *events.RigStanding:
		s.standingNoted(rig, f)
	case *events.DefectReported:
		s.Defects[f.Defect] = &Defect{DefectReported: *f, ReportedAt: e.At, ReportedBy: e.By, Inspection: s.inspectionOf(f.Defect), Changed: c.N}
		rig.Defects = append(rig.Defects, f.Defect)
		rig.received(f.Event, 0)
		if f.Event != "" {
			rig.heard(c, e, f.Event)
		}
	case *events.DefectCleared:
		d := s.Defects[f.Defect]
		if d == nil {
			return fmt.Errorf("unknown defect %q", f.Defect)
		}
		d.ClearedAt, d.ClearedBy, d.Action, d.Changed = e.At, e.By, f.Action, c.N
		rig.Defects = without(rig.Defects, f.Defect)
	case *events.TokenIssued:
		s.Tokens[f.Token] = &Token{TokenIssued: *f, IssuedAt: e.At}
	case *events.TokenRevoked:
		if t := s.Tokens[f.Token]; t != nil {
			t.Revoked = true
		}
	case *events.TokenUsed:
		if t := s.Tokens[f.Token]; t != nil && e.At.After(t.LastUsed) {
			t.LastUsed = e.At
		}
	case *events.RequestKept:
		s.Requests[f.Key] = &Request{Print: f.Print, Status: f.Status, Ref: f.Ref, N: c.N}
	default:
		if known, err := s.applyBay(c, e, rig); known {
			return err
		}
		if known, err := s.applyHook(c, e); known {
			return err
		}
		if known, err := s.applyExchange(c, e, rig); known {
			return err
		}
		return s.applyItem(c, e, rig)
	}
	return nil
}

func (s *State) meterRead(c *events.Commit, e *events.Entry, f *events.MeterRead) error {
	rig := s.Rigs[f.Rig]
	if rig == nil {
		return fmt.Errorf("reading of the unknown rig %q", f.Rig)
	}
	s.FactCounts["meter.read"]++
	at := e.At.UnixMilli()
	for i := range f.Counters {
		m := rig.Meter(f.Counters[i].Meter)
		if m == nil {
			return fmt.Errorf("reading of the unknown meter %q", f.Counters[i].Meter)
		}
		m.Series.Insert(meter.Point{At: at, Value: f.Counters[i].Value})
	}
	if f.Location != nil && !e.At.Before(rig.Located) { // of the same time the later said counts
		rig.Location, rig.Located = f.Location, e.At
	}
	rig.received(f.Event, f.Oldest)
	rig.heard(c, e, f.Event)
	rig.LastTaken = c.Recorded
	rig.Changed = c.N
	s.touchFormer(rig, c.N)
	return nil
}

// touchFormer marks the rigs that now carry a part which was on this one: a
// late reading here changes the usage the part brought there.
func (s *State) touchFormer(rig *Rig, n uint64) {
	for _, id := range rig.Left {
		if now := s.Rigs[s.Parts[id].Rig()]; now != nil {
			now.Changed = n
		}
	}
}

// heard notes that there is news of the rig: what it sends itself is news of when
// it came, however old what it tells; what people enter, send for it or release is
// news of the time it is about, which somebody must have seen.
func (r *Rig) heard(c *events.Commit, e *events.Entry, event string) {
	at := c.Recorded
	if e.By != "rig:"+r.Rig || strings.HasPrefix(event, releasedEvent) {
		if at = e.At; at.After(c.Recorded) {
			at = c.Recorded
		}
	}
	if at.After(r.LastHeard) {
		r.LastHeard = at
	}
}

// received notes an event's sequence, if it has one.
func (r *Rig) received(event string, oldest int64) {
	boot, seq, ok := events.ParseSequence(event)
	if !ok {
		return
	}
	b := r.Boots[boot]
	if b == nil {
		if r.Boots == nil {
			r.Boots = map[int64]*Boot{}
		}
		b = &Boot{}
		r.Boots[boot] = b
	}
	b.note(seq, oldest)
}

func (s *State) rigRegistered(c *events.Commit, f *events.RigRegistered) {
	rig := &Rig{
		Rig: f.Rig, Name: f.Name, Class: f.Class, Yard: f.Yard, WidthMM: f.WidthMM, TankML: f.TankML,
		FirstUse: f.FirstUse, Serial: f.Serial, Registered: c.Recorded, Amended: c.N,
	}
	s.Rigs[f.Rig] = rig
	s.Parts[f.Rig] = &Part{
		Part: f.Rig, Kind: "rig", Name: f.Name, Position: "rig", Serial: f.Serial,
		Stays: []Stay{{Rig: f.Rig, FromStart: true}},
	}
}

func (r *Rig) amend(f *events.RigAmended) {
	set := func(to *string, v *string) {
		if v != nil {
			*to = *v
		}
	}
	set(&r.Name, f.Name)
	set(&r.Yard, f.Yard)
	set(&r.FirstUse, f.FirstUse)
	set(&r.Serial, f.Serial)
	if f.WidthMM != nil {
		r.WidthMM = *f.WidthMM
	}
	if f.TankML != nil {
		r.TankML = *f.TankML
	}
}

func (s *State) partFitted(rig *Rig, e *events.Entry, f *events.PartFitted) {
	p := s.Parts[f.Part]
	if p == nil {
		p = &Part{Part: f.Part, Carried: f.Carried}
		s.Parts[f.Part] = p
	}
	p.Kind, p.Name, p.Position, p.Serial, p.SKU, p.Made = f.Type, f.Name, f.Position, f.Serial, f.SKU, f.Made
	p.Stays = append(p.Stays, Stay{Rig: f.Rig, From: e.At.UnixMilli(), FromStart: f.FromStart})
	rig.Fitted = append(rig.Fitted, f.Part)
	rig.parts = append(rig.parts, p)
}

func (s *State) partRemoved(c *events.Commit, rig *Rig, e *events.Entry, f *events.PartRemoved) error {
	p := s.Parts[f.Part]
	if p == nil || p.Rig() != rig.Rig {
		return fmt.Errorf("part %q is not on rig %q", f.Part, rig.Rig)
	}
	p.Stays[len(p.Stays)-1].To = e.At.UnixMilli()
	p.Scrapped = f.Scrapped
	rig.Fitted = without(rig.Fitted, f.Part)
	rig.parts = slices.DeleteFunc(rig.parts, func(x *Part) bool { return x == p })
	if !slices.Contains(rig.Left, f.Part) {
		rig.Left = append(rig.Left, f.Part)
	}
	// What was open on the part goes with it: the work is no longer this rig's.
	for _, log := range p.Tasks {
		if it := s.Items[log.Open]; it != nil {
			s.endUndone(c, it, e, "the part was removed: "+f.Reason)
		}
	}
	return nil
}

// Rig is the rig that the part is on now, "" when it is on none.
func (p *Part) Rig() string {
	if n := len(p.Stays); n > 0 && p.Stays[n-1].To == 0 {
		return p.Stays[n-1].Rig
	}
	return ""
}

func (s *State) endQuarantine(c *events.Commit, e *events.Entry, id, outcome, why string) error {
	h := s.Held[id]
	if h == nil {
		return fmt.Errorf("unknown quarantine %q", id)
	}
	h.Outcome, h.OutcomeBy, h.OutcomeAt, h.Why, h.Changed = outcome, e.By, e.At, why, c.N
	delete(s.heldByRig[h.Rig], id)
	return nil
}

func (r *Rig) conditionMeasured(c *events.Commit, e *events.Entry, f *events.ConditionMeasured) {
	r.received(f.Event, 0)
	r.heard(c, e, f.Event)
	key := f.Part + "/" + f.Code
	if old := r.Conditions[key]; old != nil && !old.At.Before(e.At) {
		return
	}
	if r.Conditions == nil {
		r.Conditions = map[string]*Condition{}
	}
	r.Conditions[key] = &Condition{Part: f.Part, Code: f.Code, Value: f.Value, Unit: f.Unit, At: e.At}
}

func (s *State) planPublished(c *events.Commit, e *events.Entry, f *events.PlanPublished) error {
	parsed, err := plan.Parse(f.Plan, []byte(f.Text))
	if err != nil {
		return fmt.Errorf("plan %s version %d: %w", f.Plan, f.Version, err)
	}
	s.Plans[f.Plan] = append(s.Plans[f.Plan], &PlanVersion{
		Plan: f.Plan, Version: f.Version, Text: f.Text, PublishedAt: c.Recorded, PublishedBy: e.By, Parsed: parsed,
	})
	return nil
}

func (s *State) classPublished(f *events.ClassPublished) error {
	parsed, err := plan.ParseClass(f.Class, []byte(f.Text))
	if err != nil {
		return fmt.Errorf("class %s: %w", f.Class, err)
	}
	s.Classes[f.Class] = &PublishedClass{Text: f.Text, Parsed: parsed}
	for _, rig := range s.Rigs {
		if rig.Class == f.Class {
			rig.Changed = s.Head.N + 1 // its season and limits may be others now
		}
	}
	return nil
}

// Class gives a class of rig by name: the one on record, else the embedded one,
// nil when there is neither.
func (s *State) Class(name string) *plan.Class {
	if c := s.Classes[name]; c != nil {
		return c.Parsed
	}
	return plan.ClassByName(name)
}

// ClassList lists every class that a rig can be registered under, by name.
func (s *State) ClassList() []plan.Class {
	var list []plan.Class
	for _, c := range plan.Classes() {
		if s.Classes[c.Name] == nil {
			list = append(list, c)
		}
	}
	for _, c := range s.Classes {
		list = append(list, *c.Parsed)
	}
	slices.SortFunc(list, func(a, b plan.Class) int { return strings.Compare(a.Name, b.Name) })
	return list
}

// PlanOf gives the parsed plan of a reference, nil when there is none.
func (s *State) PlanOf(ref PlanRef) *plan.Plan {
	for _, v := range s.Plans[ref.Plan] {
		if v.Version == ref.Version {
			return v.Parsed
		}
	}
	return nil
}

// without gives list without s, in place and in order.
func without(list []string, s string) []string {
	for i, x := range list {
		if x == s {
			return append(list[:i], list[i+1:]...)
		}
	}
	return list
}

// unixMilli is the time of Unix milliseconds, zero for 0.
func unixMilli(ms int64) time.Time {
	if ms == 0 {
		return time.Time{}
	}
	return time.UnixMilli(ms).UTC()
}
