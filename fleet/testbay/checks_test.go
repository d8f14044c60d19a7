package testbay_test

import (
	"testing"

	"rigledger/fleet/testbay"
)

// step is one check with what it must say. Limits: trade file, section 2 (ISO
// 16122-2:2015 and ISO 16119-2, from memory).
type step struct {
	name string
	run  func(testbay.RuleSet) ([]testbay.Verdict, error)
	pass []bool
}

func check[T any](f func(testbay.RuleSet, T) ([]testbay.Verdict, error), in T) func(testbay.RuleSet) ([]testbay.Verdict, error) {
	return func(rs testbay.RuleSet) ([]testbay.Verdict, error) { return f(rs, in) }
}

func gauge(working, graduation, face float64) func(testbay.RuleSet) ([]testbay.Verdict, error) {
	return check(testbay.CheckGaugeBuild, testbay.GaugeBuild{WorkingBar: working, GraduationBar: graduation, FaceMM: ptr(face)})
}

func samples(xs ...float64) []testbay.RecoverySample {
	var out []testbay.RecoverySample
	for i := 0; i < len(xs); i += 2 {
		out = append(out, testbay.RecoverySample{Seconds: xs[i], Bar: xs[i+1]})
	}
	return out
}

var steps = []step{
	{"a pump at exactly 90 % of nominal passes", check(testbay.CheckPumpCapacity, testbay.PumpCapacity{MeasuredLMin: 225, NominalLMin: 250}), []bool{true}},
	{"a pump at 89.9 % fails", check(testbay.CheckPumpCapacity, testbay.PumpCapacity{MeasuredLMin: 224.75, NominalLMin: 250}), []bool{false}},
	{"a weak pump that feeds the largest nozzles with agitation passes", check(testbay.CheckPumpCapacity, testbay.PumpCapacity{MeasuredLMin: 200, NominalLMin: 250, FeedsLargest: ptr(true)}), []bool{true}},
	{"a weak pump that does not fails", check(testbay.CheckPumpCapacity, testbay.PumpCapacity{MeasuredLMin: 200, NominalLMin: 250, FeedsLargest: ptr(false)}), []bool{false}},

	{"pulsation of exactly ±10 % passes", check(testbay.CheckPulsation, testbay.Pulsation{WorkingBar: 3, LowestBar: 2.7, HighestBar: 3.3}), []bool{true, true}},
	{"pulsation of +11 % fails above only", check(testbay.CheckPulsation, testbay.Pulsation{WorkingBar: 3, LowestBar: 2.8, HighestBar: 3.33}), []bool{true, false}},

	{"an air chamber at 30 % passes", check(testbay.CheckAirChamber, testbay.AirChamber{WorkingBar: 3, ChargeBar: .9}), []bool{true, true}},
	{"an air chamber at 70 % passes", check(testbay.CheckAirChamber, testbay.AirChamber{WorkingBar: 3, ChargeBar: 2.1}), []bool{true, true}},
	{"an air chamber at 20 % fails below", check(testbay.CheckAirChamber, testbay.AirChamber{WorkingBar: 3, ChargeBar: .6}), []bool{false, true}},
	{"an air chamber at 80 % fails above", check(testbay.CheckAirChamber, testbay.AirChamber{WorkingBar: 3, ChargeBar: 2.4}), []bool{true, false}},
	{"the maker's pressure goes before the share", check(testbay.CheckAirChamber, testbay.AirChamber{WorkingBar: 3, ChargeBar: 2.6, MakerBar: ptr(2.5)}), []bool{true}},

	{"a gauge of 63 mm and 0.2 bar below 5 bar passes", gauge(4.9, .2, 63), []bool{true, true}},
	{"a gauge of 62 mm fails", gauge(4.9, .2, 62), []bool{false, true}},
	{"a graduation of 0.5 bar below 5 bar fails", gauge(4.9, .5, 63), []bool{true, false}},
	{"a graduation of 1 bar at 5 bar passes", gauge(5, 1, 63), []bool{true, true}},
	{"a graduation of 1 bar at 20 bar passes", gauge(20, 1, 63), []bool{true, true}},
	{"a graduation of 2 bar at 20 bar fails", gauge(20, 2, 63), []bool{true, false}},
	{"a graduation of 2 bar above 20 bar passes", gauge(20.1, 2, 63), []bool{true, true}},
	{"a digital gauge has no face", check(testbay.CheckGaugeBuild, testbay.GaugeBuild{WorkingBar: 3, GraduationBar: .1, Digital: true}), []bool{true}},

	{"gauge errors: 0.2 bar at 1 and at 2 bar, 10 % at 4 and 8 bar pass", check(testbay.CheckGaugeError, testbay.GaugeError{Readings: []testbay.GaugeReading{{1, 1.2}, {2, 1.8}, {4, 4.4}, {8, 7.2}}}), []bool{true, true, true, true}},
	{"gauge errors: 0.21 bar at 2 bar and 10.1 % at 5 bar fail", check(testbay.CheckGaugeError, testbay.GaugeError{Readings: []testbay.GaugeReading{{2, 2.21}, {5, 5.505}}}), []bool{false, false}},
	{"gauge error of 0.25 bar is too much at 1.5 bar and fine at 3 bar", check(testbay.CheckGaugeError, testbay.GaugeError{Readings: []testbay.GaugeReading{{1.5, 1.75}, {3, 3.25}}}), []bool{false, true}},

	{"a flow meter at +5 % passes", check(testbay.CheckFlowMeter, testbay.FlowMeterCheck{IndicatedLMin: 84, ReferenceLMin: 80}), []bool{true}},
	{"a flow meter at -5.1 % fails", check(testbay.CheckFlowMeter, testbay.FlowMeterCheck{IndicatedLMin: 75.92, ReferenceLMin: 80}), []bool{false}},
	{"a speed sensor at -5 % passes", check(testbay.CheckSpeedSensor, testbay.SpeedSensorCheck{IndicatedKmH: 9.5, ReferenceKmH: 10}), []bool{true}},
	{"a speed sensor at +6 % fails", check(testbay.CheckSpeedSensor, testbay.SpeedSensorCheck{IndicatedKmH: 10.6, ReferenceKmH: 10}), []bool{false}},

	{"pressure back after 10 s passes", check(testbay.CheckRecovery, testbay.Recovery{WorkingBar: 3, Samples: samples(1, 3.6, 5, 3.4, 10, 3.3, 12, 3.1)}), []bool{true}},
	{"pressure back after 12 s fails", check(testbay.CheckRecovery, testbay.Recovery{WorkingBar: 3, Samples: samples(1, 3.6, 10, 3.4, 12, 3.1)}), []bool{false}},
	{"pressure that swings out again counts from its return", check(testbay.CheckRecovery, testbay.Recovery{WorkingBar: 3, Samples: samples(1, 3, 8, 3.5, 15, 3)}), []bool{false}},
	{"pressure that never settles fails", check(testbay.CheckRecovery, testbay.Recovery{WorkingBar: 3, Samples: samples(1, 3.6, 20, 3.6)}), []bool{false}},

	{"sections closed: 10 % passes, 11 % fails", check(testbay.CheckSectionClosed, testbay.SectionClosed{WorkingBar: 3, ClosedBar: []float64{3.3, 3.33, 2.7}}), []bool{true, false, true}},
	{"pressure drop: 10 % passes, 12 % fails", check(testbay.CheckPressureDrop, testbay.PressureDrop{GaugePointBar: 5, SectionEndBar: []float64{4.5, 4.4}}), []bool{true, false}},
	{"section balance: 3.3 of a mean of 3 passes", check(testbay.CheckSectionBalance, testbay.SectionBalance{InletBar: []float64{3.3, 2.7, 3}}), []bool{true, true, true}},
	{"section balance: 3.4 of a mean of 3 fails", check(testbay.CheckSectionBalance, testbay.SectionBalance{InletBar: []float64{3.4, 2.6, 3}}), []bool{false, false, true}},

	{"spacing: 52.5 of 50 cm passes, 53 fails", check(testbay.CheckNozzleSpacing, testbay.NozzleSpacing{NominalCM: 50, SpacingsCM: []float64{47.5, 52.5, 53}}), []bool{true, true, false}},
	{"upright: ±10° passes, -11° fails", check(testbay.CheckNozzleUpright, testbay.NozzleUpright{Degrees: []float64{0, 10, -10, -11}}), []bool{true, true, true, false}},
	{"boom height: 12 cm on 24 m passes, 12.1 fails", check(testbay.CheckBoomHeight, testbay.BoomHeight{WidthM: 24, TargetCM: ptr(50.0), HeightsCM: []float64{62, 38, 62.1}}), []bool{true, true, false}},
	{"boom height: 18 cm on 36 m passes, 19 fails", check(testbay.CheckBoomHeight, testbay.BoomHeight{WidthM: 36, TargetCM: ptr(60.0), HeightsCM: []float64{78, 41}}), []bool{true, false}},
	{"boom height: 10 cm on 12 m passes, 11 fails", check(testbay.CheckBoomHeight, testbay.BoomHeight{WidthM: 12, TargetCM: ptr(50.0), HeightsCM: []float64{60, 61}}), []bool{true, false}},
	{"boom height against its own mean", check(testbay.CheckBoomHeight, testbay.BoomHeight{WidthM: 24, HeightsCM: []float64{50, 50, 65}}), []bool{true, true, true}},
	{"drip: 5 s passes, 6 s fails", check(testbay.CheckDrip, testbay.Drip{LastDropSeconds: []float64{0, 5, 6}}), []bool{true, true, false}},

	{"an applied rate 5 % over passes, common practice", check(testbay.CheckAppliedRate, testbay.AppliedRate{TargetLHa: 200, AppliedLHa: 210}), []bool{true}},
	{"an applied rate 6 % under fails", check(testbay.CheckAppliedRate, testbay.AppliedRate{TargetLHa: 200, AppliedLHa: 188}), []bool{false}},
	{"the rate held over a speed change of 20 %", check(testbay.CheckRateHeld, testbay.RateHeld{BeforeKmH: 10, AfterKmH: 12, BeforeLHa: 200, AfterLHa: 195}), []bool{true}},
	{"the rate lost over a speed change of 20 %", check(testbay.CheckRateHeld, testbay.RateHeld{BeforeKmH: 10, AfterKmH: 8, BeforeLHa: 200, AfterLHa: 220}), []bool{false}},

	{"400 l of rinse water on 4000 l passes", check(testbay.CheckRinseTank, testbay.RinseTank{NominalTankL: 4000, RinseTankL: 400}), []bool{true}},
	{"350 l on 4000 l fails by the tank alone", check(testbay.CheckRinseTank, testbay.RinseTank{NominalTankL: 4000, RinseTankL: 350}), []bool{false}},
	{"350 l is ten times a residual of 35 l", check(testbay.CheckRinseTank, testbay.RinseTank{NominalTankL: 4000, RinseTankL: 350, ResidualL: ptr(35.0)}), []bool{true}},
	{"350 l is not ten times a residual of 36 l", check(testbay.CheckRinseTank, testbay.RinseTank{NominalTankL: 4000, RinseTankL: 350, ResidualL: ptr(36.0)}), []bool{false}},
	{"15 l to wash hands passes", check(testbay.CheckHandWash, testbay.HandWash{TankL: 15}), []bool{true}},
	{"14 l to wash hands fails", check(testbay.CheckHandWash, testbay.HandWash{TankL: 14}), []bool{false}},
	{"a 4000 l tank of 4200 l passes", check(testbay.CheckTankSize, testbay.TankSize{NominalL: 4000, TotalL: 4200}), []bool{true}},
	{"a 4000 l tank of 4190 l fails", check(testbay.CheckTankSize, testbay.TankSize{NominalL: 4000, TotalL: 4190}), []bool{false}},
	{"a residual of 68 l on 4000 l and 24 m passes", check(testbay.CheckResidual, testbay.Residual{NominalTankL: 4000, BoomWidthM: 24, ResidualL: 68}), []bool{true}},
	{"a residual of 69 l on 4000 l and 24 m fails", check(testbay.CheckResidual, testbay.Residual{NominalTankL: 4000, BoomWidthM: 24, ResidualL: 69}), []bool{false}},
	{"sections of 4.5 m on 24 m pass, 5 m fails", check(testbay.CheckSectionWidth, testbay.SectionWidth{BoomWidthM: 24, SectionsM: []float64{4.5, 5, 5, 5, 4.5}}), []bool{true, false, false, false, true}},
	{"sections of 6 m on 36 m pass", check(testbay.CheckSectionWidth, testbay.SectionWidth{BoomWidthM: 36, SectionsM: []float64{6, 6, 6, 6, 6, 6}}), []bool{true, true, true, true, true, true}},

	{"a distribution at CV 6.1 % passes", check(distribution, testbay.Distribution{GuttersML: []float64{98, 102, 100, 95, 105, 110, 90, 100}}), []bool{true, true, true, true, true, true, true, true, true}},
	{"one gutter at +30 % fails with CV below 10 %", check(distribution, testbay.Distribution{GuttersML: append(flat(100, 29), 130)}), append([]bool{true}, append(trues(29), false)...)},
}

