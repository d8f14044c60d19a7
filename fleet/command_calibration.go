package fleet

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"github.com/oklog/ulid/v2"

	"rigledger/events"
	"rigledger/fleet/plan"
	"rigledger/fleet/testbay"
)

// MakeCalibration judges and keeps a calibration with clean water: what every
// nozzle flowed at Bar, and the rate that follows at the speed. The nominal flow
// is given, or follows from the nozzle's size (ISO 10625) at that pressure; without
// either the set is judged against its own mean. The speed is given, or follows
// from a measured course. RuleSet "" is that of the field rules. Make it with
// NewCalibrationID.
type MakeCalibration struct {
	ID          string                    `json:"-"`
	Rig         string                    `json:"rig"`
	Part        string                    `json:"part,omitempty"` // the nozzle set; absent: the one fitted
	Nozzle      string                    `json:"nozzle,omitempty"`
	Tester      string                    `json:"tester"`
	At          *time.Time                `json:"at,omitempty"`
	RuleSet     string                    `json:"ruleset,omitempty"`
	Edition     string                    `json:"edition,omitempty"`
	Bar         float64                   `json:"bar"`
	NominalLMin *float64                  `json:"nominal_l_min,omitempty"`
	FlowsLMin   []*float64                `json:"flows_l_min"`
	KmH         *float64                  `json:"km_h,omitempty"`
	Course      *Course                   `json:"course,omitempty"`
	SpacingM    float64                   `json:"spacing_m"`
	TargetLHa   *float64                  `json:"target_l_ha,omitempty"`
	FlowMeter   *testbay.FlowMeterCheck   `json:"flow_meter,omitempty"`
	SpeedSensor *testbay.SpeedSensorCheck `json:"speed_sensor,omitempty"`
	Instruments []events.Instrument       `json:"instruments,omitempty"`
	Note        string                    `json:"note,omitempty"`
	File        string                    `json:"file,omitempty"`
}

// Course is a measured stretch and the time to drive it.
type Course struct {
	CourseM float64 `json:"course_m"`
	Seconds float64 `json:"seconds"`
}

// NewCalibrationID draws an id.
func NewCalibrationID() string { return "c-" + strings.ToLower(ulid.Make().String()) }

func (m *MakeCalibration) Touches() []string { return []string{"rig:" + m.Rig, "rulesets"} }

// Ref is what an Idempotency-Key remembers.
func (m *MakeCalibration) Ref(State) string { return m.ID }

func (m *MakeCalibration) Decide(d Deciding) ([]events.Entry, error) {
	var c check
	rig := d.rigOf(&c, m.Rig)
	c.text("/tester", m.Tester, 100)
	c.optional("/note", m.Note, 4000)
	c.optional("/nozzle", m.Nozzle, 40)
	at := c.past("/at", m.At, d.Now)
	day := plan.Of(at, d.zone)
	d.file(&c, "/file", m.File)
	fact := &events.CalibrationMade{
		Calibration: m.ID, Rig: m.Rig, Nozzle: m.Nozzle, Tester: m.Tester, RuleSet: m.RuleSet, Bar: m.Bar, NominalLMin: m.NominalLMin,
		FlowsLMin: m.FlowsLMin, SpacingM: m.SpacingM, TargetLHa: m.TargetLHa,
		Instruments: m.Instruments, Advisories: c.instruments(m.Instruments, day), Note: m.Note, File: m.File,
	}
	if rig != nil {
		fact.Part = d.nozzlesOf(&c, rig, m.Part)
	}
	if fact.RuleSet == "" {
		fact.RuleSet = testbay.FieldRules
	}
	rs, known := d.RuleSet(fact.RuleSet, m.Edition, bayDate(day))
	switch {
	case !known:
		c.fail("/ruleset", "there is no rule set %q of edition %q", fact.RuleSet, m.Edition)
	case m.Edition == "" && !rs.On(bayDate(day)):
		c.fail("/ruleset", "rule set %q is not in force on %s; name an edition", fact.RuleSet, day)
	default:
		fact.Edition = rs.Edition
		m.judge(&c, fact, rs)
	}
	if err := c.err(); err != nil {
		return nil, err
	}
	if _, err := d.liveRig(m.Rig); err != nil {
		return nil, err
	}
	e := d.entry(fact)
	e.At = at
	return []events.Entry{e}, nil
}

// nozzlesOf finds the nozzle set that was measured.
func (d Deciding) nozzlesOf(c *check, rig *Rig, part string) string {
	if part != "" {
		if id := d.partOn(rig, part); id != "" && d.Parts[id].Kind == "nozzle-set" {
			return id
		}
		c.fail("/part", "rig %s carries no nozzle set %q", rig.Rig, part)
		return ""
	}
	for _, id := range rig.Fitted {
		if d.Parts[id].Kind == "nozzle-set" {
			return id
		}
	}
	return ""
}

