package testbay_test

import (
	"math"
	"strconv"
	"testing"

	"rigledger/fleet/testbay"
)

// Every argument of every formula, made impossible in turn, must be refused by
// its own name and answered with zero, never with a number.
func TestArithmeticRefusesTheImpossible(t *testing.T) {
	type formula struct {
		name   string
		fields []string
		good   []float64
		f      func(x []float64) (float64, error)
	}
	formulas := []formula{
		{"flow at pressure", []string{"l_min", "bar", "at_bar"}, []float64{1.2, 3, 2}, func(x []float64) (float64, error) { return testbay.FlowAtPressure(x[0], x[1], x[2]) }},
		{"pressure for flow", []string{"l_min", "bar", "at_l_min"}, []float64{1.2, 3, 1}, func(x []float64) (float64, error) { return testbay.PressureForFlow(x[0], x[1], x[2]) }},
		{"gravity factor", []string{"specific_gravity"}, []float64{1.28}, func(x []float64) (float64, error) { return testbay.GravityFactor(x[0]) }},
		{"flow of a liquid", []string{"l_min", "specific_gravity"}, []float64{1.2, 1.28}, func(x []float64) (float64, error) { return testbay.FlowOfLiquid(x[0], x[1]) }},
		{"water for a liquid", []string{"l_min", "specific_gravity"}, []float64{1.2, 1.28}, func(x []float64) (float64, error) { return testbay.WaterFor(x[0], x[1]) }},
		{"gravity of pounds", []string{"lb_gal"}, []float64{10.65}, func(x []float64) (float64, error) { return testbay.SpecificGravityOfPounds(x[0]) }},
		{"speed", []string{"course_m", "seconds"}, []float64{100, 36}, func(x []float64) (float64, error) { return testbay.SpeedOverCourse(x[0], x[1]) }},
		{"speed, US", []string{"course_ft", "seconds"}, []float64{200, 45}, func(x []float64) (float64, error) { return testbay.SpeedUS(x[0], x[1]) }},
		{"field capacity", []string{"km_h", "width_m", "efficiency"}, []float64{10, 24, .65}, func(x []float64) (float64, error) { return testbay.FieldCapacity(x[0], x[1], x[2]) }},
		{"field capacity, US", []string{"mph", "width_ft", "efficiency"}, []float64{6, 40, .7}, func(x []float64) (float64, error) { return testbay.FieldCapacityUS(x[0], x[1], x[2]) }},
		{"test run", []string{"litres", "course_m", "width_m"}, []float64{20, 100, 12}, func(x []float64) (float64, error) { return testbay.RateOfTestRun(x[0], x[1], x[2]) }},
		{"rate, US", []string{"gpm", "mph", "spacing_in"}, []float64{.4, 6, 20}, func(x []float64) (float64, error) { return testbay.RateUS(x[0], x[1], x[2]) }},
		{"flow for a rate, US", []string{"gpa", "mph", "spacing_in"}, []float64{20, 6, 20}, func(x []float64) (float64, error) { return testbay.FlowForRateUS(x[0], x[1], x[2]) }},
		{"rate of an area, US", []string{"gallons", "course_ft", "width_ft"}, []float64{12, 660, 10}, func(x []float64) (float64, error) { return testbay.RateOfAreaUS(x[0], x[1], x[2]) }},
		{"1/128-acre course", []string{"spacing_in"}, []float64{20}, func(x []float64) (float64, error) { return testbay.CourseOf128th(x[0]) }},
		{"1/128-acre course of a boom", []string{"width_ft"}, []float64{12}, func(x []float64) (float64, error) { return testbay.CourseOf128thBoom(x[0]) }},
		{"1/128-acre catch", []string{"ounces"}, []float64{20}, func(x []float64) (float64, error) { return testbay.RateOf128th(x[0]) }},
		{"rinsing", []string{"residual_l", "water_l"}, []float64{30, 300}, func(x []float64) (float64, error) { return testbay.RinseConcentration(x[0], x[1], 3) }},
		{"dilution", []string{"residual_l", "water_l"}, []float64{30, 300}, func(x []float64) (float64, error) { return testbay.DilutionFactor(x[0], x[1], 3) }},
		{"portions", []string{"residual_l", "water_l", "dilution"}, []float64{30, 300, 30}, func(x []float64) (float64, error) {
			n, err := testbay.PortionsFor(x[0], x[1], x[2])
			return float64(n), err
		}},
		{"water for a dilution", []string{"residual_l", "dilution"}, []float64{30, 30}, func(x []float64) (float64, error) { return testbay.WaterForDilution(x[0], x[1], 3) }},
		{"speed window", []string{"l_ha", "spacing_m", "l_min", "bar", "lowest_bar", "highest_bar"}, []float64{150, .5, 1.2, 3, 1.5, 4}, func(x []float64) (float64, error) {
			w, err := testbay.SpeedRange(x[0], x[1], x[2], x[3], x[4], x[5])
			return w.HighestKmH, err
		}},
		{"rate", []string{"l_min", "km_h", "spacing_m"}, []float64{1.2, 10, .5}, func(x []float64) (float64, error) {
			s, err := testbay.SolveRate(testbay.Rate{LMin: &x[0], KmH: &x[1], SpacingM: &x[2]})
			return s.LHa, err
		}},
		{"flow", []string{"l_ha", "km_h", "spacing_m"}, []float64{144, 10, .5}, func(x []float64) (float64, error) {
			s, err := testbay.SolveRate(testbay.Rate{LHa: &x[0], KmH: &x[1], SpacingM: &x[2]})
			return s.LMin, err
		}},
	}
	impossible := []float64{0, -1, math.NaN(), math.Inf(1), math.Inf(-1), 1e15, -math.SmallestNonzeroFloat64}
	for _, f := range formulas {
		t.Run(f.name, func(t *testing.T) {
			if x, err := f.f(append([]float64(nil), f.good...)); err != nil || !(x > 0) {
				t.Fatalf("good input gave %g, %v", x, err)
			}
			for i, field := range f.fields {
				for _, bad := range impossible {
					x := append([]float64(nil), f.good...)
					x[i] = bad
					got, err := f.f(x)
					refused(t, err, field)
					if got != 0 {
						t.Errorf("%s = %g was answered with %g", field, bad, got)
					}
				}
			}
		})
	}
}

