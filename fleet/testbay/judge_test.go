package testbay_test

import (
	"encoding/json"
	"slices"
	"testing"

	"rigledger/fleet/testbay"
)

// goodSheet is a sheet on which every point of the standard is done and passes.
func goodSheet(rs testbay.RuleSet) testbay.Sheet {
	s := testbay.Sheet{Looked: map[string]testbay.Seen{}, Measured: testbay.Readings{
		PumpCapacity:   &testbay.PumpCapacity{MeasuredLMin: 240, NominalLMin: 250},
		Pulsation:      &testbay.Pulsation{WorkingBar: 3, LowestBar: 2.9, HighestBar: 3.1},
		AirChamber:     &testbay.AirChamber{WorkingBar: 3, ChargeBar: 1.5},
		GaugeBuild:     &testbay.GaugeBuild{WorkingBar: 3, GraduationBar: .2, FaceMM: ptr(100.0)},
		GaugeError:     &testbay.GaugeError{Readings: []testbay.GaugeReading{{MasterBar: 2, GaugeBar: 2.1}, {MasterBar: 4, GaugeBar: 4.2}}},
		FlowMeter:      &testbay.FlowMeterCheck{IndicatedLMin: 81, ReferenceLMin: 80},
		SpeedSensor:    &testbay.SpeedSensorCheck{IndicatedKmH: 10.1, ReferenceKmH: 10},
		Recovery:       &testbay.Recovery{WorkingBar: 3, Samples: samples(1, 3.5, 4, 3.1)},
		SectionClosed:  &testbay.SectionClosed{WorkingBar: 3, ClosedBar: []float64{3.1, 3.1, 3.1}},
		PressureDrop:   &testbay.PressureDrop{GaugePointBar: 3, SectionEndBar: []float64{2.9, 2.8, 2.9}},
		SectionBalance: &testbay.SectionBalance{InletBar: []float64{3, 2.95, 3}},
		NozzleSpacing:  &testbay.NozzleSpacing{NominalCM: 50, SpacingsCM: []float64{50, 51}},
		NozzleUpright:  &testbay.NozzleUpright{Degrees: []float64{0, 2, -3}},
		BoomHeight:     &testbay.BoomHeight{WidthM: 24, HeightsCM: []float64{50, 52, 55}},
		Drip:           &testbay.Drip{LastDropSeconds: []float64{0, 1, 2}},
		NozzleFlow:     &testbay.CatchTest{FlowsLMin: some(1.2, 1.21, 1.19), NominalLMin: ptr(1.2)},
	}}
	for _, p := range rs.Points {
		if p.Kind == testbay.LookedAt {
			s.Looked[p.ID] = testbay.Seen{Result: testbay.LookPass}
		}
	}
	return s
}

func judge(t testing.TB, s testbay.Sheet, rs testbay.RuleSet) testbay.SheetResult {
	t.Helper()
	r, err := testbay.Judge(s, rs)
	if err != nil {
		t.Fatal(err)
	}
	if r.Notice != testbay.Notice {
		t.Error("a result must carry the notice")
	}
	return r
}

func outcomeOf(t testing.TB, r testbay.SheetResult, id string) testbay.PointResult {
	t.Helper()
	i := slices.IndexFunc(r.Points, func(p testbay.PointResult) bool { return p.ID == id })
	if i < 0 {
		t.Fatalf("no point %s in the result", id)
	}
	return r.Points[i]
}

func TestASheetWithEveryPointInOrderPasses(t *testing.T) {
	rs := iso(t)
	r := judge(t, goodSheet(rs), rs)
	if r.Outcome != testbay.Pass || len(r.Failed)+len(r.Open)+len(r.StopsRig)+len(r.Advisories) != 0 {
		t.Errorf("%s: failed %v, open %v, advisories %v", r.Outcome, r.Failed, r.Open, r.Advisories)
	}
	if len(r.Points) != len(rs.Points) {
		t.Errorf("%d points judged, %d on the form", len(r.Points), len(rs.Points))
	}
	if p := outcomeOf(t, r, testbay.PointDistribution); p.Outcome != testbay.NotNeeded {
		t.Errorf("with nozzle flow measured the distribution is %s, want not needed", p.Outcome)
	}
	drop := outcomeOf(t, r, testbay.PointPressureDrop)
	if drop.Worst == nil || drop.Worst.Position != 2 {
		t.Errorf("the worst section end is the second: %+v", drop.Worst)
	}
	near(t, "its margin, %", drop.Worst.Margin, 10-6.6666666667, 1e-9)
}

