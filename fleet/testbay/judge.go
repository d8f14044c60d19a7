package testbay

import (
	"errors"
	"fmt"
	"maps"
	"slices"
)

// Look is what an inspector says about a looked-at point.
type Look string

// The answers to a looked-at point. NotFitted is also an answer to a measured one.
const (
	LookPass      Look = "pass"
	LookFail      Look = "fail"
	LookAdvisory  Look = "advisory"
	LookNotFitted Look = "not_fitted"
)

// Seen is a looked-at answer with the inspector's words.
type Seen struct {
	Result Look   `json:"result"`
	Note   string `json:"note,omitempty"`
}

// Readings holds the measured points of a sheet; nil where not measured.
type Readings struct {
	PumpCapacity   *PumpCapacity     `json:"pump_capacity,omitempty"`
	Pulsation      *Pulsation        `json:"pulsation,omitempty"`
	AirChamber     *AirChamber       `json:"air_chamber,omitempty"`
	GaugeBuild     *GaugeBuild       `json:"gauge_build,omitempty"`
	GaugeError     *GaugeError       `json:"gauge_error,omitempty"`
	FlowMeter      *FlowMeterCheck   `json:"flow_meter,omitempty"`
	SpeedSensor    *SpeedSensorCheck `json:"speed_sensor,omitempty"`
	Recovery       *Recovery         `json:"pressure_recovery,omitempty"`
	SectionClosed  *SectionClosed    `json:"section_closed,omitempty"`
	PressureDrop   *PressureDrop     `json:"pressure_drop,omitempty"`
	SectionBalance *SectionBalance   `json:"section_balance,omitempty"`
	NozzleSpacing  *NozzleSpacing    `json:"nozzle_spacing,omitempty"`
	NozzleUpright  *NozzleUpright    `json:"nozzle_upright,omitempty"`
	BoomHeight     *BoomHeight       `json:"boom_height,omitempty"`
	Drip           *Drip             `json:"drip,omitempty"`
	NozzleFlow     *CatchTest        `json:"nozzle_flow,omitempty"`
	Distribution   *Distribution     `json:"transverse_distribution,omitempty"`
	AppliedRate    *AppliedRate      `json:"applied_rate,omitempty"`
	RateHeld       *RateHeld         `json:"rate_held,omitempty"`
	RinseTank      *RinseTank        `json:"rinse_tank,omitempty"`
	HandWash       *HandWash         `json:"hand_wash,omitempty"`
	TankSize       *TankSize         `json:"tank_size,omitempty"`
	Residual       *Residual         `json:"residual,omitempty"`
	SectionWidth   *SectionWidth     `json:"section_width,omitempty"`
}

// Sheet is a filled inspection sheet. Looked answers looked-at points, and says
// "not_fitted" for measured ones; Measured holds the readings.
type Sheet struct {
	Looked   map[string]Seen `json:"looked"`
	Measured Readings        `json:"measured"`
}

// Outcome is the result of a point or of a sheet.
type Outcome string

// Outcomes. NotDone and NotNeeded occur on points only.
const (
	Pass               Outcome = "pass"
	PassWithAdvisories Outcome = "pass_with_advisories"
	Fail               Outcome = "fail"
	Incomplete         Outcome = "incomplete"
	NotFitted          Outcome = "not_fitted"
	NotDone            Outcome = "not_done"
	NotNeeded          Outcome = "not_needed" // optional, or an alternative was done
)

// PointResult is one judged point.
type PointResult struct {
	Point
	Outcome  Outcome   `json:"outcome"`
	Why      string    `json:"why,omitempty"`
	Verdicts []Verdict `json:"verdicts,omitempty"`
	Worst    *Verdict  `json:"worst,omitempty"` // least margin of Verdicts
}

// SheetResult is a judged sheet.
type SheetResult struct {
	RuleSet    string        `json:"ruleset"`
	Outcome    Outcome       `json:"outcome"` // pass, pass_with_advisories, fail or incomplete
	Points     []PointResult `json:"points"`  // in the order of the form
	Failed     []string      `json:"failed,omitempty"`
	StopsRig   []string      `json:"stops_rig,omitempty"` // failed points for which the rig must not spray
	Advisories []string      `json:"advisories,omitempty"`
	Open       []string      `json:"open,omitempty"` // points still to be done
	Notice     string        `json:"notice"`
}

