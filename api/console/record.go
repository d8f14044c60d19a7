package console

import (
	"strings"
	"time"

	"rigledger/events"
	"rigledger/fleet"
	"rigledger/fleet/testbay"
)

// recordPage is a record as a page to print: the same data as its JSON.
type recordPage struct {
	R      *fleet.Record
	Facts  []recordFact
	JSON   string // where the same is to be had as JSON, to be verified
	zone   *time.Location
	points map[string]string // names of points that were not passed, by inspection and point
}

// recordFact is one of the record's facts in words.
type recordFact struct {
	N  uint64
	At time.Time
	By string
	told
}

// Failed names the points of an inspection that were not passed.
func (p recordPage) Failed(of fleet.RecordInspection) (names []string) {
	for _, point := range of.Failed {
		names = append(names, p.points[of.Inspection+"."+point])
	}
	return names
}

// Time writes a time in the fleet's zone, which the record names.
func (p recordPage) Time(t time.Time) string { return t.In(p.zone).Format("2006-01-02 15:04:05 MST") }

// Number writes a reading with at most four decimals, as on the sheet.
func (p recordPage) Number(x any) string {
	switch v := x.(type) {
	case float64:
		return figure(v)
	case *float64:
		if v != nil {
			return p.Number(*v)
		}
	}
	return "–"
}

// Sheet is what was entered at the bay, as the record's own facts hold it.
func (p recordPage) Sheet() string {
	for _, l := range p.R.Facts {
		if f, ok := l.Entry.Fact.(*events.InspectionJudged); ok && f.Inspection == p.R.ID {
			return f.Sheet
		}
	}
	return ""
}

// Judged gives the points of a heading on which there is an outcome.
func (p recordPage) Judged(h fleet.RecordHeading) (points []fleet.RecordPoint) {
	for _, point := range h.Points {
		if point.Outcome != string(testbay.NotDone) {
			points = append(points, point)
		}
	}
	return points
}

// NotDone names the other points.
func (p recordPage) NotDone(h fleet.RecordHeading) string {
	var names []string
	for _, point := range h.Points {
		if point.Outcome == string(testbay.NotDone) {
			names = append(names, point.Name)
		}
	}
	return strings.Join(names, "; ")
}

// Words writes an outcome in words.
func (p recordPage) Words(outcome string) string { return plainOutcome(outcome) }

var recordPages = []page{
	{"/rigs/:rig/record", watching, recordOf(fleet.RigRecord, "rig")},
	{"/inspections/:inspection/record", watching, recordOf(fleet.InspectionRecord, "inspection")},
	{"/calibrations/:calibration/record", watching, recordOf(fleet.CalibrationRecord, "calibration")},
}

// recordOf shows a record of a kind, whose id stands in the path under a name.
func recordOf(of, name string) func(v *visit) error {
	return func(v *visit) error {
		id := v.param(name)
		made, err := v.fleet.Record(v.r.Context(), of, id, func(rig *fleet.Rig) error {
			if !v.who.MaySee(rig.Yard) {
				return &fleet.Error{Code: fleet.NotFound}
			}
			return nil
		})
		if fleet.CodeOf(err) == fleet.NotFound {
			return &fleet.Error{Code: fleet.NotFound, Message: word("There is no such record.")}
		}
		if err != nil {
			return err
		}
		d := recordPage{R: made, JSON: "/v1" + v.r.URL.Path, zone: v.zone, points: map[string]string{}}
		v.fleet.View(func(s *fleet.State) {
			for _, l := range made.Facts {
				d.Facts = append(d.Facts, recordFact{l.N, l.Entry.At, l.Entry.By, tell(s, l.Entry.Fact)})
			}
			for _, in := range made.Sheets {
				for _, point := range in.Failed {
					d.points[in.Inspection+"."+point] = s.PointName(in.RuleSet, in.Edition, point)
				}
			}
		})
		return v.show("record.html", word("Record of")+" "+id, "/ledger", d)
	}
}