func TestAnEmptySheetIsIncompleteNeverAPass(t *testing.T) {
	rs := iso(t)
	r := judge(t, testbay.Sheet{}, rs)
	if r.Outcome != testbay.Incomplete || len(r.Failed) != 0 {
		t.Errorf("outcome %s, failed %v", r.Outcome, r.Failed)
	}
	if slices.Contains(r.Open, testbay.PointRinseTank) {
		t.Error("an optional point must not stay open")
	}
	if !slices.Contains(r.Open, testbay.PointNozzleFlow) || !slices.Contains(r.Open, testbay.PointDistribution) {
		t.Error("with neither alternative done both are open")
	}
}

func TestSheetsThatDoNotPass(t *testing.T) {
	rs := iso(t)
	for _, c := range []struct {
		name    string
		change  func(*testbay.Sheet)
		outcome testbay.Outcome
		failed  []string
		stops   []string
		advice  []string
		open    []string
	}{
		{"a standing leak fails and stops the rig", func(s *testbay.Sheet) { s.Looked["leak_standing"] = testbay.Seen{Result: testbay.LookFail} },
			testbay.Fail, []string{"leak_standing"}, []string{"leak_standing"}, nil, nil},
		{"a missing strainer fails and does not stop the rig", func(s *testbay.Sheet) { s.Looked["tank_strainer"] = testbay.Seen{Result: testbay.LookFail} },
			testbay.Fail, []string{"tank_strainer"}, nil, nil, nil},
		{"an advisory passes with advisories", func(s *testbay.Sheet) {
			s.Looked["hoses"] = testbay.Seen{Result: testbay.LookAdvisory, Note: "chafed at the fold"}
		},
			testbay.PassWithAdvisories, nil, nil, []string{"hoses"}, nil},
		{"an induction hopper may be absent", func(s *testbay.Sheet) { s.Looked["induction_hopper"] = testbay.Seen{Result: testbay.LookNotFitted} },
			testbay.Pass, nil, nil, nil, nil},
		{"a lid must be there", func(s *testbay.Sheet) { s.Looked["tank_lid"] = testbay.Seen{Result: testbay.LookNotFitted} },
			testbay.Fail, []string{"tank_lid"}, []string{"tank_lid"}, nil, nil},
		{"a flow meter may be absent", func(s *testbay.Sheet) {
			s.Measured.FlowMeter = nil
			s.Looked["flow_meter"] = testbay.Seen{Result: testbay.LookNotFitted}
		}, testbay.Pass, nil, nil, nil, nil},
		{"a pressure gauge must be there", func(s *testbay.Sheet) {
			s.Measured.GaugeError = nil
			s.Looked["gauge_error"] = testbay.Seen{Result: testbay.LookNotFitted}
		}, testbay.Fail, []string{"gauge_error"}, []string{"gauge_error"}, nil, nil},
		{"a point not done leaves the sheet open", func(s *testbay.Sheet) { s.Measured.Pulsation = nil },
			testbay.Incomplete, nil, nil, nil, []string{"pulsation"}},
		{"a failure outweighs an open point", func(s *testbay.Sheet) {
			s.Measured.Pulsation = nil
			s.Looked["leak_working"] = testbay.Seen{Result: testbay.LookFail}
		}, testbay.Fail, []string{"leak_working"}, []string{"leak_working"}, nil, []string{"pulsation"}},
		{"a nozzle out of limits fails and stops the rig", func(s *testbay.Sheet) {
			s.Measured.NozzleFlow = &testbay.CatchTest{FlowsLMin: some(tradeCatch...), NominalLMin: ptr(1.2)}
		}, testbay.Fail, []string{"nozzle_flow"}, []string{"nozzle_flow"}, nil, nil},
		{"an even distribution stands in for a nozzle out of limits", func(s *testbay.Sheet) {
			s.Measured.NozzleFlow = &testbay.CatchTest{FlowsLMin: some(tradeCatch...), NominalLMin: ptr(1.2)}
			s.Measured.Distribution = &testbay.Distribution{GuttersML: flat(100, 20)}
		}, testbay.PassWithAdvisories, nil, nil, []string{"nozzle_flow"}, nil},
		{"both alternatives failed fail both", func(s *testbay.Sheet) {
			s.Measured.NozzleFlow = &testbay.CatchTest{FlowsLMin: some(tradeCatch...), NominalLMin: ptr(1.2)}
			s.Measured.Distribution = &testbay.Distribution{GuttersML: append(flat(100, 20), 200)}
		}, testbay.Fail, []string{"nozzle_flow", "transverse_distribution"}, []string{"nozzle_flow", "transverse_distribution"}, nil, nil},
		{"an optional point that was measured counts", func(s *testbay.Sheet) { s.Measured.HandWash = &testbay.HandWash{TankL: 10} },
			testbay.Fail, []string{"hand_wash"}, nil, nil, nil},
		{"nozzles not all measured leave the sheet open", func(s *testbay.Sheet) {
			s.Measured.NozzleFlow = &testbay.CatchTest{FlowsLMin: []*float64{ptr(1.2), nil}, NominalLMin: ptr(1.2)}
		}, testbay.Incomplete, nil, nil, nil, []string{"nozzle_flow"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := goodSheet(rs)
			c.change(&s)
			r := judge(t, s, rs)
			if r.Outcome != c.outcome {
				t.Errorf("outcome %s, want %s", r.Outcome, c.outcome)
			}
			for _, l := range []struct {
				what      string
				got, want []string
			}{{"failed", r.Failed, c.failed}, {"stops the rig", r.StopsRig, c.stops}, {"advisories", r.Advisories, c.advice}, {"open", r.Open, c.open}} {
				if !slices.Equal(l.got, l.want) {
					t.Errorf("%s: %v, want %v", l.what, l.got, l.want)
				}
			}
		})
	}
}