// Judge judges a filled sheet under a rule set. Any failed point fails the
// sheet; a sheet without failures but with open points is incomplete, never a
// pass. Of points that are alternatives of each other (one_of) one passing is
// enough: a failed alternative is then an advisory, an undone one not needed.
func Judge(sheet Sheet, rs RuleSet) (SheetResult, error) {
	if len(rs.Points) == 0 {
		return SheetResult{}, refuse("ruleset", "%q holds no points", rs.ID)
	}
	for _, id := range slices.Sorted(maps.Keys(sheet.Looked)) {
		if _, ok := rs.Point(id); !ok {
			return SheetResult{}, refuse("looked."+id, "is not a point of rule set %s", rs.ID)
		}
	}
	r := SheetResult{RuleSet: rs.ID, Notice: Notice}
	for _, heading := range rs.Form() {
		for _, p := range heading.Points {
			pr, err := judgePoint(p, sheet, rs)
			if err != nil {
				return SheetResult{}, err
			}
			r.Points = append(r.Points, pr)
		}
	}
	settleAlternatives(r.Points)
	for _, p := range r.Points {
		switch p.Outcome {
		case Fail:
			r.Failed = append(r.Failed, p.ID)
			if p.StopsRig {
				r.StopsRig = append(r.StopsRig, p.ID)
			}
		case PassWithAdvisories:
			r.Advisories = append(r.Advisories, p.ID)
		case NotDone, Incomplete:
			r.Open = append(r.Open, p.ID)
		}
	}
	switch {
	case len(r.Failed) > 0:
		r.Outcome = Fail
	case len(r.Open) > 0:
		r.Outcome = Incomplete
	case len(r.Advisories) > 0:
		r.Outcome = PassWithAdvisories
	default:
		r.Outcome = Pass
	}
	return r, nil
}

func judgePoint(p Point, sheet Sheet, rs RuleSet) (PointResult, error) {
	pr := PointResult{Point: p}
	seen, looked := sheet.Looked[p.ID]
	if p.Kind == LookedAt {
		return pr.look(seen, looked)
	}
	m, err := measure(p.ID, sheet.Measured, rs)
	if err != nil {
		var in *InputError
		if errors.As(err, &in) && in.Field != "ruleset" {
			return PointResult{}, &InputError{"measured." + p.ID + "." + in.Field, in.Reason}
		}
		return PointResult{}, err
	}
	if looked {
		if seen.Result != LookNotFitted {
			return PointResult{}, refuse("looked."+p.ID, "%q is no answer to a measured point: give readings, or %q", seen.Result, LookNotFitted)
		}
		if m.done {
			return PointResult{}, refuse("looked."+p.ID, "is not fitted and yet has readings")
		}
		return pr.look(seen, looked)
	}
	if !m.done {
		pr.Outcome = NotDone
		if p.Optional {
			pr.Outcome = NotNeeded
		}
		return pr, nil
	}
	pr.Outcome, pr.Why, pr.Verdicts = m.outcome, m.why, m.verdicts
	if w, ok := Worst(m.verdicts); ok {
		pr.Worst = &w
	}
	return pr, nil
}

// look turns an inspector's answer into an outcome.
func (pr PointResult) look(seen Seen, answered bool) (PointResult, error) {
	pr.Why = seen.Note
	switch {
	case !answered && pr.Optional:
		pr.Outcome = NotNeeded
	case !answered:
		pr.Outcome = NotDone
	case seen.Result == LookPass:
		pr.Outcome = Pass
	case seen.Result == LookFail:
		pr.Outcome = Fail
	case seen.Result == LookAdvisory:
		pr.Outcome = PassWithAdvisories
	case seen.Result == LookNotFitted && pr.MayBeAbsent:
		pr.Outcome = NotFitted
	case seen.Result == LookNotFitted:
		pr.Outcome = Fail
		pr.Why = "must be fitted"
	default:
		return PointResult{}, refuse("looked."+pr.ID, "%q is not pass, fail, advisory or not_fitted", seen.Result)
	}
	return pr, nil
}

