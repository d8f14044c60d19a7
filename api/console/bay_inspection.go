package console

import (
	"net/url"
	"strconv"
	"strings"

	"rigledger/events"
	"rigledger/fleet"
	"rigledger/fleet/plan"
	"rigledger/fleet/testbay"
)

// inspectionForm is the page on which an inspection is entered.
type inspectionForm struct {
	Form            string // its name on the page: a retest's is another, so that drafts do not mix
	Rig, Name, Yard string
	Clean           bool
	Cautions        []plan.Caution
	Caution         string
	Place           string
	RuleSet         testbay.RuleSet
	Rules           []option // rule sets and editions to choose from, "id edition"
	Chosen          string
	Retest          *fleet.Inspection
	All             bool // of a retest, every point
	Headings        []headingForm
	Tester, Station string
	Instruments     []events.Instrument
	Elsewhere       bool // the certificate of another station was refused
	Seen            *inspectionSeen
	Wrongs          []wrongAt
}

type headingForm struct {
	Name   string
	Points []pointForm
}

// pointForm is a point to be filled in.
type pointForm struct {
	testbay.Point
	Fields         []fieldAsk
	Rows           []rowsAsk
	Flows          []bayCell
	Looks          []bayLook // the answers, of a looked-at point
	Absent         bayLook   // "not fitted" of a measured one
	NoteID         string
	NoteName, Note string
	Seen           *pointSeen
}

type bayLook struct {
	ID, Name, Value, Label string
	Checked                bool
}

// fieldAsk is an input of a measured point.
type fieldAsk struct {
	Name, Kind, Label, Unit, Hint string
	Value                         string
}

// rowsAsk is a small table of steps.
type rowsAsk struct {
	Label string
	Heads []ask
	Steps [][]bayCell
}

func showInspectionForm(v *visit) error {
	d := &inspectionForm{Caution: testbay.CalibrationCaution, Cautions: plan.Cautions([]string{"pressure", "pump-pto", "boom-folding", "contaminated"})}
	d.Form = "inspection"
	if v.query("retest") != "" {
		d.Form = "retest"
	}
	d.Elsewhere = v.refused != nil && v.refused.form == "certificate"
	typed := v.typedInto(d.Form)
	err := v.within(func(s *fleet.State) error {
		r, err := v.rig(s, v.param("rig"))
		if err != nil {
			return err
		}
		d.Rig, d.Name, d.Yard = r.Rig, r.Name, r.Yard
		d.Clean, _ = s.Clean(r)
		if p := s.PlacementOf(r); p != nil {
			d.Place = placeName(s, p.Place)
		}
		if err := d.choose(s, r, v); err != nil {
			return err
		}
		d.before(s, r)
		if typed != nil {
			w := v.workedOf(typed)
			d.Seen = v.workInspection(s, w, d.RuleSet)
			for name, text := range w.Wrong {
				if v.refused.fields[name] == "" {
					v.refused.fields[name] = text
				}
			}
			d.Wrongs = w.wrongs(d.Form)
		}
		d.lay(v, float64(r.WidthMM)/1000, typed)
		return nil
	})
	if err != nil {
		return err
	}
	return v.showWorked("bay_inspection.html", "bay_inspection_worked.html", word("Inspection of")+" "+d.Rig, d)
}

// choose finds the rule set: that of the inspection tested again, as asked for
// in the address, or that of ISO 16122-2 that is in force today.
func (d *inspectionForm) choose(s *fleet.State, r *fleet.Rig, v *visit) error {
	id, edition := testbay.ISO16122Part2Of2015, ""
	if asked := v.query("rules"); asked != "" {
		id, edition, _ = strings.Cut(asked, " ")
	}
	if again := v.query("retest"); again != "" {
		first := s.Bay.Inspections[again]
		if first == nil || first.Rig != r.Rig {
			return &fleet.Error{Code: fleet.NotFound, Message: word("This rig has no such inspection.")}
		}
		d.Retest, id, edition = first, first.RuleSet, first.Edition
		d.All = v.query("all") != ""
	}
	today := v.today()
	rs, ok := s.RuleSet(id, edition, testbay.Date{Year: today.Year, Month: today.Month, Day: today.Day})
	if !ok {
		return &fleet.Error{Code: fleet.NotFound, Message: word("There is no such rule set.")}
	}
	d.RuleSet, d.Chosen = rs, rs.ID+" "+rs.Edition
	for _, one := range s.RuleSets() {
		p := one.Parsed
		label := p.ID + ", " + p.Edition + ": " + p.Where
		if !p.On(testbay.Date{Year: today.Year, Month: today.Month, Day: today.Day}) {
			label += " " + word("(not in force today)")
		}
		d.Rules = append(d.Rules, option{p.ID + " " + p.Edition, label})
	}
	return nil
}

