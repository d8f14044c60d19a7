package testbay_test

import (
	"math"
	"reflect"
	"testing"

	"rigledger/fleet/testbay"
)

// Trade file, section 2 (arithmetic; mean, deviation and CV also taken with the
// statistics module of another language).
var tradeCatch = []float64{1.21, 1.19, 1.24, 1.18, 1.33, 1.20, 1.22, 1.17}

func TestTheCatchExampleOfTheTradeFile(t *testing.T) {
	r, err := testbay.JudgeCatch(iso(t), testbay.CatchTest{FlowsLMin: some(tradeCatch...), NominalLMin: ptr(1.2)})
	if err != nil {
		t.Fatal(err)
	}
	near(t, "mean", r.MeanLMin, 1.2175, 1e-12)
	near(t, "sample sd", *r.SDLMin, 0.05064, 5e-6)
	near(t, "CV", *r.CVPercent, 4.159, 5e-4)
	fifth := r.Nozzles[4]
	near(t, "fifth from nominal", *fifth.FromNominalPercent, 10.83, .005)
	near(t, "fifth from mean", *fifth.FromMeanPercent, 9.24, .005)
	near(t, "margin of the fifth", fifth.Verdict.Margin, 10-10.8333333333, 1e-9)
	if r.Outcome != testbay.Fail || !reflect.DeepEqual(r.Change, []int{5}) || r.ChangeSet {
		t.Errorf("outcome %s, change %v, set %v; want fail, [5], no set", r.Outcome, r.Change, r.ChangeSet)
	}
	if !fifth.Verdict.StopsRig {
		t.Error("a nozzle out of limits must stop the rig under ISO 16122-2")
	}
}

func TestExactlyTenPercentPasses(t *testing.T) {
	for _, flow := range []float64{1.32, 1.08} {
		r, err := testbay.JudgeCatch(iso(t), testbay.CatchTest{FlowsLMin: some(flow), NominalLMin: ptr(1.2)})
		if err != nil {
			t.Fatal(err)
		}
		if r.Outcome != testbay.Pass {
			t.Errorf("%g l/min against 1.20 is exactly ±10 %% and must pass, got %s (%v)", flow, r.Outcome, *r.Nozzles[0].FromNominalPercent)
		}
	}
	for _, flow := range []float64{1.32001, 1.07999} {
		r, err := testbay.JudgeCatch(iso(t), testbay.CatchTest{FlowsLMin: some(flow), NominalLMin: ptr(1.2)})
		if err != nil {
			t.Fatal(err)
		}
		if r.Outcome != testbay.Fail {
			t.Errorf("%g l/min against 1.20 is beyond ±10 %% and must fail", flow)
		}
	}
}

// Flows (ml) from the example of a published reference manual; mean, deviation
// and CV by the statistics module of another language: 881.27, 21.96433, 2.492349 %.
func TestTwentyPublishedFlows(t *testing.T) {
	ml := []float64{881, 854, 865, 876, 906.3, 874.7, 868.3, 878.7, 872.7, 901.7, 823.3, 889.7, 861.3, 900.3, 890.3, 886.7, 916.7, 872, 912.7, 894}
	flows := make([]float64, len(ml))
	for i := range ml {
		flows[i] = ml[i] / 1000
	}
	r, err := testbay.JudgeCatch(iso(t), testbay.CatchTest{FlowsLMin: some(flows...)})
	if err != nil {
		t.Fatal(err)
	}
	near(t, "mean", r.MeanLMin, .88127, 1e-9)
	near(t, "sd", *r.SDLMin, .0219643275, 1e-9)
	near(t, "CV", *r.CVPercent, 2.4923493978, 1e-8)
	if r.Basis != testbay.AgainstMean || !reflect.DeepEqual(r.Change, []int{11}) {
		t.Errorf("against %s, change %v; only the eleventh (-6.58 %%) is more than 5 %% off the mean", r.Basis, r.Change)
	}
}

func TestMissingPositionsAreNeitherZeroNorPassed(t *testing.T) {
	nan := math.NaN()
	r, err := testbay.JudgeCatch(iso(t), testbay.CatchTest{FlowsLMin: some(1.2, nan, 1.22, nan), NominalLMin: ptr(1.2)})
	if err != nil {
		t.Fatal(err)
	}
	near(t, "mean of those measured", r.MeanLMin, 1.21, 1e-12)
	if r.Outcome != testbay.Incomplete || !reflect.DeepEqual(r.Missing, []int{2, 4}) || r.Measured != 2 {
		t.Errorf("outcome %s, missing %v, measured %d", r.Outcome, r.Missing, r.Measured)
	}
	if r.Nozzles[1].Verdict != nil || r.Nozzles[1].FromMeanPercent != nil {
		t.Error("a position that was not measured must have no verdict")
	}
	if r.Nozzles[2].Position != 3 {
		t.Error("positions must keep their place on the boom")
	}
	// A nozzle out of limits fails the set whatever else is open.
	r, err = testbay.JudgeCatch(iso(t), testbay.CatchTest{FlowsLMin: some(1.4, nan), NominalLMin: ptr(1.2)})
	if err != nil {
		t.Fatal(err)
	}
	if r.Outcome != testbay.Fail {
		t.Errorf("outcome %s, want fail", r.Outcome)
	}
}

