package console

import (
	"cmp"
	"slices"
	"strings"

	"rigledger/fleet"
	"rigledger/fleet/plan"
	"rigledger/fleet/testbay"
)

var bayPages = []page{
	{"/bay", nil, showBay},
	{"/bay/calculators", nil, showCalculators},
	{"/bay/:rig/calibration", nil, showCalibrationForm},
	{"/bay/:rig/inspection", nil, showInspectionForm},
	{"/bay/:rig/place", managers, showRigPlace},
	{"/inspections/:inspection", nil, showInspection},
	{"/calibrations/:calibration", nil, showCalibration},
}

// bayPage says who has to be tested, the most pressing first.
type bayPage struct {
	Yard   string // only this one
	Groups []bayGroup
	Rest   []bayRow // nothing to decide
	Yards  []yardPlace
	Places []option
	// Unplaced are the yards of which no law can be asked.
	Unplaced []yardPlace
}

// bayGroup is the rigs that need the same decision.
type bayGroup struct {
	Title, Empty string
	Rows         []bayRow
}

// bayRow is one rig as the test bay sees it.
type bayRow struct {
	Rig, Name, Yard, Fitness string
	Says                     []baySay
	Retest                   string // the failed inspection to be tested again
	By                       string // the last day to be inspected, "" where none is known
	Days                     int    // until then
	Certificate              string
	Worst                    *float64 // percent, of the newest measurement of all nozzles
	WorstAt                  int
	WorstOn                  string // its day
	Calibrated               string // day of the last calibration
	CalibrationID            string
	rank                     int // the group
}

// baySay is one sentence of a row: words of ours, and what they are about.
type baySay struct {
	Text  string
	Day   string // a date that ends the sentence, "" for none
	Days  int
	Until bool // the days are left or past
}

// The groups, in the order of pressure.
const (
	bayFailed = iota
	bayInspect
	bayCalibrate
	bayUnplaced
	bayRest
)

// bayAhead is how far ahead an inspection is worth a decision: long enough to
// find a day at a station (common practice).
const bayAhead = 60

func showBay(v *visit) error {
	d := bayPage{Yard: v.query("yard")}
	groups := []bayGroup{
		{Title: word("Waiting for a retest or a repair")},
		{Title: word("To be inspected within sixty days, or late")},
		{Title: word("To be calibrated")},
		{Title: word("What the law asks is not known")},
	}
	v.fleet.View(func(s *fleet.State) {
		for _, r := range s.Rigs {
			if r.Retired || !v.who.MaySee(r.Yard) || d.Yard != "" && r.Yard != d.Yard {
				continue
			}
			row := v.bayRow(s, r)
			if row.rank == bayRest {
				d.Rest = append(d.Rest, row)
			} else {
				groups[row.rank].Rows = append(groups[row.rank].Rows, row)
			}
		}
		d.Yards, d.Places = v.yardPlaces(s), placesOf(s)
		for _, y := range d.Yards {
			if y.Place == "" && (d.Yard == "" || d.Yard == y.Yard) {
				d.Unplaced = append(d.Unplaced, y)
			}
		}
	})
	for i := range groups {
		slices.SortFunc(groups[i].Rows, byPressure)
		if len(groups[i].Rows) > 0 {
			d.Groups = append(d.Groups, groups[i])
		}
	}
	slices.SortFunc(d.Rest, byPressure)
	return v.showLive("bay.html", word("The test bay"), "/bay", d)
}

func byPressure(a, b bayRow) int {
	late := func(r bayRow) int {
		if r.By == "" {
			return 1 << 30
		}
		return r.Days
	}
	return cmp.Or(cmp.Compare(late(a), late(b)), strings.Compare(a.Rig, b.Rig))
}

// bayRow gathers what the bay knows of a rig. Within View.
func (v *visit) bayRow(s *fleet.State, r *fleet.Rig) bayRow {
	fit := v.fleet.FitnessOf(s, r, v.now)
	row := bayRow{Rig: r.Rig, Name: r.Name, Yard: r.Yard, Fitness: fit.State, rank: bayRest}
	raise := func(rank int) { row.rank = min(row.rank, rank) }
	say := func(text string) { row.Says = append(row.Says, baySay{Text: text}) }
	for _, why := range fit.Reasons {
		switch why.Code {
		case "failed-inspection":
			raise(bayFailed)
			if row.Retest == "" {
				row.Retest = why.Inspection
			}
			say(failedWords(s, why.Inspection))
		case "open-safety-defect", "open-defect":
			if why.Inspection != "" && row.Retest == "" {
				raise(bayFailed)
				say(why.Text)
			}
		case "calibration-required", "failed-calibration", "instrument-unchecked":
			raise(bayCalibrate)
			say(why.Text)
		case "place-incomplete":
			raise(bayUnplaced)
			say(why.Text)
		}
	}
	v.bayLaw(s, r, &row)
	v.bayCalibrations(s, r, &row)
	return row
}

