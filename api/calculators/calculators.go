package calculators

import (
	"encoding/json"
	"errors"
	"math"
	"net/http"
	"reflect"
	"strings"

	"rigledger/api/call"
	"rigledger/api/shape"
	"rigledger/fleet"
	"rigledger/fleet/testbay"
)

// A calculator answers from its body alone: no rig is needed, nothing is kept.
// Numbers are rounded to four decimals in the answer; verdicts come from the
// unrounded ones.
//
// calculate reads a body of type T and answers with what work makes of it.
func calculate[T any](work func(c *call.Call, in T) (any, error)) func(c *call.Call) error {
	return func(c *call.Call) error {
		if err := c.Query.Err(); err != nil {
			return err
		}
		var in T
		if err := c.Body(&in); err != nil {
			return err
		}
		if bad := beyond(reflect.ValueOf(in), "", nil); len(bad) > 0 {
			return &call.Problem{Kind: call.Invalid, Detail: "the request does not hold together", Fields: bad}
		}
		out, err := work(c, in)
		if err != nil {
			return impossible(err)
		}
		text, err := json.Marshal(out)
		if err != nil {
			return err
		}
		var loose any
		if err := json.Unmarshal(text, &loose); err != nil {
			return err
		}
		c.SetCommit(c.Fleet.Head().N)
		return c.Answer(http.StatusOK, rounded(loose))
	}
}

// impossible turns errors of the arithmetic into a refusal that names the fields.
func impossible(err error) error {
	all := impossibleFields(err)
	if len(all) == 0 {
		return err
	}
	p := &call.Problem{Kind: call.Invalid, Detail: "the request does not hold together"}
	for _, in := range all {
		if in.Field == "" || in.Field == "ruleset" {
			p.Fields = append(p.Fields, call.FieldProblem{Parameter: "ruleset", Detail: in.Reason})
			continue
		}
		p.Fields = append(p.Fields, call.FieldProblem{Pointer: fleet.PointerOf("", in.Field), Detail: in.Reason})
	}
	return p
}

// impossibleFields gives the impossible fields that an error names, none for another error.
func impossibleFields(err error) testbay.InputErrors {
	var several testbay.InputErrors
	if errors.As(err, &several) {
		return several
	}
	var one *testbay.InputError
	if errors.As(err, &one) {
		return testbay.InputErrors{one}
	}
	return nil
}

func wrong(field, reason string) error { return &testbay.InputError{Field: field, Reason: reason} }

// rounded rounds every number of a JSON value to four decimals.
func rounded(v any) any {
	switch v := v.(type) {
	case float64:
		if r := math.Round(v*1e4) / 1e4; !math.IsInf(r, 0) {
			return r
		}
		return v
	case []any:
		for i := range v {
			v[i] = rounded(v[i])
		}
	case map[string]any:
		for k := range v {
			v[k] = rounded(v[k])
		}
	}
	return v
}

// rules gives the rule set that ?ruleset= and ?edition= name; without, that of
// ISO 16122-2 as it is in force today.
func rules(c *call.Call, otherwise string) (rs testbay.RuleSet, err error) {
	id := c.Query.Text("ruleset")
	if id == "" {
		id = otherwise
	}
	err = c.View(func(s *fleet.State) error {
		known := false
		day := c.Today(s)
		if rs, known = s.RuleSet(id, c.Query.Text("edition"), testbay.Date{Year: day.Year, Month: day.Month, Day: day.Day}); !known {
			return wrong("ruleset", "there is no such rule set or edition")
		}
		return nil
	})
	return rs, err
}

type amounts = map[string]any

func calcRate(_ *call.Call, in testbay.Rate) (any, error) {
	r, err := testbay.SolveRate(in)
	if err != nil {
		return nil, err
	}
	return amounts{r.Solved: map[string]float64{"l_ha": r.LHa, "l_min": r.LMin, "km_h": r.KmH, "spacing_m": r.SpacingM}[r.Solved]}, nil
}

type flowIn struct {
	LMin    float64  `json:"l_min"`
	Bar     float64  `json:"bar"`
	AtBar   *float64 `json:"at_bar"`
	AtLMin  *float64 `json:"at_l_min"`
	Gravity *float64 `json:"specific_gravity"`
}