func TestOneReadingHasNoDeviation(t *testing.T) {
	r, err := testbay.JudgeCatch(iso(t), testbay.CatchTest{FlowsLMin: some(1.2), NominalLMin: ptr(1.2)})
	if err != nil {
		t.Fatal(err)
	}
	if r.SDLMin != nil || r.CVPercent != nil {
		t.Error("one reading has no sample deviation; it must be absent, not zero or NaN")
	}
}

// Nozzle flows spread far over 10 % CV and are all within 10 % of their own
// nominal only if judged singly; the CV itself must never fail a catch test.
func TestTheCVOfNozzleFlowsIsNeverJudged(t *testing.T) {
	rs := iso(t)
	l := rs.Limits[testbay.LimitDistributionCV]
	l.Value = 0.001
	rs.Limits[testbay.LimitDistributionCV] = l
	r, err := testbay.JudgeCatch(rs, testbay.CatchTest{FlowsLMin: some(1.1, 1.3, 1.1, 1.3), NominalLMin: ptr(1.2)})
	if err != nil {
		t.Fatal(err)
	}
	if r.Outcome != testbay.Pass || *r.CVPercent < 9 {
		t.Errorf("outcome %s with CV %.2f %%", r.Outcome, *r.CVPercent)
	}
}

func TestFieldRulesWarnEarlierAndAdviseTheSet(t *testing.T) {
	field := ruleSet(t, testbay.FieldRules)
	r, err := testbay.JudgeCatch(field, testbay.CatchTest{FlowsLMin: some(1.2, 1.27, 1.26), NominalLMin: ptr(1.2)})
	if err != nil {
		t.Fatal(err)
	}
	if r.Outcome != testbay.PassWithAdvisories || !reflect.DeepEqual(r.Advisories, []int{2}) {
		t.Errorf("outcome %s, advisories %v; +5.8 %% warns, exactly +5 %% does not", r.Outcome, r.Advisories)
	}
	r, err = testbay.JudgeCatch(field, testbay.CatchTest{FlowsLMin: some(1.33, 1.2, 1.34), NominalLMin: ptr(1.2)})
	if err != nil {
		t.Fatal(err)
	}
	if !r.ChangeSet || r.ChangeSetWhy == "" {
		t.Error("with two nozzles out the whole set must be advised, with its source")
	}
}

func TestWhatTheChangeCosts(t *testing.T) {
	nine := some(1.2, 1.4, 1.4, 1.4, 1.2, 1.2, 1.2, 1.2, 1.2)
	r, err := testbay.JudgeCatch(iso(t), testbay.CatchTest{FlowsLMin: nine, NominalLMin: ptr(1.2)})
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		name         string
		prices       testbay.NozzlePrices
		singles, set int64
		cheaper      bool
	}{
		{"every position at the single price", testbay.NozzlePrices{EachMinor: 450}, 1350, 4050, false},
		{"a set offer dearer than three singles", testbay.NozzlePrices{EachMinor: 450, SetMinor: ptr(int64(1400))}, 1350, 1400, false},
		{"a set offer at the price of three singles", testbay.NozzlePrices{EachMinor: 450, SetMinor: ptr(int64(1350))}, 1350, 1350, true},
	} {
		t.Run(c.name, func(t *testing.T) {
			got, err := testbay.CostOfChange(r, c.prices)
			if err != nil {
				t.Fatal(err)
			}
			want := testbay.NozzleCost{SinglesMinor: c.singles, WholeSetMinor: c.set, SetCheaper: c.cheaper, SetAdvised: true}
			if got != want {
				t.Errorf("got %+v, want %+v", got, want)
			}
		})
	}
	_, err = testbay.CostOfChange(r, testbay.NozzlePrices{})
	refused(t, err, "each_minor")
}

func TestImpossibleCatchTestsNameTheField(t *testing.T) {
	nan, inf := math.NaN(), math.Inf(1)
	for _, c := range []struct {
		name  string
		test  testbay.CatchTest
		field string
	}{
		{"no positions", testbay.CatchTest{}, "flows_l_min"},
		{"nothing measured", testbay.CatchTest{FlowsLMin: some(nan, nan)}, "flows_l_min"},
		{"one reading without nominal", testbay.CatchTest{FlowsLMin: some(1.2)}, "flows_l_min"},
		{"more nozzles than a boom has", testbay.CatchTest{FlowsLMin: some(make([]float64, 401)...)}, "flows_l_min"},
		{"a blocked nozzle", testbay.CatchTest{FlowsLMin: some(1.2, 0)}, "flows_l_min[1]"},
		{"a negative flow", testbay.CatchTest{FlowsLMin: some(1.2, 1.2, -1.2)}, "flows_l_min[2]"},
		{"an infinite flow", testbay.CatchTest{FlowsLMin: some(inf, 1.2)}, "flows_l_min[0]"},
		{"a flow that is not a number", testbay.CatchTest{FlowsLMin: []*float64{ptr(nan), ptr(1.2)}}, "flows_l_min[0]"},
		{"millilitres for litres", testbay.CatchTest{FlowsLMin: some(1200, 1210)}, "flows_l_min[0]"},
		{"a nominal of zero", testbay.CatchTest{FlowsLMin: some(1.2), NominalLMin: ptr(0.0)}, "nominal_l_min"},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, err := testbay.JudgeCatch(iso(t), c.test)
			refused(t, err, c.field)
		})
	}
	_, err := testbay.JudgeCatch(testbay.RuleSet{}, testbay.CatchTest{FlowsLMin: some(1.2), NominalLMin: ptr(1.2)})
	refused(t, err, "ruleset")
}