// before takes over who tested last, and with what.
func (d *inspectionForm) before(s *fleet.State, r *fleet.Rig) {
	if n := len(r.Bay.Inspections); n > 0 {
		in := s.Bay.Inspections[r.Bay.Inspections[n-1]]
		d.Tester, d.Station, d.Instruments = in.Tester, in.Station, in.Instruments
	}
}

// again says whether a retest has to look at a point: it failed or was open, or
// it is the alternative of one that did.
func (d *inspectionForm) again(p testbay.Point) bool {
	if d.Retest == nil || d.All {
		return true
	}
	groups := map[string]bool{}
	for _, found := range d.Retest.Points {
		switch testbay.Outcome(found.Outcome) {
		case testbay.Fail, testbay.NotDone, testbay.Incomplete:
			if found.Outcome == string(testbay.Fail) && found.Point == p.ID {
				return true
			}
			if q, ok := d.RuleSet.Point(found.Point); ok && q.OneOf != "" && found.Outcome == string(testbay.Fail) {
				groups[q.OneOf] = true
			}
		}
	}
	return p.OneOf != "" && groups[p.OneOf]
}

// lay makes the form of every point.
func (d *inspectionForm) lay(v *visit, widthM float64, typed url.Values) {
	for _, h := range d.RuleSet.Form() {
		out := headingForm{Name: h.Name}
		for _, p := range h.Points {
			if d.again(p) {
				out.Points = append(out.Points, d.point(v, p, widthM, typed))
			}
		}
		if len(out.Points) > 0 {
			d.Headings = append(d.Headings, out)
		}
	}
}

func (d *inspectionForm) point(v *visit, p testbay.Point, widthM float64, typed url.Values) pointForm {
	f := pointForm{Point: p}
	if d.Seen != nil {
		f.Seen = d.Seen.Points[p.ID]
	}
	looked := "s:/sheet/looked/" + p.ID
	answer := func(value, label string) bayLook {
		return bayLook{fieldID(d.Form, looked+"/"+value), looked + "/result", value, label, typed.Get(looked+"/result") == value}
	}
	if p.Kind == testbay.LookedAt {
		f.Looks = []bayLook{answer("pass", word("In order")), answer("advisory", word("Advice")), answer("fail", word("Fails"))}
		if p.MayBeAbsent {
			f.Looks = append(f.Looks, answer("not_fitted", word("Not fitted")))
		}
		f.NoteName = looked + "/note"
		f.NoteID, f.Note = fieldID(d.Form, f.NoteName), typed.Get(f.NoteName)
		return f
	}
	if p.MayBeAbsent {
		f.Absent = answer("not_fitted", word("Not fitted"))
	}
	at := "/sheet/measured/" + p.ID + "/"
	for _, a := range asksOf[p.ID] {
		switch a.Kind {
		case "rows":
			f.Rows = append(f.Rows, d.rows(v, at, a, typed))
		case "flows":
			f.Flows = flowCells(v, d.Form, at+a.Path+"/", nozzleCount(v, typed, "q:"+at+a.Path+"/", "", widthM), typed)
		case "b":
			f.Fields = append(f.Fields, fieldAsk{Name: "b:" + at + a.Path, Kind: "check", Label: a.Label})
		case "m":
			f.Fields = append(f.Fields, fieldAsk{Name: "m:" + at + a.Path, Kind: "text", Label: a.Label, Unit: a.Unit, Hint: a.Hint})
		default:
			one := fieldAsk{Name: "n:" + at + a.Path, Kind: "number", Label: a.Label, Unit: a.Unit, Hint: a.Hint}
			f.Fields = append(f.Fields, one)
		}
	}
	return f
}

func (d *inspectionForm) rows(v *visit, at string, a ask, typed url.Values) rowsAsk {
	out := rowsAsk{Label: a.Label, Heads: a.Of}
	for i := range a.Rows {
		var step []bayCell
		for _, of := range a.Of {
			name := "n:" + at + a.Path + "/" + strconv.Itoa(i) + "/" + of.Path
			c := bayCell{ID: fieldID(d.Form, name), Name: name, Label: of.Label + " " + strconv.Itoa(i+1), Value: typed.Get(name), Position: i + 1}
			if typed != nil {
				c.Wrong = v.refused.fields[name]
			}
			step = append(step, c)
		}
		out.Steps = append(out.Steps, step)
	}
	return out
}
