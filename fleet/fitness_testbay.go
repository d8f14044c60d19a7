package fleet

import (
	"errors"
	"fmt"
	"slices"
	"time"

	"rigledger/events"
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

func (s *State) everPassed(rig *Rig, m moment) bool {
	return slices.ContainsFunc(rig.Bay.Inspections, func(id string) bool {
		in := s.Bay.Inspections[id]
		return in.Statutory && in.Passed() && m.covers(in.At)
	})
}

// inspectionReasons adds failed inspections that nothing has put right since.
func (s *State) inspectionReasons(fit *Fitness, rig *Rig, m moment) {
	for _, id := range rig.Bay.Inspections {
		in := s.Bay.Inspections[id]
		if in.Outcome != string(testbay.Fail) || !m.covers(in.At) || s.settled(in, rig, m) {
			continue
		}
		r := Reason{
			Code: "failed-inspection", Inspection: id, Since: plan.Of(in.At, s.zone).String(), Stops: in.Statutory,
			Rule:   "rule set " + in.RuleSet + " edition " + in.Edition,
			Clears: "repair it, and pass a retest or clear its defects",
		}
		if in.Statutory {
			r.Clears = "repair it and pass the retest by the licensed tester"
		}
		open := ""
		for i := range in.Points {
			p := &in.Points[i]
			if p.Outcome != string(testbay.Fail) || !in.Statutory && s.pointSettled(in, p, rig, m) {
				continue
			}
			if open != "" {
				open += ", "
			}
			open += p.Point
			r.Stops = r.Stops || p.StopsRig
		}
		r.Text = "inspection failed: " + open
		if in.RetestBy != "" {
			r.Text += "; retest by " + in.RetestBy
			r.Stops = r.Stops || bayDateOf(in.RetestBy).Before(bayDate(m.today))
		}
		fit.add(r)
	}
}

// settled says whether a failed inspection is history: another was made of it,
// or, of one that was no licensed one, every failed point was put right.
func (s *State) settled(in *Inspection, rig *Rig, m moment) bool {
	for _, id := range rig.Bay.Inspections {
		later := s.Bay.Inspections[id]
		if later == in || later.At.Before(in.At) || !m.covers(later.At) || later.Outcome == string(testbay.Incomplete) || s.revoked(later, m) {
			continue
		}
		if later.At.Equal(in.At) && later.N <= in.N {
			continue
		}
		if in.Statutory && later.Statutory || !in.Statutory && later.Retest == in.Inspection {
			return true
		}
	}
	if in.Statutory {
		day := plan.Of(in.At, s.zone).String()
		return slices.ContainsFunc(s.liveCertificates(rig, m), func(c *Certificate) bool { return c.Inspected > day || c.Inspected == day && c.N > in.N })
	}
	for i := range in.Points {
		if in.Points[i].Outcome == string(testbay.Fail) && !s.pointSettled(in, &in.Points[i], rig, m) {
			return false
		}
	}
	return true
}

// pointSettled says whether a failed point was passed by a later inspection, or
// its defect cleared.
func (s *State) pointSettled(in *Inspection, p *events.PointJudged, rig *Rig, m moment) bool {
	if d := s.Defects[p.Defect]; d != nil && !d.ClearedAt.IsZero() && m.covers(d.ClearedAt) {
		return true
	}
	later := s.laterPass(rig, p.Point, in.At, in.Inspection)
	return later != nil && m.covers(later.At)
}

// laterPass is the first inspection from a time on that passed a point.
func (s *State) laterPass(rig *Rig, point string, from time.Time, but string) *Inspection {
	var first *Inspection
	for _, id := range rig.Bay.Inspections {
		in := s.Bay.Inspections[id]
		if id == but || in.At.Before(from) || !in.tested(point) || first != nil && !in.At.Before(first.At) {
			continue
		}
		if p := in.point(point); p != nil && passed(p.Outcome) {
			first = in
		}
	}
	return first
}

// openDefects lists the defects that were open at a moment.
func (s *State) openDefects(rig *Rig, m moment) []string {
	if m.asOf == farFuture {
		return rig.Defects
	}
	var ids []string
	for i := range rig.Timeline {
		f, ok := rig.Timeline[i].Entry.Fact.(*events.DefectReported)
		if !ok || !m.covers(rig.Timeline[i].Entry.At) {
			continue
		}
		if d := s.Defects[f.Defect]; d.ClearedAt.IsZero() || !m.covers(d.ClearedAt) {
			ids = append(ids, f.Defect)
		}
	}
	return ids
}

// defectReasons adds the defects that were open.
func (s *State) defectReasons(fit *Fitness, rig *Rig, m moment) {
	for _, id := range s.openDefects(rig, m) {
		d := s.Defects[id]
		r := Reason{
			Code: "open-defect", Text: "open defect: " + d.Text, Stops: d.Safety, Defect: id, Part: d.Part, Inspection: d.Inspection,
			Rule: "a reported defect is looked at before the next use", Since: plan.Of(d.ReportedAt, s.zone).String(),
			Clears: "repair it and clear the defect",
		}
		if d.Safety {
			r.Code, r.Text, r.Rule = "open-safety-defect", "open safety defect: "+d.Text, "a safety defect takes the rig out of service"
		}
		if in := s.Bay.Inspections[d.Inspection]; in != nil {
			r.Rule = "rule set " + in.RuleSet + " edition " + in.Edition + ", point " + d.Code
			r.Clears = "repair it, and pass a retest of the point or clear the defect"
		}
		fit.add(r)
	}
}

// calibrationReasons adds work without a calibration since, a failed
// calibration, and instruments that were past their own check.
func (s *State) calibrationReasons(fit *Fitness, rig *Rig, m moment) {
	var good, newest *Calibration
	for _, id := range rig.Bay.Calibrations {
		c := s.Bay.Calibrations[id]
		if !m.covers(c.At) {
			continue
		}
		if newest == nil || !c.At.Before(newest.At) {
			newest = c
		}
		if c.Passed() && (good == nil || !c.At.Before(good.At)) {
			good = c
		}
	}
	var work *Work
	for i := range rig.Bay.Works {
		w := &rig.Bay.Works[i]
		if m.covers(w.At) && (good == nil || w.At.After(good.At)) && (work == nil || !w.At.Before(work.At)) {
			work = w
		}
	}
	if work != nil {
		fit.add(Reason{
			Code: "calibration-required", Text: "not calibrated since this work: " + work.What, Stops: true, Item: work.Item, Part: work.Part,
			Rule:  "a new calibration after work on pump, meter, nozzle or regulation (common practice)",
			Since: plan.Of(work.At, s.zone).String(), Clears: "calibrate the rig and record a passed calibration",
		})
	}
	if newest == nil {
		return
	}
	r := Reason{Calibration: newest.Calibration, Rule: "rule set " + newest.RuleSet + " edition " + newest.Edition, Since: plan.Of(newest.At, s.zone).String()}
	if newest.Outcome == string(testbay.Fail) {
		r.Code, r.Text, r.Clears = "failed-calibration", "the last calibration failed", "put right what was out of limits and calibrate again"
		if len(newest.Change) > 0 {
			r.Text += fmt.Sprintf(": nozzles out of limits at %v", newest.Change)
		}
		fit.add(r)
	}
	for _, a := range newest.Advisories {
		r.Code, r.Text, r.Rule = "instrument-unchecked", a, "an instrument is used within its own check (common practice)"
		r.Clears = "check the instrument and calibrate again with it"
		fit.add(r)
	}
}

// LastCalibration is the newest calibration of a rig, nil for none.
func (s *State) LastCalibration(rig *Rig) *Calibration {
	var newest *Calibration
	for _, id := range rig.Bay.Calibrations {
		if c := s.Bay.Calibrations[id]; newest == nil || !c.At.Before(newest.At) {
			newest = c
		}
	}
	return newest
}

func (s *State) retired(rig *Rig, m moment) bool {
	if m.asOf == farFuture {
		return rig.Retired
	}
	for i := range rig.Timeline {
		if _, ok := rig.Timeline[i].Entry.Fact.(*events.RigRetired); ok && m.covers(rig.Timeline[i].Entry.At) {
			return true
		}
	}
	return false
}
