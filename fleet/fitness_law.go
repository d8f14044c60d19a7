package fleet

import (
	"errors"
	"fmt"
	"slices"
	"time"

	"rigledger/fleet/plan"
	"rigledger/fleet/testbay"
)

// statutoryTask is the plans' own inspection task. Where a place is set for the
// rig, the law of the place is asked instead; a passed inspection by a licensed
// tester counts as this task done.
const statutoryTask = "statutory-inspection"

// PlacementOf is the law that a rig works under: its own placement, with its
// yard's place where it has none of its own; nil when neither was said.
func (s *State) PlacementOf(rig *Rig) *Placement {
	return s.placement(rig, moment{asOf: farFuture})
}

func (s *State) placement(rig *Rig, m moment) *Placement {
	last := func(list []Placement) *Placement {
		for i := len(list) - 1; i >= 0; i-- {
			if m.covers(list[i].At) {
				p := list[i]
				return &p
			}
		}
		return nil
	}
	own := last(rig.Bay.Places)
	if own != nil && own.Place != "" {
		return own
	}
	yards := last(s.Bay.Yards[yardThen(rig, m)])
	if yards == nil || yards.Place == "" {
		return nil
	}
	p := *yards
	p.OfYard = true
	if own != nil {
		p.Leased, p.FirstPurchase = own.Leased, own.FirstPurchase
		p.Contractor = p.Contractor || own.Contractor
	}
	return &p
}

func yardThen(rig *Rig, m moment) string {
	yard, at := rig.Yard, time.Time{}
	if m.asOf == farFuture {
		return yard
	}
	for i, c := range rig.Bay.Placed {
		if i == 0 || m.covers(c.At) && !c.At.Before(at) {
			yard, at = c.Yard, c.At
		}
	}
	return yard
}

func bayDate(d plan.Date) testbay.Date {
	return testbay.Date{Year: d.Year, Month: d.Month, Day: d.Day}
}

func bayDateOf(text string) *testbay.Date {
	if d, err := testbay.ParseDate(text); err == nil {
		return &d
	}
	return nil
}

// machine is the rig as an interval rule asks about it.
func (s *State) machine(rig *Rig, p *Placement, m moment) testbay.Machine {
	out := testbay.Machine{
		FirstPurchase: bayDateOf(p.FirstPurchase), FirstUse: bayDateOf(rig.FirstUse),
		Contractor: p.Contractor, Leased: p.Leased, BoomM: float64(rig.WidthMM) / 1000,
	}
	for _, c := range s.liveCertificates(rig, m) {
		if d := bayDateOf(c.Inspected); d != nil && !bayDate(m.today).Before(*d) {
			out.Inspections = append(out.Inspections, testbay.Inspection{On: *d, Passed: true})
		}
	}
	for _, id := range rig.Bay.Inspections {
		in := s.Bay.Inspections[id]
		if !in.Statutory || !m.covers(in.At) || in.Outcome == string(testbay.Incomplete) || s.revoked(in, m) {
			continue
		}
		out.Inspections = append(out.Inspections, testbay.Inspection{On: bayDate(plan.Of(in.At, s.zone)), Passed: in.Passed()})
	}
	return out
}

// revoked says whether the certificate of a passed inspection was withdrawn.
func (s *State) revoked(in *Inspection, m moment) bool {
	gone := false
	for _, id := range s.Rigs[in.Rig].Bay.Certificates {
		c := s.Bay.Certificates[id]
		if c.Inspection != in.Inspection || !m.covers(c.At) {
			continue
		}
		if c.Withdrawn == nil || !m.covers(c.Withdrawn.At) {
			return false
		}
		gone = true
	}
	return gone
}

// liveCertificates are those issued and not withdrawn, the newest inspection last.
func (s *State) liveCertificates(rig *Rig, m moment) []*Certificate {
	var out []*Certificate
	for _, id := range rig.Bay.Certificates {
		c := s.Bay.Certificates[id]
		if m.covers(c.At) && (c.Withdrawn == nil || !m.covers(c.Withdrawn.At)) {
			out = append(out, c)
		}
	}
	slices.SortStableFunc(out, func(a, b *Certificate) int {
		switch {
		case a.Inspected < b.Inspected: // canonical dates sort as text
			return -1
		case a.Inspected > b.Inspected:
			return 1
		}
		return 0
	})
	return out
}

