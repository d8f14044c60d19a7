package testbay

import "math"

// FlowAtPressure gives the flow of a nozzle (l/min) at pressure toBar, from its
// flow lMin at atBar: q2 = q1·√(p2/p1) (orifice law, as in ISO 5682-1 practice).
func FlowAtPressure(lMin, atBar, toBar float64) (float64, error) {
	if err := everyError(spanNozzle.field("l_min", lMin), spanBar.field("bar", atBar), spanBar.field("at_bar", toBar)); err != nil {
		return 0, err
	}
	return spanNozzle.solved("at_l_min", lMin*math.Sqrt(toBar/atBar))
}

// PressureForFlow gives the pressure (bar) at which the nozzle flows toLMin:
// p2 = p1·(q2/q1)².
func PressureForFlow(lMin, atBar, toLMin float64) (float64, error) {
	if err := everyError(spanNozzle.field("l_min", lMin), spanBar.field("bar", atBar), spanNozzle.field("at_l_min", toLMin)); err != nil {
		return 0, err
	}
	ratio := toLMin / lMin
	return spanBar.solved("at_bar", atBar*ratio*ratio)
}

// GravityFactor is √SG: the number by which a wanted rate or flow of a liquid
// of specific gravity sg is multiplied to read a chart made with water.
// Source: University of Nebraska CropWatch, "Setting the Sprayer Flow Rate for
// Non-Water Solutions" (2016).
func GravityFactor(sg float64) (float64, error) {
	if err := spanGravity.field("specific_gravity", sg); err != nil {
		return 0, err
	}
	if sg < 0.5 {
		return 0, refuse("specific_gravity", "%s is absurd for a spray liquid (at least 0.5)", number(sg))
	}
	return math.Sqrt(sg), nil
}

// FlowOfLiquid gives the flow (l/min) of a liquid of specific gravity sg through
// a nozzle that flows waterLMin of water at the same pressure: q = q_water/√SG.
func FlowOfLiquid(waterLMin, sg float64) (float64, error) {
	factor, err := GravityFactor(sg)
	if err := everyError(spanFlow.field("l_min", waterLMin), err); err != nil {
		return 0, err
	}
	return waterLMin / factor, nil
}

// WaterFor gives the flow of water (l/min) that stands for liquidLMin of a
// liquid of specific gravity sg: q_water = q·√SG.
func WaterFor(liquidLMin, sg float64) (float64, error) {
	factor, err := GravityFactor(sg)
	if err := everyError(spanFlow.field("l_min", liquidLMin), err); err != nil {
		return 0, err
	}
	return spanFlow.solved("water_l_min", liquidLMin*factor)
}

// WaterLbPerGallon is the weight of a US gallon of water used by the US
// extension tables of conversion factors (Nebraska, Georgia: 8.34).
const WaterLbPerGallon = 8.34

// SpecificGravityOfPounds gives the specific gravity of a liquid that weighs
// lbPerGal pounds per US gallon.
func SpecificGravityOfPounds(lbPerGal float64) (float64, error) {
	if err := spanLbGal.field("lb_gal", lbPerGal); err != nil {
		return 0, err
	}
	return lbPerGal / WaterLbPerGallon, nil
}

// SpeedOverCourse gives the speed (km/h) over a course of metres in seconds:
// v = 3.6·d/t.
func SpeedOverCourse(metres, seconds float64) (float64, error) {
	if err := everyError(spanCourse.field("course_m", metres), spanSeconds.field("seconds", seconds)); err != nil {
		return 0, err
	}
	return spanKmH.solved("km_h", 3.6*metres/seconds)
}

// FieldCapacity gives hectares per hour at kmh over widthM metres with field
// efficiency 0 < e ≤ 1: ha/h = v·w·e/10. Source: ASABE EP496.3.
func FieldCapacity(kmh, widthM, efficiency float64) (float64, error) {
	if err := everyError(spanKmH.field("km_h", kmh), spanSwath.field("width_m", widthM), spanShare.field("efficiency", efficiency)); err != nil {
		return 0, err
	}
	return kmh * widthM * efficiency / 10, nil
}

// FieldCapacityUS gives acres per hour: ac/h = mph·ft·e/8.25 (43 560/5280).
// Source: ASABE EP496.3; Iowa State University, Ag Decision Maker A3-24.
func FieldCapacityUS(mph, widthFt, efficiency float64) (float64, error) {
	if err := everyError(spanMPH.field("mph", mph), (span{unit: "ft", most: 200}).field("width_ft", widthFt), spanShare.field("efficiency", efficiency)); err != nil {
		return 0, err
	}
	return mph * widthFt * efficiency / 8.25, nil
}

// SpeedWindow is the range of speeds at which one nozzle holds a rate.
type SpeedWindow struct {
	LowestKmH   float64 `json:"lowest_km_h"`
	HighestKmH  float64 `json:"highest_km_h"`
	LowestLMin  float64 `json:"lowest_l_min"`
	HighestLMin float64 `json:"highest_l_min"`
}

// SpeedRange gives the speeds at which a nozzle of flow lMin at atBar, spaced
// spacingM, holds lHa while the pressure stays between lowBar and highBar
// (the window the nozzle's maker gives for the wanted droplet size).
func SpeedRange(lHa, spacingM, lMin, atBar, lowBar, highBar float64) (SpeedWindow, error) {
	if err := everyError(spanLHa.field("l_ha", lHa), spanSwath.field("spacing_m", spacingM),
		spanBar.field("lowest_bar", lowBar), spanBar.field("highest_bar", highBar)); err != nil {
		return SpeedWindow{}, err
	}
	if lowBar > highBar {
		return SpeedWindow{}, refuse("lowest_bar", "%s bar is above highest_bar, %s bar", number(lowBar), number(highBar))
	}
	low, err := FlowAtPressure(lMin, atBar, lowBar)
	if err != nil {
		return SpeedWindow{}, err
	}
	high, err := FlowAtPressure(lMin, atBar, highBar)
	if err != nil {
		return SpeedWindow{}, err
	}
	w := SpeedWindow{LowestLMin: low, HighestLMin: high}
	if w.LowestKmH, err = spanKmH.solved("lowest_km_h", 600*low/(lHa*spacingM)); err != nil {
		return SpeedWindow{}, err
	}
	if w.HighestKmH, err = spanKmH.solved("highest_km_h", 600*high/(lHa*spacingM)); err != nil {
		return SpeedWindow{}, err
	}
	return w, nil
}