// judge works everything out that follows from what was measured.
func (m *MakeCalibration) judge(c *check, fact *events.CalibrationMade, rs testbay.RuleSet) {
	// Any flow goes to any pressure; this only refuses a pressure that cannot be.
	if _, err := testbay.FlowAtPressure(1, m.Bar, m.Bar); err != nil {
		c.fail("/bar", "%s", reasonOf(err))
		return
	}
	if m.NominalLMin == nil && m.Nozzle != "" {
		// Otherwise a maker's own name: judged against the mean.
		if size, err := testbay.Nozzles().Size(m.Nozzle); err == nil {
			if q, err := size.FlowAt(m.Bar); err == nil {
				fact.NominalLMin = &q
			}
		}
	}
	switch {
	case m.KmH != nil && m.Course != nil:
		c.fail("/course", "or /km_h, not both")
	case m.KmH != nil:
		fact.KmH = *m.KmH
	case m.Course != nil:
		v, err := testbay.SpeedOverCourse(m.Course.CourseM, m.Course.Seconds)
		if err != nil {
			c.input("/course", err)
			return
		}
		fact.KmH = v
	default:
		c.fail("/km_h", "is missing; give it, or /course")
	}
	if len(m.FlowsLMin) > 400 {
		c.fail("/flows_l_min", "has more than 400 entries")
	}
	if len(c.fields) > 0 {
		return
	}
	caught, err := testbay.JudgeCatch(rs, testbay.CatchTest{FlowsLMin: m.FlowsLMin, NominalLMin: fact.NominalLMin})
	if err != nil {
		c.input("", err)
		return
	}
	fact.MeanLMin, fact.CVPercent = caught.MeanLMin, caught.CVPercent
	fact.Change, fact.ChangeSet, fact.Worst = caught.Change, caught.ChangeSet, worstNozzle(caught)
	outcomes := []testbay.Outcome{caught.Outcome}
	rate, err := testbay.SolveRate(testbay.Rate{LMin: &fact.MeanLMin, KmH: &fact.KmH, SpacingM: &fact.SpacingM})
	if err != nil {
		c.input("", err)
		return
	}
	fact.LHa = rate.LHa
	check := func(prefix string, vs []testbay.Verdict, err error) {
		if err != nil {
			c.input(prefix, err)
			return
		}
		if w, ok := testbay.Worst(vs); ok {
			fact.Checks = append(fact.Checks, *marginOf(&w))
		}
		outcomes = append(outcomes, testbay.Pass)
		if !testbay.Passed(vs) {
			outcomes = append(outcomes, testbay.Fail)
		}
	}
	if m.TargetLHa != nil {
		vs, err := testbay.CheckAppliedRate(rs, testbay.AppliedRate{TargetLHa: *m.TargetLHa, AppliedLHa: fact.LHa})
		check("", vs, err)
	}
	if m.FlowMeter != nil {
		vs, err := testbay.CheckFlowMeter(rs, *m.FlowMeter)
		check("/flow_meter", vs, err)
	}
	if m.SpeedSensor != nil {
		vs, err := testbay.CheckSpeedSensor(rs, *m.SpeedSensor)
		check("/speed_sensor", vs, err)
	}
	switch {
	case slices.Contains(outcomes, testbay.Fail):
		fact.Outcome = string(testbay.Fail)
	case slices.Contains(outcomes, testbay.Incomplete):
		fact.Outcome = string(testbay.Incomplete)
	case slices.Contains(outcomes, testbay.PassWithAdvisories) || len(fact.Advisories) > 0:
		fact.Outcome = string(testbay.PassWithAdvisories)
	default:
		fact.Outcome = string(testbay.Pass)
	}
}

func reasonOf(err error) string {
	var c check
	c.input("", err)
	return fmt.Sprint(c.fields[0].Message)
}

// worstNozzle is the position furthest from what it was judged against.
func worstNozzle(r testbay.CatchResult) *events.WorstNozzle {
	var worst *events.WorstNozzle
	for _, n := range r.Nozzles {
		off := n.FromMeanPercent
		if r.Basis == testbay.AgainstNominal {
			off = n.FromNominalPercent
		}
		if n.LMin == nil || off == nil {
			continue
		}
		if worst == nil || math.Abs(*off) > math.Abs(worst.Percent) {
			worst = &events.WorstNozzle{Position: n.Position, LMin: *n.LMin, Percent: *off, From: string(r.Basis)}
		}
	}
	return worst
}