func distribution(rs testbay.RuleSet, in testbay.Distribution) ([]testbay.Verdict, error) {
	r, err := testbay.JudgeDistribution(rs, in)
	return r.Verdicts, err
}

func flat(x float64, n int) []float64 {
	out := make([]float64, n)
	for i := range out {
		out[i] = x
	}
	return out
}

func trues(n int) []bool {
	out := make([]bool, n)
	for i := range out {
		out[i] = true
	}
	return out
}

func TestChecksOfTheTestBay(t *testing.T) {
	rs := iso(t)
	for _, s := range steps {
		t.Run(s.name, func(t *testing.T) {
			vs, err := s.run(rs)
			if err != nil {
				t.Fatal(err)
			}
			if len(vs) != len(s.pass) {
				t.Fatalf("%d verdicts, want %d: %+v", len(vs), len(s.pass), vs)
			}
			for i, v := range vs {
				if v.Pass != s.pass[i] {
					t.Errorf("%s %d: %g %s %s %g passes %v, want %v", v.What, v.Position, v.Measured, v.Unit, v.Sense, v.Limit, v.Pass, s.pass[i])
				}
				if v.Source == "" || v.Unit == "" || v.Point == "" || v.Limit <= 0 {
					t.Errorf("verdict without source, unit, point or limit: %+v", v)
				}
				p, _ := rs.Point(v.Point)
				if v.StopsRig != (!v.Pass && p.StopsRig) {
					t.Errorf("%s: stops the rig %v, rule set says %v and it passed %v", v.Point, v.StopsRig, p.StopsRig, v.Pass)
				}
			}
		})
	}
}

