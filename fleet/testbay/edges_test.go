package testbay_test

import (
	"os"
	"slices"
	"strings"
	"testing"

	"rigledger/fleet/testbay"
)

func TestTheHeightShareOfTheRuleSetScales(t *testing.T) {
	rs := iso(t)
	rs.Limits[testbay.LimitBoomHeightShare] = testbay.Limit{Value: 2, Unit: "%", Source: "test"}
	l, err := testbay.BoomHeightLimit(rs, 24)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "2 % of half of 24 m, cm", l.Value, 24, 1e-9)
}

func TestASteadyPressureIsNoError(t *testing.T) {
	rs := iso(t)
	vs, err := testbay.CheckPulsation(rs, testbay.Pulsation{WorkingBar: 3, LowestBar: 3, HighestBar: 3})
	if err != nil || !testbay.Passed(vs) {
		t.Errorf("no pulsation at all: %v, %v", vs, err)
	}
	vs, err = testbay.CheckRecovery(rs, testbay.Recovery{WorkingBar: 3, Samples: samples(2, 3, 5, 3)})
	if err != nil || len(vs) != 1 || !vs[0].Pass || vs[0].Measured != 2 {
		t.Errorf("pressure back at the first sample: %+v, %v", vs, err)
	}
}

func TestNoVerdictIsNoPass(t *testing.T) {
	if testbay.Passed(nil) {
		t.Error("nothing measured must not pass")
	}
	if _, ok := testbay.Worst(nil); ok {
		t.Error("nothing measured has no worst reading")
	}
}

func TestAFailedMachineSaysSo(t *testing.T) {
	rules := testbay.Intervals().For("FR")
	m := testbay.Machine{FirstPurchase: ptr(date(t, "2015-01-10")), BoomM: 24, Inspections: []testbay.Inspection{passed(t, "2024-05-02")}}
	for open, extra := range map[bool][]testbay.Inspection{false: nil, true: {failed(t, "2025-10-31")}} {
		n := m
		n.Inspections = append(slices.Clone(m.Inspections), extra...)
		got, err := testbay.NextInspection(rules, n, date(t, "2026-01-01"))
		if err != nil {
			t.Fatal(err)
		}
		if got.FailedOpen != open {
			t.Errorf("failed and open %v, want %v", got.FailedOpen, open)
		}
	}
}

func TestOnlyALeasedMachineUnderALawThatSaysSoNamesTheLessee(t *testing.T) {
	for _, c := range []struct {
		place  string
		leased bool
		names  bool
	}{{"UK", true, true}, {"UK", false, false}, {"DE", true, false}} {
		m := testbay.Machine{FirstPurchase: ptr(date(t, "2022-03-15")), BoomM: 24, Leased: c.leased}
		got, err := testbay.NextInspection(testbay.Intervals().For(c.place), m, date(t, "2026-01-01"))
		if err != nil {
			t.Fatal(err)
		}
		if strings.Contains(got.Dates[0].Reason, "lessee") != c.names {
			t.Errorf("%s, leased %v: %q", c.place, c.leased, got.Dates[0].Reason)
		}
	}
}

func TestReasonsReadAsSentences(t *testing.T) {
	on := date(t, "2026-01-01")
	table := testbay.Intervals()
	for _, c := range []struct {
		place string
		m     testbay.Machine
		want  string
	}{
		{"UK", testbay.Machine{FirstPurchase: ptr(date(t, "2022-03-15")), BoomM: 24}, "no inspection passed yet; first bought on 2022-03-15; first inspection: before 5 years are over"},
		{"DE", testbay.Machine{FirstPurchase: ptr(date(t, "2025-03-15")), FirstUse: ptr(date(t, "2025-04-01")), BoomM: 24}, "no inspection passed yet; first used on 2025-04-01; first inspection: 6 months"},
		{"DE", testbay.Machine{FirstPurchase: ptr(date(t, "2015-03-15")), Inspections: []testbay.Inspection{passed(t, "2024-04-01")}, BoomM: 24}, "passed on 2024-04-01; then 6 calendar half-years, to the end of the half-year"},
	} {
		got, err := testbay.NextInspection(table.For(c.place), c.m, on)
		if err != nil {
			t.Fatal(err)
		}
		if got.Dates[0].Reason != c.want {
			t.Errorf("%q, want %q", got.Dates[0].Reason, c.want)
		}
	}
	one := testbay.Term{Months: 12}
	if one.String() != "1 year" {
		t.Errorf("%q", one.String())
	}
}

