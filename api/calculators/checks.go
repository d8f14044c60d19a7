package calculators

import (
	"rigledger/api/call"
	"rigledger/api/shape"
	"rigledger/fleet/testbay"
)

type wearIn struct {
	testbay.CatchTest
	EachMinor   *int     `json:"each_minor"`
	SetMinor    *int     `json:"set_minor"`
	ProductPer  *int     `json:"product_minor_per_ha"`
	HectaresYet *float64 `json:"hectares"`
}

// calcWear: which nozzles to change by the field rules, whether the whole set
// is cheaper, and what the over-application costs over so many hectares. Money
// is in minor units of one currency.
func calcWear(c *call.Call, in wearIn) (any, error) {
	rs, err := rules(c, testbay.FieldRules)
	if err != nil {
		return nil, err
	}
	r, err := testbay.JudgeCatch(rs, in.CatchTest)
	if err != nil {
		return nil, err
	}
	out := catchOut(r)
	if r.ChangeSetWhy != "" {
		out["change_set_why"] = r.ChangeSetWhy
	}
	if in.EachMinor != nil {
		prices := testbay.NozzlePrices{EachMinor: int64(*in.EachMinor)}
		if in.SetMinor != nil {
			set := int64(*in.SetMinor)
			prices.SetMinor = &set
		}
		cost, err := testbay.CostOfChange(r, prices)
		if err != nil {
			return nil, err
		}
		out["singles_minor"], out["whole_set_minor"], out["set_cheaper"] = cost.SinglesMinor, cost.WholeSetMinor, cost.SetCheaper
	} else if in.SetMinor != nil {
		return nil, wrong("each_minor", "is missing beside set_minor")
	}
	if (in.ProductPer == nil) != (in.HectaresYet == nil) {
		return nil, wrong("hectares", "and product_minor_per_ha go together")
	}
	if in.ProductPer != nil {
		if in.NominalLMin == nil {
			return nil, wrong("nominal_l_min", "is needed to know how much is applied too much")
		}
		over := max(0, (r.MeanLMin / *in.NominalLMin - 1)*100)
		out["over_percent"] = over
		extra := int64(0)
		if over > 0 {
			if extra, err = testbay.ExtraProductCost(int64(*in.ProductPer), over, *in.HectaresYet); err != nil {
				return nil, err
			}
		}
		out["extra_product_minor"] = extra
	}
	return out, nil
}

type speedRangeIn struct {
	LHa      float64 `json:"l_ha"`
	SpacingM float64 `json:"spacing_m"`
	LMin     float64 `json:"l_min"`
	AtBar    float64 `json:"at_bar"`
	LowBar   float64 `json:"low_bar"`
	HighBar  float64 `json:"high_bar"`
}

func calcSpeedRange(_ *call.Call, in speedRangeIn) (any, error) {
	w, err := testbay.SpeedRange(in.LHa, in.SpacingM, in.LMin, in.AtBar, in.LowBar, in.HighBar)
	return w, renamed(err, "lowest_bar", "low_bar", "highest_bar", "high_bar")
}

type nozzleIn struct {
	Nozzle string   `json:"nozzle"`
	Bar    *float64 `json:"bar"`
	LMin   *float64 `json:"l_min"`
}

// calcNozzle: a size's nominal flow at a pressure, or the pressure for a flow.
func calcNozzle(_ *call.Call, in nozzleIn) (any, error) {
	size, err := testbay.Nozzles().Size(in.Nozzle)
	if err != nil {
		return nil, wrong("nozzle", err.Error())
	}
	out := amounts{"nozzle": size.Code, "source": testbay.Nozzles().Source}
	if size.Colour != "" {
		out["colour"] = size.Colour
	}
	switch {
	case (in.Bar == nil) == (in.LMin == nil):
		return nil, wrong("bar", "or l_min, one of the two")
	case in.Bar != nil:
		out["l_min"], err = size.FlowAt(*in.Bar)
		err = renamed(err, "at_bar", "bar", "at_l_min", "l_min")
	default:
		out["bar"], err = size.PressureFor(*in.LMin)
		err = renamed(err, "at_bar", "bar", "at_l_min", "l_min")
	}
	return out, err
}

type distributionOut struct {
	MeanML    float64           `json:"mean_ml"`
	SDML      float64           `json:"sd_ml"`
	CVPercent float64           `json:"cv_percent"`
	GuttersML []float64         `json:"gutters_ml"`
	Verdicts  []testbay.Verdict `json:"verdicts"`
	Verdict   string            `json:"verdict"`
	Notice    string            `json:"notice"`
}

