package console

import (
	"cmp"
	"encoding/json"
	"html/template"
	"math"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"rigledger/api/console/plot"
	"rigledger/events"
	"rigledger/fleet"
	"rigledger/fleet/plan"
	"rigledger/fleet/testbay"
)

// inspectionForm is the page on which an inspection is entered.
type inspectionForm struct {
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
	typed := v.typedInto("inspection")
	err := v.within(func(s *fleet.State) error {
		r, err := v.rig(s, v.param("rig"))
		if err != nil {
			return err
		}
		d.Rig, d.Name, d.Yard = r.Rig, r.Name, r.Yard
		d.Clean, _ = s.Clean(r)
		if p := s.PlacementOf(r); p != nil {
			d.Place = p.Place
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
			d.Wrongs = w.wrongs("inspection")
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
		return bayLook{fieldID("inspection", looked+"/"+value), looked + "/result", value, label, typed.Get(looked+"/result") == value}
	}
	if p.Kind == testbay.LookedAt {
		f.Looks = []bayLook{answer("pass", word("In order")), answer("advisory", word("Advice")), answer("fail", word("Fails"))}
		if p.MayBeAbsent {
			f.Looks = append(f.Looks, answer("not_fitted", word("Not fitted")))
		}
		f.NoteName = looked + "/note"
		f.NoteID, f.Note = fieldID("inspection", f.NoteName), typed.Get(f.NoteName)
		return f
	}
	if p.MayBeAbsent {
		f.Absent = answer("not_fitted", word("Not fitted"))
	}
	at := "/sheet/measured/" + p.ID + "/"
	for _, a := range asksOf[p.ID] {
		switch a.Kind {
		case "rows":
			f.Rows = append(f.Rows, rowsOf(v, at, a, typed))
		case "flows":
			f.Flows = flowCells(v, "inspection", at+a.Path+"/", nozzleCount(v, typed, "q:"+at+a.Path+"/", "", widthM), typed)
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

func rowsOf(v *visit, at string, a ask, typed url.Values) rowsAsk {
	out := rowsAsk{Label: a.Label, Heads: a.Of}
	for i := range a.Rows {
		var step []bayCell
		for _, of := range a.Of {
			name := "n:" + at + a.Path + "/" + strconv.Itoa(i) + "/" + of.Path
			c := bayCell{ID: fieldID("inspection", name), Name: name, Label: of.Label + " " + strconv.Itoa(i+1), Value: typed.Get(name), Position: i + 1}
			if typed != nil {
				c.Wrong = v.refused.fields[name]
			}
			step = append(step, c)
		}
		out.Steps = append(out.Steps, step)
	}
	return out
}

// inspectionSeen is an inspection as it is shown, on record or while it is typed.
type inspectionSeen struct {
	Outcome string
	Points  map[string]*pointSeen
	Order   []*pointSeen
	Failed  []*pointSeen
	Stops   bool // a failed point stops the rig
	Advice  []*pointSeen
	Open    []*pointSeen
	InOrder []*pointSeen // looked at, passed, and nothing more to say
	Unclear []*pointSeen // entered by halves or not to be understood
	Typing  bool
}

// pointSeen is one judged point.
type pointSeen struct {
	testbay.PointResult
	Problem string // why it cannot be judged yet
	Plot    template.HTML
	Remedy  string
	Row     *testbay.CatchResult
	CV      *testbay.Verdict // of a distribution
}

// Words says the point's outcome in words.
func (p *pointSeen) Words() string { return bayWords(string(p.Outcome)) }

// Told says whether there is anything to be told of the point.
func (p *pointSeen) Told() bool {
	return p.Problem != "" || p.Outcome != "" && p.Outcome != testbay.NotDone && p.Outcome != testbay.NotNeeded
}

// Large says whether the point has a section of its own on the finished sheet.
func (p *pointSeen) Large() bool {
	return p.Told() && !(p.Outcome == testbay.Pass && p.Kind == testbay.LookedAt && p.Why == "")
}

// Past is how far the worst reading is beyond its limit, nil when it is not.
func (p *pointSeen) Past() *float64 {
	if p.Worst == nil || p.Worst.Pass {
		return nil
	}
	past := -p.Worst.Margin
	return &past
}

// Words says the sheet's outcome in words.
func (seen *inspectionSeen) Words() string { return bayWords(seen.Outcome) }

// workInspection judges what is typed so far, by the sheet's own judge. Points
// that cannot be judged yet are left out, each with its reason.
func (v *visit) workInspection(s *fleet.State, w *worked, rs testbay.RuleSet) *inspectionSeen {
	cmd := fleet.JudgeInspection{ID: "i-typed"}
	w.into(&cmd)
	unclear := map[string]string{}
	sheet := cmd.Sheet
	for point := range halves(w.typed) {
		unclear[point] = word("Not all of it is entered yet.")
		sheet = without(sheet, point)
	}
	for name := range w.Wrong {
		if steps := strings.Split(name, "/"); len(steps) > 3 && steps[1] == "sheet" {
			unclear[steps[3]] = word("Something here cannot be read.")
			sheet = without(sheet, steps[3])
		}
	}
	if cmd.Retest != "" { // what stands from the first inspection is judged with it
		sheet = v.overFirst(s, cmd.Retest, sheet)
	}
	for range len(rs.Points) + 1 {
		result, err := testbay.Judge(sheet, rs)
		if err == nil {
			seen := seeSheet(result, sheet, rs)
			for point, why := range unclear {
				seen.unclear(point, why, rs)
			}
			seen.Typing = true
			return seen
		}
		point := ""
		for _, f := range faultsOf(err) {
			steps := strings.Split(f.Field, "/")
			if len(steps) < 3 {
				continue
			}
			point = steps[2]
			unclear[point] = word("Not all of it is entered yet.")
			if w.fault("/sheet"+f.Field, f.Message) || !strings.Contains(f.Message, "missing") {
				unclear[point] = f.Message
			}
		}
		if point == "" {
			break
		}
		sheet = without(sheet, point)
	}
	return &inspectionSeen{Outcome: string(testbay.Incomplete), Points: map[string]*pointSeen{}, Typing: true}
}

// overFirst lays a retest over the sheet of the first inspection.
func (v *visit) overFirst(s *fleet.State, first string, sheet testbay.Sheet) testbay.Sheet {
	old := s.Bay.Inspections[first]
	if old == nil || !v.who.MaySee(s.Rigs[old.Rig].Yard) {
		return sheet
	}
	merged, err := fleet.OverSheet(old.Sheet, sheet)
	if err != nil {
		return sheet
	}
	return merged
}

// halves finds measured points with a step that is entered by halves.
func halves(typed url.Values) map[string]bool {
	open := map[string]string{}
	halfSteps(typed, open)
	out := map[string]bool{}
	for name := range open {
		out[strings.Split(name, "/")[3]] = true
	}
	return out
}

// halfSteps finds the open fields of steps that are entered by halves, and files
// them in wrong: a gauge that nobody read must not stand for one that shows 0.
func halfSteps(typed url.Values, wrong map[string]string) {
	filled, open := map[string]bool{}, map[string][]string{}
	for name, values := range typed {
		steps := strings.Split(name, "/")
		if !strings.HasPrefix(name, "n:/sheet/measured/") || len(steps) != 7 || len(values) == 0 {
			continue
		}
		row := strings.Join(steps[:6], "/")
		if strings.TrimSpace(values[len(values)-1]) == "" {
			open[row] = append(open[row], name)
		} else {
			filled[row] = true
		}
	}
	for row := range filled {
		for _, name := range open[row] {
			wrong[name] = word("Not all of it is entered yet.")
		}
	}
}

// without takes a point out of a sheet.
func without(sheet testbay.Sheet, point string) testbay.Sheet {
	out := testbay.Sheet{Looked: map[string]testbay.Seen{}}
	for id, seen := range sheet.Looked {
		if id != point {
			out.Looked[id] = seen
		}
	}
	text, err := json.Marshal(sheet.Measured)
	if err != nil {
		return out
	}
	all := map[string]json.RawMessage{}
	if json.Unmarshal(text, &all) != nil {
		return out
	}
	delete(all, point)
	if text, err = json.Marshal(all); err == nil {
		_ = json.Unmarshal(text, &out.Measured) // it was ours a moment ago
	}
	return out
}

// seeSheet shows a judged sheet.
func seeSheet(r testbay.SheetResult, sheet testbay.Sheet, rs testbay.RuleSet) *inspectionSeen {
	seen := &inspectionSeen{Outcome: string(r.Outcome), Points: map[string]*pointSeen{}, Stops: len(r.StopsRig) > 0}
	for _, pr := range r.Points {
		p := &pointSeen{PointResult: pr}
		if pr.Outcome == testbay.Fail {
			if p.Remedy = remedies[pr.ID]; p.Remedy == "" {
				p.Remedy = word("Put it right and have this point looked at again.")
			}
		}
		p.draw(sheet, rs)
		seen.Points[pr.ID] = p
		seen.Order = append(seen.Order, p)
		switch pr.Outcome {
		case testbay.Fail:
			seen.Failed = append(seen.Failed, p)
		case testbay.PassWithAdvisories:
			seen.Advice = append(seen.Advice, p)
		case testbay.NotDone, testbay.Incomplete:
			seen.Open = append(seen.Open, p)
		}
	}
	slices.SortStableFunc(seen.Failed, func(a, b *pointSeen) int { return cmp.Compare(rankOf(a), rankOf(b)) })
	return seen
}

// rankOf puts what stops the rig first.
func rankOf(p *pointSeen) int {
	if p.StopsRig {
		return 0
	}
	return 1
}

func (seen *inspectionSeen) unclear(point, why string, rs testbay.RuleSet) {
	p := seen.Points[point]
	if p == nil {
		q, ok := rs.Point(point)
		if !ok {
			return
		}
		p = &pointSeen{PointResult: testbay.PointResult{Point: q}}
		seen.Points[point] = p
	}
	p.Problem = why
	seen.Unclear = append(seen.Unclear, p)
}

// draw makes the picture of a point that has several readings.
func (p *pointSeen) draw(sheet testbay.Sheet, rs testbay.RuleSet) {
	switch {
	case p.ID == testbay.PointNozzleFlow && sheet.Measured.NozzleFlow != nil && len(p.Verdicts) > 0:
		row, err := testbay.JudgeCatch(rs, *sheet.Measured.NozzleFlow)
		if err != nil {
			return
		}
		p.Row = &row
		p.Plot = nozzlePlot("p-"+p.ID, row, p.Verdicts[0].Limit, worstOf(p))
	case p.ID == testbay.PointGaugeError && sheet.Measured.GaugeError != nil:
		p.Plot = gaugePlot(rs, sheet.Measured.GaugeError.Readings, p.Verdicts)
	default:
		p.bars()
	}
}

func worstOf(p *pointSeen) *events.WorstNozzle {
	if p.Worst == nil {
		return nil
	}
	return &events.WorstNozzle{Position: p.Worst.Position}
}

// bars draws three or more readings that are held against the same limit.
func (p *pointSeen) bars() {
	b := plot.Bars{ID: "p-" + p.ID, Title: p.Name, Middle: word("mean"), Named: word("position")}
	for _, one := range p.Verdicts {
		if one.Position == 0 {
			if p.ID == testbay.PointDistribution {
				p.CV = &one
			}
			continue
		}
		if one.Sense != testbay.AtMost || b.Unit != "" && (one.Unit != b.Unit || one.Limit != b.Limit) {
			return
		}
		b.Unit, b.Limit = one.Unit, one.Limit
		at := one.Measured
		b.Row = append(b.Row, plot.Bar{Position: one.Position, Value: &at, Out: !one.Pass})
	}
	if len(b.Row) < 3 {
		return
	}
	switch p.ID {
	case testbay.PointDistribution:
		b.Named, b.Title = word("gutter"), word("What each gutter caught, in percent from the mean, between the limits")
	case testbay.PointSectionClosed, testbay.PointPressureDrop:
		b.Named, b.Middle = word("section"), word("no change")
	case testbay.PointSectionBalance:
		b.Named = word("section")
	case testbay.PointNozzleSpacing:
		b.Middle = word("nominal")
	case testbay.PointNozzleUpright, testbay.PointDrip, testbay.PointSectionWidth:
		b.Middle = "0"
	}
	for _, one := range b.Row { // the furthest from the middle
		if b.Worst == 0 || math.Abs(*one.Value) > math.Abs(*b.Row[b.Worst-1].Value) {
			b.Worst = one.Position
		}
	}
	p.Plot = template.HTML(b.SVG()) // made by us; captions are escaped there
}

// gaugePlot draws a gauge against the master, between the limits of the rule set.
func gaugePlot(rs testbay.RuleSet, readings []testbay.GaugeReading, verdicts []testbay.Verdict) template.HTML {
	g := plot.Gauge{Title: word("Error of the gauge over the pressure of the master, between the limits"), True: word("master, bar"), Err: word("as the master"), Unit: "bar"}
	far, worst := 1.0, 0.0
	for i, r := range readings {
		step := plot.Step{Master: r.MasterBar, Error: r.GaugeBar - r.MasterBar, Out: i < len(verdicts) && !verdicts[i].Pass}
		far = max(far, r.MasterBar)
		if i < len(verdicts) && verdicts[i].Limit > 0 {
			if share := math.Abs(verdicts[i].Measured) / verdicts[i].Limit; share > worst {
				worst, g.Worst = share, i+1
			}
		}
		g.Steps = append(g.Steps, step)
	}
	low, upTo, share := rs.Limits[testbay.LimitGaugeErrorBar].Value, rs.Limits[testbay.LimitGaugeErrorUpTo].Value, rs.Limits[testbay.LimitGaugeErrorPercent].Value
	far *= 1.08
	g.Limit = []plot.Funnel{{Master: 0, Limit: low}, {Master: min(upTo, far), Limit: low}}
	if far > upTo {
		g.Limit = append(g.Limit, plot.Funnel{Master: upTo, Limit: share / 100 * upTo}, plot.Funnel{Master: far, Limit: share / 100 * far})
	}
	return template.HTML(g.SVG()) // made by us; captions are escaped there
}