// calcFlow: the flow of water at another pressure, or the pressure for another
// flow; with a specific gravity, the flow of that liquid.
func calcFlow(_ *call.Call, in flowIn) (any, error) {
	switch {
	case in.AtBar != nil && in.AtLMin != nil:
		return nil, wrong("at_l_min", "goes without at_bar")
	case in.AtLMin != nil:
		if in.Gravity != nil {
			return nil, wrong("specific_gravity", "goes with at_bar")
		}
		bar, err := testbay.PressureForFlow(in.LMin, in.Bar, *in.AtLMin)
		return amounts{"bar": bar}, err
	case in.AtBar == nil:
		return nil, wrong("at_bar", "is missing; give it, or at_l_min")
	}
	q, err := testbay.FlowAtPressure(in.LMin, in.Bar, *in.AtBar)
	if err == nil && in.Gravity != nil {
		q, err = testbay.FlowOfLiquid(q, *in.Gravity)
	}
	return amounts{"l_min": q}, err
}

type nozzleOut struct {
	Position    int      `json:"position"`
	LMin        *float64 `json:"l_min"`
	FromNominal *float64 `json:"from_nominal_percent,omitempty"`
	FromMean    *float64 `json:"from_mean_percent,omitempty"`
	Verdict     string   `json:"verdict"`
}

func calcCatch(c *call.Call, in testbay.CatchTest) (any, error) {
	rs, err := rules(c, testbay.ISO16122Part2Of2015)
	if err != nil {
		return nil, err
	}
	r, err := testbay.JudgeCatch(rs, in)
	if err != nil {
		return nil, err
	}
	return catchOut(r), nil
}

func catchOut(r testbay.CatchResult) amounts {
	nozzles := make([]nozzleOut, 0, len(r.Nozzles))
	for _, n := range r.Nozzles {
		o := nozzleOut{n.Position, n.LMin, n.FromNominalPercent, n.FromMeanPercent, string(testbay.NotDone)}
		if n.Verdict != nil {
			o.Verdict = word(n.Verdict.Pass)
			if n.Advisory {
				o.Verdict = string(testbay.PassWithAdvisories)
			}
		}
		nozzles = append(nozzles, o)
	}
	out := amounts{
		"mean_l_min": r.MeanLMin, "nozzles": nozzles, "verdict": r.Outcome, "judged_against": r.Basis,
		"missing": shape.List(r.Missing), "change": shape.List(r.Change), "change_set": r.ChangeSet, "notice": r.Notice,
	}
	if r.CVPercent != nil {
		out["cv_percent"], out["sd_l_min"] = *r.CVPercent, *r.SDLMin
	}
	return out
}

func word(pass bool) string {
	if pass {
		return string(testbay.Pass)
	}
	return string(testbay.Fail)
}

type gaugeIn struct {
	Points []struct {
		MasterBar float64 `json:"master_bar"`
		ReadBar   float64 `json:"read_bar" must:"be"`
	} `json:"points"`
}

func calcGauge(c *call.Call, in gaugeIn) (any, error) {
	rs, err := rules(c, testbay.ISO16122Part2Of2015)
	if err != nil {
		return nil, err
	}
	var test testbay.GaugeError
	for _, p := range in.Points {
		test.Readings = append(test.Readings, testbay.GaugeReading{MasterBar: p.MasterBar, GaugeBar: p.ReadBar})
	}
	vs, err := testbay.CheckGaugeError(rs, test)
	if err != nil {
		return nil, renamed(err, "readings", "points", "gauge_bar", "read_bar")
	}
	points := make([]amounts, 0, len(vs))
	for i, v := range vs {
		limit := v.Limit
		if v.Unit == "%" {
			limit = v.Limit / 100 * in.Points[i].MasterBar
		}
		points = append(points, amounts{"error_bar": in.Points[i].ReadBar - in.Points[i].MasterBar, "limit_bar": limit, "verdict": word(v.Pass)})
	}
	return amounts{"points": points, "verdict": word(testbay.Passed(vs)), "notice": testbay.Notice}, nil
}

// renamed names fields as this body does.
func renamed(err error, pairs ...string) error {
	all := impossibleFields(err)
	if len(all) == 0 {
		return err
	}
	out := make(testbay.InputErrors, 0, len(all))
	for _, in := range all {
		out = append(out, &testbay.InputError{Field: strings.NewReplacer(pairs...).Replace(in.Field), Reason: in.Reason})
	}
	return out
}

