package console

import (
	"fmt"
	"mime"
	"net/http"
	"strconv"
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
	Meters []recordMeter
	zone   *time.Location
	points map[string]string // names of points that were not passed, by inspection and point
}

// recordFact is one of the record's facts in words.
type recordFact struct {
	N  uint64
	At time.Time
	By string
	told
	Then []string // what the meters showed, and how much had run since the time before
}

// recordMeter is one of the rig's meters in words.
type recordMeter struct {
	Meter, Total, Counter, Start string
	Rests                        string
	Commit                       uint64
	Swaps                        []recordSwap
}

type recordSwap struct {
	At                 time.Time
	Last, Start, Total string
	Commit             uint64
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

// Programs is where programs get the same.
func (p recordPage) Programs() string { return "/v1" + strings.TrimSuffix(p.JSON, "/json") }

// Short is Time for rows, under a heading that names the zone.
func (p recordPage) Short(t time.Time) string { return t.In(p.zone).Format("2006-01-02 15:04:05") }

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
	{"/rigs/:rig/record/json", watching, handOut},
	{"/inspections/:inspection/record/json", watching, handOut},
	{"/calibrations/:calibration/record/json", watching, handOut},
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
			return noRecord()
		}
		if err != nil {
			return err
		}
		d := recordPage{R: made, JSON: v.r.URL.Path + "/json", zone: v.zone, points: map[string]string{}}
		for i := range made.Meters {
			d.Meters = append(d.Meters, d.meter(&made.Meters[i]))
		}
		v.fleet.View(func(s *fleet.State) {
			for i := range made.Facts {
				l := &made.Facts[i]
				d.Facts = append(d.Facts, recordFact{l.N, l.Entry.At, l.Entry.By, tell(s, l.Entry.Fact), append(d.thenWords(l), sinceWords(s, s.Rigs[made.Rig.Rig], l)...)})
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

func noRecord() error {
	return &fleet.Error{Code: fleet.NotFound, Message: word("There is no such record.")}
}

// handOut gives a record as the API gives it, as a file to keep: what a program
// gets with a token, a person gets with the session.
func handOut(v *visit) error {
	path := strings.TrimSuffix(v.r.URL.Path, "/json")
	r, err := http.NewRequestWithContext(v.r.Context(), http.MethodGet, "/v1"+path, nil)
	if err != nil {
		return err
	}
	a := v.ask(r)
	switch {
	case a.status == http.StatusNotFound:
		return noRecord()
	case !a.ok():
		return fmt.Errorf("%s answered %d", r.URL.Path, a.status)
	}
	name := strings.ReplaceAll(strings.TrimPrefix(path, "/"), "/", "-") + ".json"
	h := v.w.Header()
	h.Set("Content-Type", "application/json")
	h.Set("Content-Disposition", mime.FormatMediaType("attachment", map[string]string{"filename": name}))
	h.Set("Content-Security-Policy", policy)
	h.Set("Cache-Control", "no-store")
	h.Set("Content-Length", strconv.Itoa(a.body.Len()))
	_, err = v.w.Write(a.body.Bytes())
	return err
}