// failedWords says which points of an inspection failed, by their names.
func failedWords(s *fleet.State, id string) string {
	in := s.Bay.Inspections[id]
	text := word("Inspection failed")
	if in == nil {
		return text
	}
	rs, _ := s.RuleSet(in.RuleSet, in.Edition, testbay.Date{})
	mark := ": "
	for _, p := range in.Points {
		if p.Outcome != string(testbay.Fail) {
			continue
		}
		name := p.Point
		if known, ok := rs.Point(p.Point); ok {
			name = known.Name
		}
		text, mark = text+mark+name, "; "
	}
	if in.RetestBy != "" {
		text += "; " + word("retest by") + " " + in.RetestBy
	}
	return text
}

// bayLaw adds until when the law wants the rig inspected.
func (v *visit) bayLaw(s *fleet.State, r *fleet.Rig, row *bayRow) {
	z := s.CertificateOf(r)
	if z != nil {
		row.Certificate = z.Number
	}
	place, due, err := s.NextInspection(r, v.today())
	switch {
	case place == nil:
		row.rank = min(row.rank, bayUnplaced)
		if z != nil && z.Expires != "" {
			v.bayUntil(row, z.Expires, word("Its certificate ends"))
		}
		for _, l := range v.fleet.DueOf(s, r, v.now) { // the plan's own then stands
			if l.Task.Weight == plan.Statutory && !l.Due.Date.IsZero() && row.By == "" {
				v.bayUntil(row, l.Due.Date.String(), word("By its plan to be inspected by"))
			}
		}
		if row.By == "" {
			row.Says = append(row.Says, baySay{Text: word("Its plan names no day for it either")})
		}
	case err != nil || due.On == nil:
		if err == nil {
			row.Says = append(row.Says, baySay{Text: word("No rule of its place asks for an inspection")})
		}
	default:
		v.bayUntil(row, due.On.String(), word("To be inspected by"))
		if z != nil && z.Expires != "" && z.Expires < due.On.String() {
			v.bayUntil(row, z.Expires, word("Its certificate ends"))
		}
	}
}

func (v *visit) bayUntil(row *bayRow, day, text string) {
	on, err := plan.ParseDate(day)
	if err != nil {
		return
	}
	row.By, row.Days = day, v.today().DaysUntil(on)
	row.Says = append(row.Says, baySay{Text: text, Day: day, Days: row.Days, Until: true})
	if row.Days <= bayAhead {
		row.rank = min(row.rank, bayInspect)
	}
}

// bayCalibrations adds the plan's jobs that measure, where they are due, the last
// calibration, and the nozzle that was worst when all were measured last.
func (v *visit) bayCalibrations(s *fleet.State, r *fleet.Rig, row *bayRow) {
	for _, l := range v.fleet.DueOf(s, r, v.now) {
		if l.Due.Status.Rank() < plan.IsDue.Rank() || !slices.Contains(l.Task.Cautions, "calibration") {
			continue
		}
		row.rank = min(row.rank, bayCalibrate)
		row.Says = append(row.Says, baySay{Text: l.Task.Title + ", " + l.Part.Name + ": " + string(l.Due.Status)})
	}
	if m := s.LastCalibration(r); m != nil {
		row.Calibrated, row.CalibrationID = plan.Of(m.At, v.zone).String(), m.Calibration
	} else {
		row.Says = append(row.Says, baySay{Text: word("Never calibrated here")})
	}
	if m := s.NozzlesOf(r); m != nil {
		row.Worst, row.WorstAt, row.WorstOn = &m.Worst.Percent, m.Worst.Position, plan.Of(m.At, v.zone).String()
	}
}

// yardPlace is a yard and the law that its rigs work under.
type yardPlace struct {
	Yard, Place string
	Contractor  bool
	Law         string   // what the place is called
	Schemes     []string // and Under, by name
	Under       []string
	Offered     []option // assurance schemes that may be added
	Rigs        int
}