func TestSheetsThatContradictThemselvesAreRefused(t *testing.T) {
	rs := iso(t)
	for _, c := range []struct {
		name, field string
		change      func(*testbay.Sheet)
	}{
		{"an unknown point", "looked.paint", func(s *testbay.Sheet) { s.Looked["paint"] = testbay.Seen{Result: testbay.LookPass} }},
		{"an unknown answer", "looked.hoses", func(s *testbay.Sheet) { s.Looked["hoses"] = testbay.Seen{Result: "fine"} }},
		{"an answer without a result", "looked.hoses", func(s *testbay.Sheet) { s.Looked["hoses"] = testbay.Seen{} }},
		{"a look at a measured point", "looked.pulsation", func(s *testbay.Sheet) { s.Looked["pulsation"] = testbay.Seen{Result: testbay.LookPass} }},
		{"not fitted and yet measured", "looked.flow_meter", func(s *testbay.Sheet) { s.Looked["flow_meter"] = testbay.Seen{Result: testbay.LookNotFitted} }},
		{"an impossible reading", "measured.nozzle_flow.flows_l_min[1]", func(s *testbay.Sheet) { *s.Measured.NozzleFlow.FlowsLMin[1] = -1 }},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := goodSheet(rs)
			c.change(&s)
			_, err := testbay.Judge(s, rs)
			refused(t, err, c.field)
		})
	}
	_, err := testbay.Judge(goodSheet(rs), testbay.RuleSet{})
	refused(t, err, "ruleset")
}

func TestASheetSurvivesJSON(t *testing.T) {
	rs := iso(t)
	text, err := json.Marshal(goodSheet(rs))
	if err != nil {
		t.Fatal(err)
	}
	var back testbay.Sheet
	if err := json.Unmarshal(text, &back); err != nil {
		t.Fatal(err)
	}
	one, err := json.Marshal(judge(t, goodSheet(rs), rs))
	if err != nil {
		t.Fatal(err)
	}
	two, err := json.Marshal(judge(t, back, rs))
	if err != nil {
		t.Fatal(err)
	}
	if string(one) != string(two) {
		t.Errorf("the same sheet is judged differently after JSON:\n%s\n%s", one, two)
	}
}