func TestAnswersNoSprayerCanGiveAreRefused(t *testing.T) {
	_, err := testbay.SolveRate(testbay.Rate{LHa: ptr(10.0), LMin: ptr(40.0), SpacingM: ptr(.5)})
	refused(t, err, "km_h") // 4800 km/h
	_, err = testbay.SpeedOverCourse(100, 1)
	refused(t, err, "km_h") // 360 km/h
	_, err = testbay.PressureForFlow(.4, 3, 8)
	refused(t, err, "at_bar") // 1200 bar
	_, err = testbay.SpeedRange(10, .5, 8, 3, 1, 4)
	refused(t, err, "lowest_km_h")
	_, err = testbay.SpeedRange(150, .5, 1.2, 3, 4, 1)
	refused(t, err, "lowest_bar")
	_, err = testbay.WaterForDilution(30, 1, 3)
	refused(t, err, "dilution")
	_, err = testbay.GravityFactor(.4)
	refused(t, err, "specific_gravity")
	for _, n := range []int{0, -1, 1001} {
		_, err = testbay.DilutionFactor(30, 300, n)
		refused(t, err, "portions")
	}
	_, err = testbay.ExtraProductCost(-1, 10, 100)
	refused(t, err, "product_cost_per_ha")
	all := testbay.Rate{LHa: ptr(144.0), LMin: ptr(1.2), KmH: ptr(10.0), SpacingM: ptr(.5)}
	_, err = testbay.SolveRate(all)
	refused(t, err, "l_ha")
	all.LHa, all.KmH = nil, nil
	_, err = testbay.SolveRate(all)
	refused(t, err, "l_ha")
}

// The trade file's table (ISO 10625 and ISO 19732, from memory).
func TestTheNozzleTable(t *testing.T) {
	table := testbay.Nozzles()
	want := []struct {
		code, colour string
		lMin         float64
	}{
		{"005", "", .2}, {"0075", "", .3}, {"01", "orange", .4}, {"015", "green", .6}, {"02", "yellow", .8}, {"025", "lilac", 1},
		{"03", "blue", 1.2}, {"035", "brown-red", 1.4}, {"04", "red", 1.6}, {"05", "brown", 2}, {"06", "grey", 2.4}, {"08", "white", 3.2},
		{"10", "light blue", 4}, {"15", "light green", 6}, {"20", "black", 8},
	}
	if len(table.Sizes) != len(want) {
		t.Fatalf("%d sizes, want %d", len(table.Sizes), len(want))
	}
	for i, w := range want {
		if n := table.Sizes[i]; n.Code != w.code || n.Colour != w.colour || n.LMin != w.lMin || n.AtBar != 3 {
			t.Errorf("size %d is %+v, want %+v at 3 bar", i, n, w)
		}
		// The code reads as US gallons a minute at 40 psi ("03" is 0.3, "0075" is
		// 0.075): a check from outside the table, which rounds by about 1.3 %.
		n, err := table.Size(w.code)
		if err != nil {
			t.Fatal(err)
		}
		gpm, err := strconv.ParseFloat(w.code[:1]+"."+w.code[1:], 64)
		if err != nil {
			t.Fatal(err)
		}
		flow, err := n.FlowAt(testbay.Bar(40))
		if err != nil {
			t.Fatal(err)
		}
		near(t, "size "+w.code+" at 40 psi", flow, testbay.LitresPerMinute(gpm), .02*flow)
	}
	for mesh, colour := range map[int]string{16: "brown", 32: "red", 50: "blue", 80: "yellow", 100: "green"} {
		found := false
		for _, s := range table.Strainers {
			found = found || (s.Mesh == mesh && s.Colour == colour)
		}
		if !found {
			t.Errorf("no %s strainer of mesh %d", colour, mesh)
		}
	}
	for _, bad := range []string{"", "3", "pink", "030"} {
		_, err := table.Size(bad)
		refused(t, err, "size")
	}
	for _, bad := range []string{"", "nozzles: {}", "nozzles: {standard: x, source: y, valid_from: 2020-01-01, at_bar: 0}"} {
		if _, err := testbay.ParseNozzleTable([]byte(bad)); err == nil {
			t.Errorf("%q was read as a nozzle table", bad)
		}
	}
}
