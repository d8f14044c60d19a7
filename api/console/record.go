package console

import (
	"cmp"
	"strconv"
	"strings"
	"time"

	"rigledger/events"
	"rigledger/fleet"
	"rigledger/fleet/testbay"
)

// recordPage is a record as a page to print: the same data as its JSON.
type recordPage struct {
	R    *fleet.Record
	JSON string // where the same is to be had as JSON, to be verified
	zone *time.Location
}

// Time writes a time in the fleet's zone, which the record names.
func (p recordPage) Time(t time.Time) string { return t.In(p.zone).Format("2006-01-02 15:04:05 MST") }

// Number writes a reading with at most four decimals, as on the sheet.
func (p recordPage) Number(x any) string {
	switch v := x.(type) {
	case float64:
		return strings.TrimSuffix(strings.TrimRight(strconv.FormatFloat(v, 'f', 4, 64), "0"), ".")
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

// Kind says in words what kind of fact it is.
func (p recordPage) Kind(f events.Fact) string { return cmp.Or(kindWords[f.Kind()], f.Kind()) }

// Words writes an outcome in words.
func (p recordPage) Words(outcome string) string { return strings.ReplaceAll(outcome, "_", " ") }

// What says what a fact is about, for the list of facts.
func (p recordPage) What(f events.Fact) string {
	switch f := f.(type) {
	case *events.InspectionJudged:
		return f.Inspection + ": " + p.Words(f.Outcome)
	case *events.CalibrationMade:
		return f.Calibration + ": " + p.Words(f.Outcome)
	case *events.CertificateIssued:
		return word("certificate") + " " + f.Number
	case *events.CertificateWithdrawn:
		return f.Certificate + ": " + f.Reason
	case *events.DefectReported:
		return f.Text
	case *events.DefectCleared:
		return f.Defect + ": " + f.Action
	case *events.ItemStarted:
		return f.Item
	case *events.ItemFinished:
		return strings.Join(append(append([]string{f.Item}, f.Checked...), f.Files...), " · ")
	case *events.ItemDeferred:
		return f.Item + ": " + f.Reason
	case *events.ItemStruck:
		return f.Item + ": " + f.Reason
	case *events.HandoverSigned:
		return word("signed by") + " " + f.Signed + ", " + word("last products:") + " " + strings.Join(f.Products, ", ")
	case *events.PartFitted:
		return f.Name + " (" + f.Part + ")"
	case *events.PartRemoved:
		return f.Part + ": " + f.Reason
	case *events.RigPlaced:
		return f.Place
	}
	return ""
}

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
		return v.show("record.html", word("Record of")+" "+id, "/ledger", recordPage{R: made, JSON: "/v1" + v.r.URL.Path, zone: v.zone})
	}
}
