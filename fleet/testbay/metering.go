package testbay

import "math"

// FlowMeterCheck compares the display with a measured reference flow.
type FlowMeterCheck struct {
	IndicatedLMin float64 `json:"indicated_l_min"`
	ReferenceLMin float64 `json:"reference_l_min"`
}

// CheckFlowMeter judges the display against the reference.
func CheckFlowMeter(rs RuleSet, in FlowMeterCheck) ([]Verdict, error) {
	return checkIndicated(rs, PointFlowMeter, LimitFlowMeter, spanFlow, "l_min", in.IndicatedLMin, in.ReferenceLMin, "flow meter from reference")
}

// SpeedSensorCheck compares the display with the speed over a measured course
// ([SpeedOverCourse]).
type SpeedSensorCheck struct {
	IndicatedKmH float64 `json:"indicated_km_h"`
	ReferenceKmH float64 `json:"reference_km_h"`
}

// CheckSpeedSensor judges the display against the reference.
func CheckSpeedSensor(rs RuleSet, in SpeedSensorCheck) ([]Verdict, error) {
	return checkIndicated(rs, PointSpeedSensor, LimitSpeedSensor, spanKmH, "km_h", in.IndicatedKmH, in.ReferenceKmH, "speed sensor from reference")
}

func checkIndicated(rs RuleSet, point, limit string, s span, unit string, indicated, reference float64, what string) ([]Verdict, error) {
	b, ls, err := setUp(rs, point, limit)
	if err := everyError(err, s.field("indicated_"+unit, indicated), s.field("reference_"+unit, reference)); err != nil {
		return nil, err
	}
	b.most(what, 0, percentOff(indicated, reference), ls[0])
	return b.vs, nil
}

// AppliedRate compares what was applied with what was wanted.
type AppliedRate struct {
	TargetLHa  float64 `json:"target_l_ha"`
	AppliedLHa float64 `json:"applied_l_ha"`
}

// CheckAppliedRate judges the applied rate against the target.
func CheckAppliedRate(rs RuleSet, in AppliedRate) ([]Verdict, error) {
	b, ls, err := setUp(rs, PointAppliedRate, LimitAppliedRate)
	if err := everyError(err, spanLHa.field("target_l_ha", in.TargetLHa), spanLHa.field("applied_l_ha", in.AppliedLHa)); err != nil {
		return nil, err
	}
	b.most("applied rate from target", 0, percentOff(in.AppliedLHa, in.TargetLHa), ls[0])
	return b.vs, nil
}

// RateHeld is the rate before and after a change of speed with the regulation on.
type RateHeld struct {
	BeforeKmH float64 `json:"before_km_h"`
	AfterKmH  float64 `json:"after_km_h"`
	BeforeLHa float64 `json:"before_l_ha"`
	AfterLHa  float64 `json:"after_l_ha"`
}

// CheckRateHeld judges the rate after the change against the rate before it, with
// the limit of the applied rate. A speed change beyond what the rule set asks a
// regulation to follow is refused: such a test proves nothing either way.
func CheckRateHeld(rs RuleSet, in RateHeld) ([]Verdict, error) {
	b, ls, err := setUp(rs, PointRateHeld, LimitAppliedRate, LimitRateHeldOverChange)
	if err := everyError(err, spanKmH.field("before_km_h", in.BeforeKmH), spanKmH.field("after_km_h", in.AfterKmH),
		spanLHa.field("before_l_ha", in.BeforeLHa), spanLHa.field("after_l_ha", in.AfterLHa)); err != nil {
		return nil, err
	}
	if change := percentOff(in.AfterKmH, in.BeforeKmH); !atMost(math.Abs(change), ls[1].Value) {
		return nil, refuse("after_km_h", "changes the speed by %s %%, more than the %s %% a regulation is asked to follow", number(change), number(ls[1].Value))
	}
	b.most("rate after the speed change", 0, percentOff(in.AfterLHa, in.BeforeLHa), ls[0])
	return b.vs, nil
}
