package testbay

import (
	"fmt"
	"math"
)

const mostReadings = 200

// PumpCapacity is a pump test at the working pressure and nominal shaft speed.
// FeedsLargest answers the alternative of the standard: the pump feeds the
// largest nozzles at their highest pressure with visible agitation.
type PumpCapacity struct {
	MeasuredLMin float64 `json:"measured_l_min"`
	NominalLMin  float64 `json:"nominal_l_min"`
	FeedsLargest *bool   `json:"feeds_largest_with_agitation,omitempty"`
}

// CheckPumpCapacity: at least the rule set's share of nominal flow, or the
// alternative. The measured share is shown either way.
func CheckPumpCapacity(rs RuleSet, in PumpCapacity) ([]Verdict, error) {
	b, ls, err := setUp(rs, PointPumpCapacity, LimitPumpCapacity)
	if err := everyError(err, spanFlow.field("measured_l_min", in.MeasuredLMin), spanFlow.field("nominal_l_min", in.NominalLMin)); err != nil {
		return nil, err
	}
	b.least("of nominal pump flow", 0, in.MeasuredLMin/in.NominalLMin*100, ls[0])
	if v := &b.vs[0]; !v.Pass && in.FeedsLargest != nil && *in.FeedsLargest {
		v.Pass, v.StopsRig = true, false
		v.What += "; passes by the alternative: feeds the largest nozzles at their highest pressure with visible agitation"
	}
	return b.vs, nil
}

// Pulsation is the range the pressure swings through at the working pressure.
type Pulsation struct {
	WorkingBar float64 `json:"working_bar"`
	LowestBar  float64 `json:"lowest_bar"`
	HighestBar float64 `json:"highest_bar"`
}

// CheckPulsation judges the swing below and above the working pressure.
func CheckPulsation(rs RuleSet, in Pulsation) ([]Verdict, error) {
	b, ls, err := setUp(rs, PointPulsation, LimitPulsation)
	if err := everyError(err, spanBar.field("working_bar", in.WorkingBar), spanBar.field("lowest_bar", in.LowestBar), spanBar.field("highest_bar", in.HighestBar)); err != nil {
		return nil, err
	}
	if in.LowestBar > in.HighestBar {
		return nil, refuse("lowest_bar", "%s bar is above highest_bar, %s bar", number(in.LowestBar), number(in.HighestBar))
	}
	b.most("lowest pressure from working pressure", 0, percentOff(in.LowestBar, in.WorkingBar), ls[0])
	b.most("highest pressure from working pressure", 0, percentOff(in.HighestBar, in.WorkingBar), ls[0])
	return b.vs, nil
}

// AirChamber is the pre-charge measured with the liquid side relieved.
type AirChamber struct {
	WorkingBar float64  `json:"working_bar"`
	ChargeBar  float64  `json:"charge_bar"`
	MakerBar   *float64 `json:"maker_bar,omitempty"`
}

// CheckAirChamber holds the charge against the maker's pressure, or, when that
// is not known, between the rule set's shares of the working pressure.
func CheckAirChamber(rs RuleSet, in AirChamber) ([]Verdict, error) {
	b, ls, err := setUp(rs, PointAirChamber, LimitAirChamberMaker, LimitAirChamberLow, LimitAirChamberHigh)
	if err := everyError(err, spanBar.field("working_bar", in.WorkingBar), spanBar.field("charge_bar", in.ChargeBar), spanBar.optional("maker_bar", in.MakerBar)); err != nil {
		return nil, err
	}
	if in.MakerBar != nil {
		b.most("charge from the maker's pressure", 0, percentOff(in.ChargeBar, *in.MakerBar), ls[0])
		return b.vs, nil
	}
	share := in.ChargeBar / in.WorkingBar * 100
	b.least("charge of working pressure", 0, share, ls[1])
	b.most("charge of working pressure", 0, share, ls[2])
	return b.vs, nil
}