func calcDistribution(c *call.Call, in testbay.Distribution) (any, error) {
	rs, err := rules(c, testbay.ISO16122Part2Of2015)
	if err != nil {
		return nil, err
	}
	r, err := testbay.JudgeDistribution(rs, in)
	return distributionOut{r.MeanML, r.SDML, r.CVPercent, shape.List(r.GuttersML), shape.List(r.Verdicts), word(r.Pass), r.Notice}, err
}

// checkedOut is the answer of a check by a rule set.
type checkedOut struct {
	RuleSet  string            `json:"ruleset"`
	Edition  string            `json:"edition"`
	Verdicts []testbay.Verdict `json:"verdicts"`
	Verdict  string            `json:"verdict"`
	Notice   string            `json:"notice"`
}

// checked makes a calculator of one of the test bay's checks.
func checked[T any](check func(testbay.RuleSet, T) ([]testbay.Verdict, error)) func(c *call.Call) error {
	return calculate(func(c *call.Call, in T) (any, error) {
		rs, err := rules(c, testbay.ISO16122Part2Of2015)
		if err != nil {
			return nil, err
		}
		vs, err := check(rs, in)
		return checkedOut{rs.ID, rs.Edition, shape.List(vs), word(testbay.Passed(vs)), testbay.Notice}, err
	})
}

// convertIn is a number in a unit of UN/ECE-like plain names, as listed in conversions.
type convertIn struct {
	Value float64 `json:"value" must:"be"`
	From  string  `json:"from"`
}

// conversions are those between metric and US units, both ways.
var conversions = map[string]struct {
	to      string
	convert func(float64) float64
}{
	"bar": {"psi", testbay.PSI}, "psi": {"bar", testbay.Bar},
	"l_ha": {"gal_ac", testbay.GallonsPerAcre}, "gal_ac": {"l_ha", testbay.LitresPerHectare},
	"l_min": {"gal_min", testbay.GallonsPerMinute}, "gal_min": {"l_min", testbay.LitresPerMinute},
	"km_h": {"mph", testbay.MPH}, "mph": {"km_h", testbay.KmH},
	"ha": {"ac", testbay.Acres}, "ac": {"ha", testbay.Hectares},
	"m": {"ft", testbay.Feet}, "ft": {"m", testbay.MetresFromFeet},
	"l": {"gal", testbay.Gallons}, "gal": {"l", testbay.Litres},
}

func calcUnits(_ *call.Call, in convertIn) (any, error) {
	u, known := conversions[in.From]
	if !known {
		return nil, wrong("from", "must be one of bar, psi, l_ha, gal_ac, l_min, gal_min, km_h, mph, ha, ac, m, ft, l, gal")
	}
	if in.Value < 0 {
		return nil, wrong("value", "is negative")
	}
	return amounts{u.to: u.convert(in.Value)}, nil
}

// All are the routes below /v1/testbay/.
var All = []struct {
	Name   string
	Rules  bool // takes ?ruleset= and ?edition=
	Handle func(c *call.Call) error
}{
	{"rate", false, calculate(calcRate)},
	{"flow", false, calculate(calcFlow)},
	{"catch", true, calculate(calcCatch)},
	{"gauge", true, calculate(calcGauge)},
	{"rinse", false, calculate(calcRinse)},
	{"capacity", false, calculate(calcCapacity)},
	{"course", false, calculate(calcCourse)},
	{"wear", true, calculate(calcWear)},
	{"speed-range", false, calculate(calcSpeedRange)},
	{"nozzle", false, calculate(calcNozzle)},
	{"units", false, calculate(calcUnits)},
	{"distribution", true, calculate(calcDistribution)},
	{"boom-height", true, checked(testbay.CheckBoomHeight)},
	{"pressure-drop", true, checked(testbay.CheckPressureDrop)},
	{"section-balance", true, checked(testbay.CheckSectionBalance)},
	{"section-closed", true, checked(testbay.CheckSectionClosed)},
	{"pump", true, checked(testbay.CheckPumpCapacity)},
	{"pulsation", true, checked(testbay.CheckPulsation)},
	{"air-chamber", true, checked(testbay.CheckAirChamber)},
	{"flow-meter", true, checked(testbay.CheckFlowMeter)},
	{"sensor", true, checked(testbay.CheckSpeedSensor)},
	{"rinse-tank", true, checked(testbay.CheckRinseTank)},
	{"residual", true, checked(testbay.CheckResidual)},
}