// settleAlternatives applies one_of groups to judged points in place.
func settleAlternatives(points []PointResult) {
	passed, done := map[string]bool{}, map[string]bool{}
	for _, p := range points {
		if p.OneOf == "" {
			continue
		}
		passed[p.OneOf] = passed[p.OneOf] || p.Outcome == Pass || p.Outcome == PassWithAdvisories
		done[p.OneOf] = done[p.OneOf] || p.Outcome != NotDone
	}
	for i := range points {
		p := &points[i]
		switch {
		case p.OneOf == "":
		case p.Outcome == NotDone && done[p.OneOf]:
			p.Outcome = NotNeeded
		case (p.Outcome == Fail || p.Outcome == Incomplete) && passed[p.OneOf]:
			p.Outcome = PassWithAdvisories
			p.Why = fmt.Sprintf("out of limits or incomplete, but the alternative in %q passed", p.OneOf)
		}
	}
}

// measurement is a judged reading, or nothing where none was taken.
type measurement struct {
	done     bool
	verdicts []Verdict
	outcome  Outcome
	why      string
}

func measure(id string, in Readings, rs RuleSet) (measurement, error) {
	switch id {
	case PointPumpCapacity:
		return run(rs, in.PumpCapacity, CheckPumpCapacity)
	case PointPulsation:
		return run(rs, in.Pulsation, CheckPulsation)
	case PointAirChamber:
		return run(rs, in.AirChamber, CheckAirChamber)
	case PointGaugeBuild:
		return run(rs, in.GaugeBuild, CheckGaugeBuild)
	case PointGaugeError:
		return run(rs, in.GaugeError, CheckGaugeError)
	case PointFlowMeter:
		return run(rs, in.FlowMeter, CheckFlowMeter)
	case PointSpeedSensor:
		return run(rs, in.SpeedSensor, CheckSpeedSensor)
	case PointRecovery:
		return run(rs, in.Recovery, CheckRecovery)
	case PointSectionClosed:
		return run(rs, in.SectionClosed, CheckSectionClosed)
	case PointPressureDrop:
		return run(rs, in.PressureDrop, CheckPressureDrop)
	case PointSectionBalance:
		return run(rs, in.SectionBalance, CheckSectionBalance)
	case PointNozzleSpacing:
		return run(rs, in.NozzleSpacing, CheckNozzleSpacing)
	case PointNozzleUpright:
		return run(rs, in.NozzleUpright, CheckNozzleUpright)
	case PointBoomHeight:
		return run(rs, in.BoomHeight, CheckBoomHeight)
	case PointDrip:
		return run(rs, in.Drip, CheckDrip)
	case PointAppliedRate:
		return run(rs, in.AppliedRate, CheckAppliedRate)
	case PointRateHeld:
		return run(rs, in.RateHeld, CheckRateHeld)
	case PointRinseTank:
		return run(rs, in.RinseTank, CheckRinseTank)
	case PointHandWash:
		return run(rs, in.HandWash, CheckHandWash)
	case PointTankSize:
		return run(rs, in.TankSize, CheckTankSize)
	case PointResidual:
		return run(rs, in.Residual, CheckResidual)
	case PointSectionWidth:
		return run(rs, in.SectionWidth, CheckSectionWidth)
	case PointDistribution:
		return run(rs, in.Distribution, func(rs RuleSet, d Distribution) ([]Verdict, error) {
			r, err := JudgeDistribution(rs, d)
			return r.Verdicts, err
		})
	case PointNozzleFlow:
		return measureCatch(rs, in.NozzleFlow)
	}
	return measurement{}, refuse("ruleset", "%q has a measured point %q nobody can judge", rs.ID, id)
}

func run[T any](rs RuleSet, in *T, check func(RuleSet, T) ([]Verdict, error)) (measurement, error) {
	if in == nil {
		return measurement{}, nil
	}
	vs, err := check(rs, *in)
	if err != nil {
		return measurement{}, err
	}
	m := measurement{done: true, verdicts: vs, outcome: Pass}
	if !Passed(vs) {
		m.outcome = Fail
	}
	return m, nil
}

func measureCatch(rs RuleSet, in *CatchTest) (measurement, error) {
	if in == nil {
		return measurement{}, nil
	}
	r, err := JudgeCatch(rs, *in)
	if err != nil {
		return measurement{}, err
	}
	m := measurement{done: true, verdicts: r.Verdicts(), outcome: r.Outcome, why: r.ChangeSetWhy}
	if len(r.Missing) > 0 && r.Outcome == Incomplete {
		m.why = fmt.Sprintf("not every nozzle was measured: positions %v are open", r.Missing)
	}
	return m, nil
}
