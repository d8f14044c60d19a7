package fleet

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"rigledger/events"
	"rigledger/fleet/plan"
	"rigledger/fleet/testbay"
)

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
				open += "; "
			}
			open += s.PointName(in.RuleSet, in.Edition, p.Point)
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

// PointName is what a rule set calls a point of its sheet, the point's id where
// it has none of it.
func (s *State) PointName(ruleSet, edition, point string) string {
	for _, v := range s.Bay.RuleSets {
		if v.Parsed.ID == ruleSet && v.Parsed.Edition == edition {
			return pointNameIn(v.Parsed, point)
		}
	}
	if rs, ok := testbay.RuleSetByID(ruleSet); ok && rs.Edition == edition {
		return pointNameIn(rs, point)
	}
	return point
}

func pointNameIn(rs testbay.RuleSet, point string) string {
	if p, ok := rs.Point(point); ok {
		return p.Name
	}
	return point
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
			r.Rule = "rule set " + in.RuleSet + " edition " + in.Edition + ", point: " + s.PointName(in.RuleSet, in.Edition, d.Code)
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
			r.Text += ": nozzles out of limits at " + strings.Trim(strings.ReplaceAll(fmt.Sprint(newest.Change), " ", ", "), "[]")
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