// The limits named in the trade file, section 2.
func TestLimitsThatDependOnTheMachine(t *testing.T) {
	rs := iso(t)
	for width, want := range map[float64]float64{12: 10, 20: 10, 24: 12, 36: 18} {
		l, err := testbay.BoomHeightLimit(rs, width)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "height limit, cm", l.Value, want, 1e-9)
	}
	l, err := testbay.ResidualLimit(rs, 4000, 24)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "residual of 4000 l and 24 m, l", l.Value, 68, 1e-9)
}

func TestTheOverlapIsFoldedBackMirrored(t *testing.T) {
	r, err := testbay.JudgeDistribution(iso(t), testbay.Distribution{
		GuttersML: []float64{10, 40, 60, 90, 100, 100, 90, 60, 40, 10}, OverlapGutters: 2})
	if err != nil {
		t.Fatal(err)
	}
	want := []float64{100, 100, 100, 100, 100, 100}
	for i := range want {
		near(t, "gutter", r.GuttersML[i], want[i], 1e-12)
	}
	if !r.Pass || len(r.GuttersML) != len(want) {
		t.Errorf("a pattern that complements itself must pass: %+v", r)
	}
	// Without the neighbouring pass the same tails fail.
	r, err = testbay.JudgeDistribution(iso(t), testbay.Distribution{GuttersML: []float64{10, 40, 60, 90, 100, 100, 90, 60, 40, 10}})
	if err != nil {
		t.Fatal(err)
	}
	if r.Pass {
		t.Error("tails without overlap must fail")
	}
}

