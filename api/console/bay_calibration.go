package console

import (
	"html/template"
	"math"
	"net/url"
	"strconv"
	"strings"

	"rigledger/api/console/plot"
	"rigledger/events"
	"rigledger/fleet"
	"rigledger/fleet/plan"
	"rigledger/fleet/testbay"
)

// calibrationForm is the page on which a calibration is entered.
type calibrationForm struct {
	Rig, Name, Yard string
	WidthM          float64
	Clean           bool
	Cautions        []plan.Caution
	Count           int // nozzles
	Flows           []bayCell
	Sizes, Rules    []option
	Last            lastCalibration
	Instruments     []events.Instrument
	Seen            *calibrationSeen
	Wrongs          []wrongAt
}

// lastCalibration is what is taken over from the one before.
type lastCalibration struct {
	Day, ID, Nozzle, Tester            string
	Bar, SpacingM, KmH, Target, Amount string
}

// bayCell is one field of a grid.
type bayCell struct {
	ID, Name, Label, Value, Wrong string
	Position                      int
}

// The bounds of the grid are those of the arithmetic (testbay.CatchTest).
const nozzlesMost = 400

// spacingUsual is the usual distance of nozzles on field booms: common practice.
const spacingUsual = 0.5

func showCalibrationForm(v *visit) error {
	d := &calibrationForm{Cautions: plan.Cautions([]string{"calibration"}), Sizes: nozzleSizes()}
	typed := v.typedInto("calibration")
	err := v.within(func(s *fleet.State) error {
		r, err := v.rig(s, v.param("rig"))
		if err != nil {
			return err
		}
		d.Rig, d.Name, d.Yard, d.WidthM = r.Rig, r.Name, r.Yard, float64(r.WidthMM)/1000
		d.Clean, _ = s.Clean(r)
		for _, rs := range s.RuleSets() {
			if _, ok := rs.Parsed.Point(testbay.PointNozzleFlow); ok {
				d.Rules = append(d.Rules, option{rs.Parsed.ID, rs.Parsed.ID + ", " + rs.Parsed.Edition})
			}
		}
		d.Rules = eachOnce(d.Rules, testbay.FieldRules)
		d.last(s, r, v)
		if typed != nil {
			w := v.workedOf(typed)
			d.Seen = v.workCalibration(s, w)
			for name, text := range w.Wrong {
				if v.refused.fields[name] == "" {
					v.refused.fields[name] = text
				}
			}
			d.Wrongs = w.wrongs("calibration")
		}
		return nil
	})
	if err != nil {
		return err
	}
	d.Count = d.count(v, typed)
	d.Flows = flowCells(v, "calibration", "/flows_l_min/", d.Count, typed)
	return v.showWorked("bay_calibration.html", "bay_calibration_worked.html", word("Calibration of")+" "+d.Rig, d)
}

// last takes over what seldom changes from the calibration before.
func (d *calibrationForm) last(s *fleet.State, r *fleet.Rig, v *visit) {
	d.Last = lastCalibration{SpacingM: plainText(spacingUsual), Tester: ""}
	m := s.LastCalibration(r)
	if m == nil {
		return
	}
	d.Last = lastCalibration{
		Day: plan.Of(m.At, v.zone).String(), ID: m.Calibration, Nozzle: m.Nozzle, Bar: plainText(m.Bar), SpacingM: plainText(m.SpacingM),
		KmH: plainText(m.KmH), Amount: strconv.Itoa(len(m.FlowsLMin)),
	}
	if m.TargetLHa != nil {
		d.Last.Target = plainText(*m.TargetLHa)
	}
	d.Instruments = m.Instruments
	if _, err := testbay.Nozzles().Size(m.Nozzle); err != nil && m.Nozzle != "" { // a maker's own name
		d.Sizes = append(d.Sizes, option{m.Nozzle, m.Nozzle})
	}
}

// count says how many nozzles the grid has: asked for, as typed, as last time,
// or as many as fit the boom.
func (d *calibrationForm) count(v *visit, typed url.Values) int {
	return nozzleCount(v, typed, "q:/flows_l_min/", d.Last.Amount, d.WidthM)
}

