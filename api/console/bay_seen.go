package console

import (
	"encoding/json"

	"rigledger/events"
	"rigledger/fleet"
	"rigledger/fleet/plan"
	"rigledger/fleet/testbay"
)

// inspectionPage is an inspection as it was judged.
type inspectionPage struct {
	Rig, Name   string
	Fitness     fleet.Fitness
	In          *fleet.Inspection
	Day         string
	Standard    string
	Seen        *inspectionSeen
	Defects     map[string]*fleet.Defect // of failed points
	Sections    int                      // of the boom
	Retests     []bayLinked              // that were made of it
	Waiting     bool                     // nothing has put it right yet
	Certificate *fleet.Certificate       // that names it
	Owed        bool                     // a licensed one that was passed and may have a certificate
	OwnPassed   bool                     // an own check that was passed, which earns none
}

// bayLinked is another inspection, by its id and how it ended.
type bayLinked struct{ ID, Day, Words string }

func showInspection(v *visit) error {
	var d inspectionPage
	err := v.within(func(s *fleet.State) error {
		in := s.Bay.Inspections[v.param("inspection")]
		if in == nil || s.Rigs[in.Rig] == nil || !v.who.MaySee(s.Rigs[in.Rig].Yard) {
			return &fleet.Error{Code: fleet.NotFound, Message: word("There is no such inspection.")}
		}
		r := s.Rigs[in.Rig]
		d = inspectionPage{
			Rig: r.Rig, Name: r.Name, Fitness: v.fleet.FitnessOf(s, r, v.now), In: in, Day: plan.Of(in.At, v.zone).String(), Standard: in.RuleSet,
			Defects: map[string]*fleet.Defect{},
		}
		if rs, ok := s.RuleSet(in.RuleSet, in.Edition, testbay.Date{}); ok {
			d.Standard = rs.Standard
			d.Seen = seenAgain(in, rs)
			d.Seen.settle()
		} else {
			d.Seen = asRecorded(in)
		}
		for i := range in.Points {
			if f := s.Defects[in.Points[i].Defect]; f != nil {
				d.Defects[in.Points[i].Point] = f
			}
		}
		for _, why := range d.Fitness.Reasons {
			d.Waiting = d.Waiting || why.Inspection == in.Inspection
		}
		d.Sections = sectionsOf(s, r)
		d.follow(s, r, v)
		return nil
	})
	if err != nil {
		return err
	}
	return v.show("inspection.html", word("Inspection of")+" "+d.Rig, "/bay", &d)
}

// NozzlesOut are the nozzles to change, where a failed point is about their flow.
func (d *inspectionPage) NozzlesOut(p *pointSeen) []nozzleOut {
	if p.Row == nil {
		return nil
	}
	return nozzlesOut(p.Row, d.Sections)
}

// settle leaves the drawings of a finished sheet to what failed, and to those
// that are looked at again whatever they say: gauge, nozzles, distribution.
func (seen *inspectionSeen) settle() {
	kept := map[string]bool{testbay.PointGaugeError: true, testbay.PointNozzleFlow: true, testbay.PointDistribution: true}
	for _, p := range seen.Order {
		if p.Outcome == testbay.Pass && !kept[p.ID] {
			p.Plot = ""
		}
		if p.Outcome == testbay.Pass && p.Kind == testbay.LookedAt && p.Why == "" {
			seen.InOrder = append(seen.InOrder, p)
		}
	}
}

// follow finds what came of the inspection: retests and its certificate.
func (d *inspectionPage) follow(s *fleet.State, r *fleet.Rig, v *visit) {
	for _, id := range r.Bay.Inspections {
		if later := s.Bay.Inspections[id]; later.Retest == d.In.Inspection {
			d.Retests = append(d.Retests, bayLinked{id, plan.Of(later.At, v.zone).String(), bayWords(later.Outcome)})
		}
	}
	for _, id := range r.Bay.Certificates {
		if z := s.Bay.Certificates[id]; z.Inspection == d.In.Inspection {
			d.Certificate = z
		}
	}
	d.Owed = d.In.Statutory && d.In.Passed() && d.Certificate == nil
	d.OwnPassed = !d.In.Statutory && d.In.Passed()
}

// seenAgain judges the sheet that is on record by the rule set that it was
// judged by, so that the pictures are those of that day.
func seenAgain(in *fleet.Inspection, rs testbay.RuleSet) *inspectionSeen {
	var sheet testbay.Sheet
	if err := json.Unmarshal([]byte(in.Sheet), &sheet); err != nil {
		return asRecorded(in)
	}
	result, err := testbay.Judge(sheet, rs)
	if err != nil {
		return asRecorded(in)
	}
	return seeSheet(result, sheet, rs)
}

// asRecorded shows what the fact itself says of each point.
func asRecorded(in *fleet.Inspection) *inspectionSeen {
	r := testbay.SheetResult{Outcome: testbay.Outcome(in.Outcome)}
	for _, p := range in.Points {
		pr := testbay.PointResult{Point: testbay.Point{ID: p.Point, Name: p.Point, StopsRig: p.StopsRig}, Outcome: testbay.Outcome(p.Outcome), Why: p.Why}
		if m := p.Worst; m != nil {
			pr.Worst = &testbay.Verdict{
				What: m.What, Position: m.Position, Measured: m.Measured, Sense: testbay.Sense(m.Sense), Limit: m.Limit, Unit: m.Unit, Margin: m.Margin,
				Pass: p.Outcome != string(testbay.Fail), Source: m.Source,
			}
		}
		r.Points = append(r.Points, pr)
		if pr.Outcome == testbay.Fail && p.StopsRig {
			r.StopsRig = append(r.StopsRig, p.Point)
		}
	}
	return seeSheet(r, testbay.Sheet{}, testbay.RuleSet{})
}

// calibrationPage is a calibration as it was made.
type calibrationPage struct {
	Rig, Name string
	Fitness   fleet.Fitness
	C         *fleet.Calibration
	Day       string
	Seen      *calibrationSeen
	Flows     []*float64
	Colour    string // word of the standard for the size
}

func showCalibration(v *visit) error {
	var d calibrationPage
	err := v.within(func(s *fleet.State) error {
		c := s.Bay.Calibrations[v.param("calibration")]
		if c == nil || s.Rigs[c.Rig] == nil || !v.who.MaySee(s.Rigs[c.Rig].Yard) {
			return &fleet.Error{Code: fleet.NotFound, Message: word("There is no such calibration.")}
		}
		r := s.Rigs[c.Rig]
		d = calibrationPage{Rig: r.Rig, Name: r.Name, Fitness: v.fleet.FitnessOf(s, r, v.now), C: c, Day: plan.Of(c.At, v.zone).String(), Seen: &calibrationSeen{}}
		made := events.CalibrationMade(c.CalibrationMade)
		d.Seen.see(s, &made, true)
		if size, err := testbay.Nozzles().Size(c.Nozzle); err == nil {
			d.Colour = size.Colour
		}
		return nil
	})
	if err != nil {
		return err
	}
	return v.show("bay_calibrated.html", word("Calibration of")+" "+d.Rig, "/bay", d)
}