// GaugeBuild describes a pressure gauge. A digital gauge has no face to measure.
type GaugeBuild struct {
	WorkingBar    float64  `json:"working_bar"`
	GraduationBar float64  `json:"graduation_bar"` // or the step of a digital display
	FaceMM        *float64 `json:"face_mm,omitempty"`
	Digital       bool     `json:"digital,omitempty"`
}

// CheckGaugeBuild judges face and graduation for the working pressure.
func CheckGaugeBuild(rs RuleSet, in GaugeBuild) ([]Verdict, error) {
	b, ls, err := setUp(rs, PointGaugeBuild, LimitGaugeFace, LimitGaugeLowBelow, LimitGaugeMidUpTo, LimitGraduationLow, LimitGraduationMid, LimitGraduationHigh)
	if err := everyError(err, spanBar.field("working_bar", in.WorkingBar), spanBar.field("graduation_bar", in.GraduationBar), spanMM.optional("face_mm", in.FaceMM)); err != nil {
		return nil, err
	}
	switch {
	case in.Digital && in.FaceMM != nil:
		return nil, refuse("face_mm", "a digital gauge has no face to measure")
	case !in.Digital && in.FaceMM == nil:
		return nil, refuse("face_mm", "is missing")
	case in.FaceMM != nil:
		b.least("face diameter", 0, *in.FaceMM, ls[0])
	}
	graduation := ls[5]
	switch {
	case in.WorkingBar < ls[1].Value:
		graduation = ls[3]
	case in.WorkingBar <= ls[2].Value:
		graduation = ls[4]
	}
	b.most("graduation at this working pressure", 0, in.GraduationBar, graduation)
	return b.vs, nil
}

// GaugeReading is one step of a gauge test: the master shows the true pressure.
type GaugeReading struct {
	MasterBar float64 `json:"master_bar"`
	GaugeBar  float64 `json:"gauge_bar" must:"be"` // nought is a reading, nothing is none
}

// GaugeError is a gauge test, rising and falling.
type GaugeError struct {
	Readings []GaugeReading `json:"readings"`
}

// CheckGaugeError judges each step: absolute error up to the rule set's
// pressure, percent of the true pressure above it.
func CheckGaugeError(rs RuleSet, in GaugeError) ([]Verdict, error) {
	b, ls, err := setUp(rs, PointGaugeError, LimitGaugeErrorBar, LimitGaugeErrorUpTo, LimitGaugeErrorPercent)
	if err != nil {
		return nil, err
	}
	if n := len(in.Readings); n == 0 || n > mostReadings {
		return nil, refuse("readings", "has %d steps, needs 1 to %d", n, mostReadings)
	}
	for i, r := range in.Readings {
		at := fmt.Sprintf("readings[%d].", i)
		if err := everyError(spanBar.field(at+"master_bar", r.MasterBar), (span{unit: "bar", most: 100, zero: true}).field(at+"gauge_bar", r.GaugeBar)); err != nil {
			return nil, err
		}
		if r.MasterBar <= ls[1].Value {
			b.most("gauge error", i+1, r.GaugeBar-r.MasterBar, ls[0])
		} else {
			b.most("gauge error of true pressure", i+1, percentOff(r.GaugeBar, r.MasterBar), ls[2])
		}
	}
	return b.vs, nil
}

// RecoverySample is the pressure some seconds after switching on again.
type RecoverySample struct {
	Seconds float64 `json:"seconds" must:"be"`
	Bar     float64 `json:"bar" must:"be"`
}

// Recovery follows the pressure after all sections were switched off and on.
type Recovery struct {
	WorkingBar float64          `json:"working_bar"`
	Samples    []RecoverySample `json:"samples"`
}