// Has gives a scheme back if the yard is under it, else "".
func (y yardPlace) Has(scheme string) string {
	if slices.Contains(y.Schemes, scheme) {
		return scheme
	}
	return ""
}

// yardPlaces lists the yards that have rigs. Within View.
func (v *visit) yardPlaces(s *fleet.State) []yardPlace {
	rigs := map[string]int{}
	for _, r := range s.Rigs {
		if !r.Retired && v.who.MaySee(r.Yard) {
			rigs[r.Yard]++
		}
	}
	var out []yardPlace
	for yard, n := range rigs {
		y := yardPlace{Yard: yard, Rigs: n, Contractor: true, Offered: schemesOf(s)}
		if list := s.Bay.Yards[yard]; len(list) > 0 {
			p := list[len(list)-1]
			y.Place, y.Contractor, y.Schemes = p.Place, p.Contractor, p.Schemes
			y.Law, y.Under = placeName(s, p.Place), schemeNames(s, p.Schemes)
		}
		out = append(out, y)
	}
	slices.SortFunc(out, func(a, b yardPlace) int { return strings.Compare(a.Yard, b.Yard) })
	return out
}

// placesOf lists the places of the interval table with what their laws are called.
func placesOf(s *fleet.State) []option {
	names := map[string]string{}
	for _, rule := range s.Intervals() {
		names[rule.Place] = placeName(s, rule.Place)
	}
	out := []option{{"", word("No place of its own")}}
	for place, name := range names {
		out = append(out, option{place, place + ": " + name})
	}
	slices.SortFunc(out[1:], func(a, b option) int { return strings.Compare(a.Value, b.Value) })
	return out
}

// placeName is what the place of a law is called, its code where no law names it:
// a law for a kind of work says after a comma which.
func placeName(s *fleet.State, place string) string {
	name := place
	for _, rule := range s.Intervals() {
		if rule.Kind == testbay.Law && rule.Place == place {
			name, _, _ = strings.Cut(rule.Name, ",") // the newest stands last
		}
	}
	return name
}

// schemeNames are assurance schemes by name.
func schemeNames(s *fleet.State, ids []string) (names []string) {
	for _, id := range ids {
		name := id
		for _, rule := range s.Intervals() {
			if rule.ID == id {
				name = rule.Name
			}
		}
		names = append(names, name)
	}
	return names
}

// schemesOf lists the assurance schemes of the table.
func schemesOf(s *fleet.State) []option {
	var out []option
	for _, rule := range s.Intervals() {
		if rule.Kind != testbay.Law {
			out = append(out, option{rule.ID, rule.Name})
		}
	}
	return out
}

// rigPlacePage is the place of one rig that differs from its yard's.
type rigPlacePage struct {
	Rig, Name, Yard string
	Now             *fleet.Placement
	Own             bool
	Due             *testbay.Due
	Problem         string
	FirstUse        string
	Law             string // what its place is called
	Places, Schemes []option
}

// Has gives a scheme back if the rig's own place is under it, else "".
func (d rigPlacePage) Has(scheme string) string {
	if d.Own && slices.Contains(d.Now.Schemes, scheme) {
		return scheme
	}
	return ""
}

func showRigPlace(v *visit) error {
	d := rigPlacePage{}
	err := v.within(func(s *fleet.State) error {
		r, err := v.rig(s, v.param("rig"))
		if err != nil {
			return err
		}
		d = rigPlacePage{Rig: r.Rig, Name: r.Name, Yard: r.Yard, FirstUse: r.FirstUse, Places: placesOf(s), Schemes: schemesOf(s)}
		place, due, err := s.NextInspection(r, v.today())
		if d.Now = place; place == nil {
			return nil
		}
		d.Own, d.Law = !place.OfYard, placeName(s, place.Place)
		if err != nil {
			d.Problem = err.Error()
			return nil
		}
		d.Due = &due
		return nil
	})
	if err != nil {
		return err
	}
	return v.show("bay_place.html", word("Place of rig")+" "+d.Rig, "/bay", d)
}

// within runs a look at the fleet that may fail.
func (v *visit) within(look func(s *fleet.State) error) (err error) {
	v.fleet.View(func(s *fleet.State) { err = look(s) })
	return err
}