func TestImpossibleReadingsNameTheField(t *testing.T) {
	rs := iso(t)
	for _, c := range []struct {
		name, field string
		run         func(testbay.RuleSet) ([]testbay.Verdict, error)
	}{
		{"nominal pump flow of zero", "nominal_l_min", check(testbay.CheckPumpCapacity, testbay.PumpCapacity{MeasuredLMin: 1})},
		{"lowest above highest", "lowest_bar", check(testbay.CheckPulsation, testbay.Pulsation{WorkingBar: 3, LowestBar: 4, HighestBar: 3})},
		{"analogue gauge without a face", "face_mm", check(testbay.CheckGaugeBuild, testbay.GaugeBuild{WorkingBar: 3, GraduationBar: .2})},
		{"digital gauge with a face", "face_mm", check(testbay.CheckGaugeBuild, testbay.GaugeBuild{WorkingBar: 3, GraduationBar: .2, Digital: true, FaceMM: ptr(63.0)})},
		{"no gauge steps", "readings", check(testbay.CheckGaugeError, testbay.GaugeError{})},
		{"a master at zero", "readings[1].master_bar", check(testbay.CheckGaugeError, testbay.GaugeError{Readings: []testbay.GaugeReading{{1, 1}, {0, 0}}})},
		{"samples out of order", "samples[1].seconds", check(testbay.CheckRecovery, testbay.Recovery{WorkingBar: 3, Samples: samples(5, 3, 5, 3)})},
		{"samples that end too early", "samples", check(testbay.CheckRecovery, testbay.Recovery{WorkingBar: 3, Samples: samples(1, 4, 9, 4)})},
		{"one section is no balance", "inlet_bar", check(testbay.CheckSectionBalance, testbay.SectionBalance{InletBar: []float64{3}})},
		{"a negative section pressure", "section_end_bar[1]", check(testbay.CheckPressureDrop, testbay.PressureDrop{GaugePointBar: 3, SectionEndBar: []float64{3, -3}})},
		{"psi for bar", "working_bar", check(testbay.CheckSectionClosed, testbay.SectionClosed{WorkingBar: 145, ClosedBar: []float64{145}})},
		{"no spacings", "spacings_cm", check(testbay.CheckNozzleSpacing, testbay.NozzleSpacing{NominalCM: 50})},
		{"an angle of 200°", "degrees[0]", check(testbay.CheckNozzleUpright, testbay.NozzleUpright{Degrees: []float64{200}})},
		{"a boom of 90 m", "width_m", check(testbay.CheckBoomHeight, testbay.BoomHeight{WidthM: 90, HeightsCM: []float64{50, 50}})},
		{"a negative drip", "last_drop_seconds[0]", check(testbay.CheckDrip, testbay.Drip{LastDropSeconds: []float64{-1}})},
		{"too large a speed change", "after_km_h", check(testbay.CheckRateHeld, testbay.RateHeld{BeforeKmH: 10, AfterKmH: 12.1, BeforeLHa: 200, AfterLHa: 200})},
		{"a tank for a ship", "total_l", check(testbay.CheckTankSize, testbay.TankSize{NominalL: 4000, TotalL: 4e6})},
		{"sections that do not add up", "sections_m", check(testbay.CheckSectionWidth, testbay.SectionWidth{BoomWidthM: 24, SectionsM: []float64{4, 4, 4}})},
		{"two gutters", "gutters_ml", check(distribution, testbay.Distribution{GuttersML: []float64{1, 2}})},
		{"gutters that caught nothing", "gutters_ml", check(distribution, testbay.Distribution{GuttersML: []float64{0, 0, 0}})},
		{"more overlap than boom", "overlap_gutters", check(distribution, testbay.Distribution{GuttersML: flat(1, 10), OverlapGutters: 4})},
		{"negative overlap", "overlap_gutters", check(distribution, testbay.Distribution{GuttersML: flat(1, 10), OverlapGutters: -1})},
	} {
		t.Run(c.name, func(t *testing.T) {
			vs, err := c.run(rs)
			refused(t, err, c.field)
			if vs != nil {
				t.Errorf("a refusal must come without verdicts: %+v", vs)
			}
			_, err = c.run(testbay.RuleSet{})
			refused(t, err, "ruleset")
		})
	}
}