// CheckRecovery finds the first sample from which the pressure stays inside the
// rule set's band around the working pressure and holds its time against the
// limit. The series must reach past the time limit unless it has settled
// before; where it never settles, the last deviation is the failed reading.
func CheckRecovery(rs RuleSet, in Recovery) ([]Verdict, error) {
	b, ls, err := setUp(rs, PointRecovery, LimitRecoveryPercent, LimitRecoverySeconds)
	if err := everyError(err, spanBar.field("working_bar", in.WorkingBar)); err != nil {
		return nil, err
	}
	if n := len(in.Samples); n == 0 || n > 10*mostReadings {
		return nil, refuse("samples", "has %d samples, needs 1 to %d", n, 10*mostReadings)
	}
	settled := -1
	for i, s := range in.Samples {
		at := fmt.Sprintf("samples[%d].", i)
		if err := everyError(spanWait.field(at+"seconds", s.Seconds), (span{unit: "bar", most: 100, zero: true}).field(at+"bar", s.Bar)); err != nil {
			return nil, err
		}
		if i > 0 && s.Seconds <= in.Samples[i-1].Seconds {
			return nil, refuse(at+"seconds", "is not after the sample before it")
		}
		switch inside := atMost(math.Abs(percentOff(s.Bar, in.WorkingBar)), ls[0].Value); {
		case !inside:
			settled = -1
		case settled < 0:
			settled = i
		}
	}
	if settled >= 0 {
		b.most("time until the pressure is back to stay", 0, in.Samples[settled].Seconds, ls[1])
		return b.vs, nil
	}
	last := in.Samples[len(in.Samples)-1]
	if !atLeast(last.Seconds, ls[1].Value) {
		return nil, refuse("samples", "end after %s s, before the pressure settled and before the limit of %s s", number(last.Seconds), number(ls[1].Value))
	}
	b.most("pressure still off at the last sample", 0, percentOff(last.Bar, in.WorkingBar), ls[0])
	return b.vs, nil
}

// SectionClosed is the working pressure seen while each section in turn is closed.
type SectionClosed struct {
	WorkingBar float64   `json:"working_bar"`
	ClosedBar  []float64 `json:"closed_bar"`
}

// CheckSectionClosed judges the change for every closed section.
func CheckSectionClosed(rs RuleSet, in SectionClosed) ([]Verdict, error) {
	return checkAgainst(rs, PointSectionClosed, LimitSectionClosed, "working_bar", in.WorkingBar, "closed_bar", in.ClosedBar, "pressure change with this section closed")
}

// PressureDrop compares the gauge point with the end of each section.
type PressureDrop struct {
	GaugePointBar float64   `json:"gauge_point_bar"`
	SectionEndBar []float64 `json:"section_end_bar"`
}

// CheckPressureDrop judges each section end. A rise counts by its size too: an
// end above the gauge point means that one of the two gauges is wrong.
func CheckPressureDrop(rs RuleSet, in PressureDrop) ([]Verdict, error) {
	return checkAgainst(rs, PointPressureDrop, LimitPressureDrop, "gauge_point_bar", in.GaugePointBar, "section_end_bar", in.SectionEndBar, "section end from the gauge point")
}

func checkAgainst(rs RuleSet, point, limit, baseField string, base float64, field string, xs []float64, what string) ([]Verdict, error) {
	b, ls, err := setUp(rs, point, limit)
	if err := everyError(err, spanBar.field(baseField, base), spanBar.list(field, xs, 1, mostReadings)); err != nil {
		return nil, err
	}
	for i, x := range xs {
		b.most(what, i+1, percentOff(x, base), ls[0])
	}
	return b.vs, nil
}

// SectionBalance is the pressure at the inlet of every section at once.
type SectionBalance struct {
	InletBar []float64 `json:"inlet_bar"`
}

// CheckSectionBalance judges each inlet against the mean of the inlets.
func CheckSectionBalance(rs RuleSet, in SectionBalance) ([]Verdict, error) {
	b, ls, err := setUp(rs, PointSectionBalance, LimitSectionBalance)
	if err := everyError(err, spanBar.list("inlet_bar", in.InletBar, 2, mostReadings)); err != nil {
		return nil, err
	}
	mean := spreadOf(in.InletBar).mean
	for i, x := range in.InletBar {
		b.most("section inlet from the mean", i+1, percentOff(x, mean), ls[0])
	}
	return b.vs, nil
}