func nozzleCount(v *visit, typed url.Values, prefix, last string, widthM float64) int {
	n := 0
	for name := range typed {
		if at, ok := strings.CutPrefix(name, prefix); ok {
			if i, err := strconv.Atoi(at); err == nil {
				n = max(n, i+1)
			}
		}
	}
	for _, text := range []string{v.query("nozzles"), last} {
		if n == 0 {
			n, _ = strconv.Atoi(text)
		}
	}
	if n <= 0 {
		n = int(math.Round(widthM / spacingUsual))
	}
	return min(max(n, 1), nozzlesMost)
}

// flowCells makes the grid of nozzle flows.
func flowCells(v *visit, form, prefix string, count int, typed url.Values) []bayCell {
	out := make([]bayCell, count)
	for i := range out {
		name := "q:" + prefix + strconv.Itoa(i)
		out[i] = bayCell{ID: fieldID(form, name), Name: name, Position: i + 1, Value: typed.Get(name)}
		if typed != nil {
			out[i].Wrong = v.refused.fields[name]
		}
	}
	return out
}

// nozzleSizes are the sizes of ISO 10625 by name; the colour is only a word.
func nozzleSizes() []option {
	out := []option{{"", word("Not of this standard, or not known")}}
	for _, n := range testbay.Nozzles().Sizes {
		label := n.Code
		if n.Colour != "" {
			label += " " + n.Colour
		}
		out = append(out, option{n.Code, label + ": " + plainText(n.LMin) + " l/min"})
	}
	return out
}

// eachOnce keeps the first option of each value, with one of them at the front.
func eachOnce(all []option, first string) []option {
	var out []option
	seen := map[string]bool{}
	for _, o := range all {
		if seen[o.Value] {
			continue
		}
		seen[o.Value] = true
		if o.Value == first {
			out = append([]option{o}, out...)
		} else {
			out = append(out, o)
		}
	}
	return out
}

// plainText writes a number as it would be typed.
func plainText(x float64) string { return strconv.FormatFloat(x, 'f', -1, 64) }

// workCalibration works out what is typed so far with the command that puts it
// on record. What is not there yet is left out of the answer: a speed or a
// spacing that is still open is stood in for, and nothing that follows from it
// is shown.
func (v *visit) workCalibration(s *fleet.State, w *worked) *calibrationSeen {
	m := fleet.MakeCalibration{ID: "c-typed"}
	w.into(&m)
	if strings.TrimSpace(m.Tester) == "" {
		m.Tester = "-"
	}
	seen := &calibrationSeen{}
	need := func(missing bool, what string) {
		if missing {
			seen.Needs = append(seen.Needs, what)
		}
	}
	need(m.Bar == 0, word("the pressure"))
	need(m.KmH == nil && m.Course == nil, word("the speed, or a course and its time"))
	need(m.SpacingM == 0, word("the nozzle spacing"))
	known := len(seen.Needs) == 0
	if m.Bar == 0 {
		m.Bar, m.Nozzle = 3, "" // no nominal flow follows from the size then
	}
	if m.KmH == nil && m.Course == nil {
		ten := 10.0
		m.KmH = &ten
	}
	if m.SpacingM == 0 {
		m.SpacingM = spacingUsual
	}
	if !known {
		m.TargetLHa = nil
	}
	for range nozzlesMost + 8 {
		facts, err := m.Decide(fleet.Deciding{State: s, Now: v.now, By: v.who.Name})
		if err == nil {
			if made, ok := facts[0].Fact.(*events.CalibrationMade); ok {
				seen.see(s, made, known)
			}
			break
		}
		if !seen.leaveOut(&m, w, err) {
			break
		}
	}
	seen.Typing = true
	return seen
}

// leaveOut files what was refused and takes it out of the next attempt; false
// when there is nothing left to take out.
func (seen *calibrationSeen) leaveOut(m *fleet.MakeCalibration, w *worked, err error) (again bool) {
	for _, f := range faultsOf(err) {
		if !w.fault(f.Field, f.Message) {
			seen.Whole = append(seen.Whole, f.Message)
		}
		at, ok := strings.CutPrefix(f.Field, "/flows_l_min/")
		if i, err := strconv.Atoi(at); ok && err == nil && i < len(m.FlowsLMin) && m.FlowsLMin[i] != nil {
			m.FlowsLMin[i], again = nil, true
		}
		if strings.HasPrefix(f.Field, "/flow_meter") && m.FlowMeter != nil {
			m.FlowMeter, again = nil, true
		}
		if strings.HasPrefix(f.Field, "/speed_sensor") && m.SpeedSensor != nil {
			m.SpeedSensor, again = nil, true
		}
	}
	return again
}

