package testbay

// Rate links four quantities; exactly one of them is unknown (nil, JSON null or
// absent): l/ha = 600·q/(v·w). LMin and SpacingM are per nozzle, or both for the
// whole boom (total flow and working width).
type Rate struct {
	LHa      *float64 `json:"l_ha"`
	LMin     *float64 `json:"l_min"`
	KmH      *float64 `json:"km_h"`
	SpacingM *float64 `json:"spacing_m"`
}

// SolvedRate holds all four and says which one was worked out.
type SolvedRate struct {
	LHa      float64 `json:"l_ha"`
	LMin     float64 `json:"l_min"`
	KmH      float64 `json:"km_h"`
	SpacingM float64 `json:"spacing_m"`
	Solved   string  `json:"solved"` // JSON name of the unknown
}

// SolveRate works out the one unknown of r. Formula: common to all calibration
// sheets; 600 = 10 000 m²/ha · 60 min/h / 1000 m/km.
func SolveRate(r Rate) (SolvedRate, error) {
	missing := 0
	for _, x := range []*float64{r.LHa, r.LMin, r.KmH, r.SpacingM} {
		if x == nil {
			missing++
		}
	}
	if missing != 1 {
		return SolvedRate{}, refuse("l_ha", "or l_min, km_h or spacing_m: leave exactly one of the four open, not %d", missing)
	}
	if err := everyError(spanLHa.optional("l_ha", r.LHa), spanFlow.optional("l_min", r.LMin),
		spanKmH.optional("km_h", r.KmH), spanSwath.optional("spacing_m", r.SpacingM)); err != nil {
		return SolvedRate{}, err
	}
	known := func(x *float64) float64 {
		if x == nil {
			return 0
		}
		return *x
	}
	s := SolvedRate{LHa: known(r.LHa), LMin: known(r.LMin), KmH: known(r.KmH), SpacingM: known(r.SpacingM)}
	var err error
	switch {
	case r.LHa == nil:
		s.Solved = "l_ha"
		s.LHa, err = spanLHa.solved(s.Solved, 600*s.LMin/(s.KmH*s.SpacingM))
	case r.LMin == nil:
		s.Solved = "l_min"
		s.LMin, err = spanFlow.solved(s.Solved, s.LHa*s.KmH*s.SpacingM/600)
	case r.KmH == nil:
		s.Solved = "km_h"
		s.KmH, err = spanKmH.solved(s.Solved, 600*s.LMin/(s.LHa*s.SpacingM))
	default:
		s.Solved = "spacing_m"
		s.SpacingM, err = spanSwath.solved(s.Solved, 600*s.LMin/(s.LHa*s.KmH))
	}
	if err != nil {
		return SolvedRate{}, err
	}
	return s, nil
}

// RateOfTestRun gives l/ha from litres used over a course of lengthM at a
// working width of widthM: 10 000·V/(d·w).
func RateOfTestRun(litres, lengthM, widthM float64) (float64, error) {
	if err := everyError(spanTank.field("litres", litres), spanCourse.field("course_m", lengthM), spanSwath.field("width_m", widthM)); err != nil {
		return 0, err
	}
	return spanLHa.solved("l_ha", squareMetresHa*litres/(lengthM*widthM))
}

// RateUS gives US gallons per acre: GPA = 5940·GPM/(mph·in), where
// 5940 = 43 560·12/88 exactly. Inches are the nozzle spacing, or the swath of
// one nozzle or cluster.
func RateUS(gpm, mph, inches float64) (float64, error) {
	if err := everyError(spanGPM.field("gpm", gpm), spanMPH.field("mph", mph), spanInch.field("spacing_in", inches)); err != nil {
		return 0, err
	}
	return spanGPA.solved("gpa", 5940*gpm/(mph*inches))
}

// FlowForRateUS gives the flow in US gallons per minute for a rate:
// GPM = GPA·mph·in/5940.
func FlowForRateUS(gpa, mph, inches float64) (float64, error) {
	if err := everyError(spanGPA.field("gpa", gpa), spanMPH.field("mph", mph), spanInch.field("spacing_in", inches)); err != nil {
		return 0, err
	}
	return spanGPM.solved("gpm", gpa*mph*inches/5940)
}

// SpeedUS gives miles per hour over a course: mph = ft·60/(s·88).
func SpeedUS(feet, seconds float64) (float64, error) {
	if err := everyError(spanFoot.field("course_ft", feet), spanSeconds.field("seconds", seconds)); err != nil {
		return 0, err
	}
	return spanMPH.solved("mph", feet*60/(seconds*feetPerMinuteMPH))
}

// RateOfAreaUS gives US gallons per acre from gallons used over a measured
// area of lengthFt by widthFt: GPA = 43 560·gal/(ft·ft).
func RateOfAreaUS(gallons, lengthFt, widthFt float64) (float64, error) {
	if err := everyError(spanGallon.field("gallons", gallons), spanFoot.field("course_ft", lengthFt), spanFoot.field("width_ft", widthFt)); err != nil {
		return 0, err
	}
	return spanGPA.solved("gpa", squareFeetPerAc*gallons/(lengthFt*widthFt))
}

// squareFeet128th is 1/128 acre in square feet: 340.3125. A gallon has 128
// ounces, so the ounces caught over that area are the gallons per acre.
const squareFeet128th = squareFeetPerAc / ouncesPerGallon

// CourseOf128th gives the length in feet of the 1/128-acre course for one
// nozzle: 340.3125·12/(spacing in inches).
// Source of the method: Ohio State University Extension, FABE-520, Bulletin 817.
func CourseOf128th(spacingIn float64) (float64, error) {
	if err := spanInch.field("spacing_in", spacingIn); err != nil {
		return 0, err
	}
	return spanFoot.solved("course_ft", squareFeet128th*12/spacingIn)
}

// CourseOf128thBoom gives the length in feet of the 1/128-acre course for a
// whole boom of widthFt feet: 340.3125/width.
func CourseOf128thBoom(widthFt float64) (float64, error) {
	if err := spanFoot.field("width_ft", widthFt); err != nil {
		return 0, err
	}
	return spanFoot.solved("course_ft", squareFeet128th/widthFt)
}

// RateOf128th gives US gallons per acre from the ounces caught from one nozzle
// during the time the course of [CourseOf128th] takes: they are equal.
func RateOf128th(ounces float64) (float64, error) {
	if err := (span{unit: "fl oz", most: spanGPA.most}).field("ounces", ounces); err != nil {
		return 0, err
	}
	return ounces, nil
}

// ExtraProductCost gives the money lost by over-application: cost per hectare
// in minor units (cents) × percent over × hectares, rounded to the minor unit.
// The same arithmetic holds per acre when both are per acre.
func ExtraProductCost(minorPerHa int64, percentOver, hectares float64) (int64, error) {
	if minorPerHa < 0 || minorPerHa > 1e9 {
		return 0, refuse("product_cost_per_ha", "%d minor units is out of range", minorPerHa)
	}
	if err := everyError(spanPercent.field("percent_over", percentOver), spanArea.field("hectares", hectares)); err != nil {
		return 0, err
	}
	return roundMinor(float64(minorPerHa) * percentOver / 100 * hectares), nil
}