type rinseIn struct {
	ResidualL float64  `json:"residual_l"`
	WaterL    *float64 `json:"water_l"`
	Portions  *int     `json:"portions"`
	Wanted    *float64 `json:"wanted_dilution"`
}

// calcRinse: the dilution that water in portions reaches; or, for a wanted one,
// the smallest number of portions of that water, or the least water in that many.
func calcRinse(_ *call.Call, in rinseIn) (any, error) {
	out := amounts{"caution": testbay.RinsingCaution}
	switch {
	case in.Wanted == nil && in.WaterL == nil:
		return nil, wrong("water_l", "is missing")
	case in.Wanted == nil:
		n := 1
		if in.Portions != nil {
			n = *in.Portions
		}
		d, err := testbay.DilutionFactor(in.ResidualL, *in.WaterL, n)
		out["dilution"] = d
		return out, err
	case in.WaterL != nil && in.Portions != nil:
		return nil, wrong("wanted_dilution", "goes with water_l or with portions: the other is worked out")
	case in.WaterL != nil:
		n, err := testbay.PortionsFor(in.ResidualL, *in.WaterL, *in.Wanted)
		if err != nil {
			return nil, renamed(err, "wanted", "wanted_dilution", "wanted_dilution_dilution", "wanted_dilution")
		}
		out["portions"] = n
		out["dilution"], err = testbay.DilutionFactor(in.ResidualL, *in.WaterL, n)
		return out, err
	}
	n := 3 // as a label asks for: rinsed three times (common practice)
	if in.Portions != nil {
		n = *in.Portions
	}
	v, err := testbay.WaterForDilution(in.ResidualL, *in.Wanted, n)
	out["water_l"], out["portions"] = v, n
	return out, err
}

type capacityIn struct {
	KmH        *float64 `json:"km_h"`
	WidthM     *float64 `json:"width_m"`
	MPH        *float64 `json:"mph"`
	WidthFt    *float64 `json:"width_ft"`
	Efficiency float64  `json:"efficiency"`
}

func calcCapacity(_ *call.Call, in capacityIn) (any, error) {
	switch {
	case in.MPH != nil && in.WidthFt != nil && in.KmH == nil && in.WidthM == nil:
		v, err := testbay.FieldCapacityUS(*in.MPH, *in.WidthFt, in.Efficiency)
		return amounts{"ac_h": v}, err
	case in.KmH == nil:
		return nil, wrong("km_h", "is missing")
	case in.WidthM == nil:
		return nil, wrong("width_m", "is missing")
	case in.MPH != nil || in.WidthFt != nil:
		return nil, wrong("km_h", "and width_m, or mph and width_ft")
	}
	v, err := testbay.FieldCapacity(*in.KmH, *in.WidthM, in.Efficiency)
	return amounts{"ha_h": v}, err
}

type courseIn struct {
	CourseM   *float64 `json:"course_m"`
	Seconds   *float64 `json:"seconds"`
	SpacingIn *float64 `json:"spacing_in"`
	Litres    *float64 `json:"litres"`
	WidthM    *float64 `json:"width_m"`
}

// calcCourse: the speed over a measured course; the rate of a test run over it;
// or the length of the 1/128-acre course for a nozzle spacing in inches.
func calcCourse(_ *call.Call, in courseIn) (any, error) {
	switch {
	case in.SpacingIn != nil && in.CourseM == nil && in.Seconds == nil && in.Litres == nil && in.WidthM == nil:
		ft, err := testbay.CourseOf128th(*in.SpacingIn)
		return amounts{"course_ft": ft, "course_m": testbay.MetresFromFeet(ft)}, err
	case in.SpacingIn != nil:
		return nil, wrong("spacing_in", "goes alone")
	case in.CourseM == nil:
		return nil, wrong("course_m", "is missing")
	case (in.Litres == nil) != (in.WidthM == nil):
		return nil, wrong("litres", "and width_m go together")
	case in.Seconds == nil && in.Litres == nil:
		return nil, wrong("seconds", "is missing")
	}
	out := amounts{}
	if in.Seconds != nil {
		v, err := testbay.SpeedOverCourse(*in.CourseM, *in.Seconds)
		if err != nil {
			return nil, err
		}
		out["km_h"] = v
	}
	if in.Litres != nil {
		r, err := testbay.RateOfTestRun(*in.Litres, *in.CourseM, *in.WidthM)
		if err != nil {
			return nil, err
		}
		out["l_ha"] = r
	}
	return out, nil
}