// calibrationSeen is a calibration as it is shown, on record or while it is
// typed: one way to work it out, one way to show it.
type calibrationSeen struct {
	*events.CalibrationMade                      // nil: not enough is entered
	Known                   bool                 // the rate and the verdict follow from what is there
	Needs, Whole            []string             // what is still to be entered; what is wrong with all of it
	Row                     *testbay.CatchResult // the nozzles one by one
	Out                     []nozzleOut
	Limit                   float64 // percent
	Plot                    template.HTML
	Aim                     *aim
	Typing                  bool
}

// aim is how to come to the wanted rate: by pressure, or by speed.
type aim struct {
	LMin, Bar, KmH   float64
	HasBar, HasSpeed bool
	Off              float64 // percent of the wanted rate now
}

// see fills in what follows from a calibration as it was judged.
func (seen *calibrationSeen) see(s *fleet.State, made *events.CalibrationMade, known bool) {
	seen.CalibrationMade, seen.Known = made, known
	rs, ok := s.RuleSet(made.RuleSet, made.Edition, testbay.Date{})
	if !ok {
		return
	}
	row, err := testbay.JudgeCatch(rs, testbay.CatchTest{FlowsLMin: made.FlowsLMin, NominalLMin: made.NominalLMin})
	if err != nil {
		return
	}
	seen.Row = &row
	for _, n := range row.Nozzles {
		if n.Verdict != nil {
			seen.Limit = n.Verdict.Limit
		}
	}
	sections := 0
	if r := s.Rigs[made.Rig]; r != nil {
		sections = sectionsOf(s, r)
	}
	seen.Out = nozzlesOut(seen.Row, sections)
	seen.Plot = nozzlePlot("flows", row, seen.Limit, made.Worst)
	seen.aim()
}

// aim works out how the target is met with the mean of the set.
func (seen *calibrationSeen) aim() {
	m := seen.CalibrationMade
	if m.TargetLHa == nil || !seen.Known {
		return
	}
	a := &aim{Off: (m.LHa/(*m.TargetLHa) - 1) * 100}
	if want, err := testbay.SolveRate(testbay.Rate{LHa: m.TargetLHa, KmH: &m.KmH, SpacingM: &m.SpacingM}); err == nil {
		a.LMin = want.LMin
		if bar, err := testbay.PressureForFlow(m.MeanLMin, m.Bar, want.LMin); err == nil {
			a.Bar, a.HasBar = bar, true
		}
	}
	if v, err := testbay.SolveRate(testbay.Rate{LHa: m.TargetLHa, LMin: &m.MeanLMin, SpacingM: &m.SpacingM}); err == nil {
		a.KmH, a.HasSpeed = v.KmH, true
	}
	seen.Aim = a
}

// nozzlePlot draws the row of nozzles against what it was judged by.
func nozzlePlot(id string, row testbay.CatchResult, limit float64, worst *events.WorstNozzle) template.HTML {
	b := plot.Bars{ID: id, Unit: "%", Limit: limit, Named: word("nozzle"), Middle: word("nominal"), Title: word("Flow of every nozzle from the left, in percent from nominal, between the limits")}
	if row.Basis == testbay.AgainstMean {
		b.Middle, b.Title = word("mean"), word("Flow of every nozzle from the left, in percent from the mean, between the limits")
	}
	for _, n := range row.Nozzles {
		one := plot.Bar{Position: n.Position, Value: n.FromNominalPercent, Near: n.Advisory}
		if row.Basis == testbay.AgainstMean {
			one.Value = n.FromMeanPercent
		}
		one.Out = n.Verdict != nil && !n.Verdict.Pass
		b.Row = append(b.Row, one)
	}
	if worst != nil {
		b.Worst = worst.Position
	}
	return template.HTML(b.SVG()) // made by us; captions are escaped there
}

// Words says an outcome in words.
func (seen *calibrationSeen) Words() string { return bayWords(seen.Outcome) }

func bayWords(outcome string) string {
	switch testbay.Outcome(outcome) {
	case testbay.Pass:
		return word("passed")
	case testbay.PassWithAdvisories:
		return word("passed, with advice")
	case testbay.Fail:
		return word("not passed")
	case testbay.Incomplete:
		return word("not finished")
	case testbay.NotFitted:
		return word("not fitted")
	case testbay.NotDone:
		return word("still to be done")
	case testbay.NotNeeded:
		return word("not needed")
	}
	return outcome
}