// CertificateOf is the certificate that counts for a rig, nil for none.
func (s *State) CertificateOf(rig *Rig) *Certificate {
	live := s.liveCertificates(rig, moment{asOf: farFuture})
	if len(live) == 0 {
		return nil
	}
	return live[len(live)-1]
}

// NextInspection says until when a rig must be inspected, by every rule of its
// place, on a day. The placement is nil when none is set; then there is no rule.
func (s *State) NextInspection(rig *Rig, today plan.Date) (*Placement, testbay.Due, error) {
	return s.nextInspection(rig, moment{asOf: farFuture, today: today})
}

func (s *State) nextInspection(rig *Rig, m moment) (*Placement, testbay.Due, error) {
	p := s.placement(rig, m)
	if p == nil {
		return nil, testbay.Due{}, nil
	}
	due, err := testbay.NextInspection(s.Intervals().For(p.Place, p.Schemes...), s.machine(rig, p, m), bayDate(m.today))
	return p, due, err
}

// lawReasons asks the law of the rig's place. It says whether a law applies,
// which then stands for the plan's own inspection task.
func (s *State) lawReasons(fit *Fitness, rig *Rig, m moment) bool {
	live := s.liveCertificates(rig, m)
	var newest *Certificate
	if len(live) > 0 {
		newest = live[len(live)-1]
	}
	place, due, err := s.nextInspection(rig, m)
	today := bayDate(m.today)
	if place == nil {
		if newest != nil && newest.Expires != "" && bayDateOf(newest.Expires).Before(today) {
			fit.add(Reason{
				Code: "certificate-expired", Text: "certificate " + newest.Number + " ended on " + newest.Expires, Certificate: newest.Certificate,
				Rule: "the certificate's own last day; no place is set for the rig, so no law was asked", Since: newest.Expires,
				Clears: "record a newer certificate, and set the rig's place",
			})
		}
		return false
	}
	if err != nil {
		why := err.Error()
		var in *testbay.InputError
		if errors.As(err, &in) {
			why = in.Field + " " + in.Reason
		}
		fit.add(Reason{
			Code: "place-incomplete", Text: "the inspection date of " + place.Place + " cannot be worked out: " + why,
			Rule:   "the interval rules of " + place.Place,
			Clears: "correct the rig's place: first purchase, first use and the dates of its certificates",
		})
		return false
	}
	applies := false
	for _, d := range due.Dates {
		if d.Kind == testbay.Scheme {
			if d.Due.Before(today) {
				fit.add(Reason{
					Code: "scheme-inspection-overdue", Text: fmt.Sprintf("%s: inspection overdue since %s", d.Name, d.Due),
					Rule: d.Rule + ": " + d.Source, Since: d.Due.String(), Clears: "have the rig inspected and record the certificate",
				})
			}
			continue
		}
		if applies { // the dates come strictest first: one law is enough
			continue
		}
		applies = true
		last, rule, why := d.Due, d.Rule+" ("+d.Name+"): "+d.Source, d.Reason
		if newest != nil && newest.Expires != "" {
			if own := bayDateOf(newest.Expires); own.Before(last) {
				last, rule, why = *own, "certificate "+newest.Number+" names its own last day", "certificate "+newest.Number
			}
		}
		if !last.Before(today) || due.FailedOpen && last == d.Due {
			continue // in force, or told by the failed inspection
		}
		r := Reason{
			Code: "certificate-expired", Text: fmt.Sprintf("no inspection in force since %s: %s", last, why), Stops: true, Rule: rule,
			Since: last.String(), Clears: "pass the inspection and record the certificate",
		}
		if newest != nil {
			r.Certificate = newest.Certificate
		} else if !s.everPassed(rig, m) {
			r.Code = "certificate-missing"
		}
		fit.add(r)
	}
	return applies
}

// EverInspected says whether the ledger knows of any inspection by law that the
// rig passed, by its sheet or by a certificate that was not withdrawn.
func (s *State) EverInspected(rig *Rig) bool {
	return s.CertificateOf(rig) != nil || s.everPassed(rig, moment{asOf: farFuture})
}

func (s *State) everPassed(rig *Rig, m moment) bool {
	return slices.ContainsFunc(rig.Bay.Inspections, func(id string) bool {
		in := s.Bay.Inspections[id]
		return in.Statutory && in.Passed() && m.covers(in.At)
	})
}