func TestOptionalLookedAtPointsMayStayOpen(t *testing.T) {
	rs, err := testbay.ParseRuleSet([]byte(`
id: house
extends: iso-16122-2-2015
standard: house
edition: "1"
valid_from: 2026-01-01
where: our yards
points:
  - {id: hoses, heading: pipes_hoses, name: Hoses, kind: looked_at, stops_rig: false, optional: true, source: common practice}
  - {id: filters, heading: filtering, name: Filters, kind: looked_at, stops_rig: true, source: common practice}
`), testbay.RuleSets()...)
	if err != nil {
		t.Fatal(err)
	}
	if len(rs.Points) != len(iso(t).Points) {
		t.Errorf("%d points: two that differ must replace two", len(rs.Points))
	}
	s := goodSheet(rs)
	delete(s.Looked, "hoses")
	if r := judge(t, s, rs); r.Outcome != testbay.Pass || outcomeOf(t, r, "hoses").Outcome != testbay.NotNeeded {
		t.Errorf("outcome %s", r.Outcome)
	}
	s.Looked["hoses"] = testbay.Seen{Result: testbay.LookFail}
	if r := judge(t, s, rs); r.Outcome != testbay.Fail || len(r.StopsRig) != 0 {
		t.Errorf("an optional point that was looked at counts: %s", r.Outcome)
	}
}

func TestAnOpenNozzleIsNamedOnTheSheet(t *testing.T) {
	rs := iso(t)
	s := goodSheet(rs)
	s.Measured.NozzleFlow.FlowsLMin[1] = nil
	if p := outcomeOf(t, judge(t, s, rs), testbay.PointNozzleFlow); !strings.Contains(p.Why, "[2]") {
		t.Errorf("why: %q", p.Why)
	}
	if p := outcomeOf(t, judge(t, goodSheet(rs), rs), testbay.PointNozzleFlow); p.Why != "" {
		t.Errorf("a full set needs no why: %q", p.Why)
	}
}

func TestLimitsMayBeWrittenOnceAndReferredTo(t *testing.T) {
	rs, err := testbay.ParseRuleSet([]byte(`
id: house
extends: iso-16122-2-2015
standard: house
edition: "1"
valid_from: 2026-01-01
where: our yards
limits:
  flow_meter_percent: &three {value: 3, unit: "%", source: common practice}
  speed_sensor_percent: *three
`), testbay.RuleSets()...)
	if err != nil {
		t.Fatal(err)
	}
	if rs.Limits[testbay.LimitSpeedSensor].Value != 3 {
		t.Errorf("limit %+v", rs.Limits[testbay.LimitSpeedSensor])
	}
}

func TestDataFilesWithImpossibleRowsAreRefused(t *testing.T) {
	for _, c := range []struct{ name, file, old, new string }{
		{"a size twice", "nozzle-sizes.yaml", `code: "0075"`, `code: "005"`},
		{"a colour twice", "nozzle-sizes.yaml", `colour: "green", l_min: 0.6`, `colour: "orange", l_min: 0.6`},
		{"a size without a code", "nozzle-sizes.yaml", `code: "0075"`, `code: ""`},
		{"a size without flow", "nozzle-sizes.yaml", `l_min: 0.3`, `l_min: 0`},
		{"sizes out of order", "nozzle-sizes.yaml", `l_min: 0.3`, `l_min: 0.5`},
		{"two sizes of one flow", "nozzle-sizes.yaml", `l_min: 0.3`, `l_min: 0.2`},
		{"a mesh of nothing", "nozzle-sizes.yaml", `mesh: 16`, `mesh: 0`},
		{"a mesh of thousands", "nozzle-sizes.yaml", `mesh: 16`, `mesh: 1601`},
		{"a mesh without a colour", "nozzle-sizes.yaml", `mesh: 16, colour: "brown"`, `mesh: 16, colour: ""`},
		{"a negative boom", "inspection-intervals.yaml", `boom_over_m: 3`, `boom_over_m: -3`},
		{"thirty years", "inspection-intervals.yaml", `then: {months: 60}`, `then: {months: 360}`},
		{"thirty half-years too many", "inspection-intervals.yaml", `half_years: 6`, `half_years: 60`},
		{"a negative count of half-years", "inspection-intervals.yaml", `then: {half_years: 6}`, `then: {half_years: -6, months: 3}`},
	} {
		t.Run(c.name, func(t *testing.T) {
			data, err := os.ReadFile("rules/" + c.file)
			if err != nil {
				t.Fatal(err)
			}
			if !strings.Contains(string(data), c.old) {
				t.Fatalf("the file does not hold %q", c.old)
			}
			changed := []byte(strings.Replace(string(data), c.old, c.new, 1))
			if c.file == "nozzle-sizes.yaml" {
				_, err = testbay.ParseNozzleTable(changed)
			} else {
				_, err = testbay.ParseIntervals(changed)
			}
			if err == nil {
				t.Error("was read without complaint")
			}
		})
	}
}

func TestAPriceOfNothingIsRefused(t *testing.T) {
	r, err := testbay.JudgeCatch(iso(t), testbay.CatchTest{FlowsLMin: some(1.4), NominalLMin: ptr(1.2)})
	if err != nil {
		t.Fatal(err)
	}
	for _, set := range []int64{0, -1, 1 << 60} {
		_, err := testbay.CostOfChange(r, testbay.NozzlePrices{EachMinor: 450, SetMinor: &set})
		refused(t, err, "set_minor")
	}
}

// No product is lost where nothing is over-applied.
func TestNothingOverCostsNothing(t *testing.T) {
	got, err := testbay.ExtraProductCost(2500, 0, 100)
	if err != nil || got != 0 {
		t.Errorf("%d, %v", got, err)
	}
}
