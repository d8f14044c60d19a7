package testbay_test

import (
	"math"
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"

	"rigledger/fleet/testbay"
)

func must[T any](t *rapid.T, x T, err error) T {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
	return x
}

func same(t *rapid.T, what string, got, want float64) {
	t.Helper()
	if !(math.Abs(got-want) <= 1e-9*math.Max(math.Abs(got), math.Abs(want))) {
		t.Fatalf("%s: %.17g is not %.17g", what, got, want)
	}
}

func TestFlowFollowsTheRootOfPressureBothWays(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		q := rapid.Float64Range(.1, 5).Draw(t, "q")
		p1 := rapid.Float64Range(.5, 20).Draw(t, "p1")
		p2 := rapid.Float64Range(.5, 20).Draw(t, "p2")
		to, err := testbay.FlowAtPressure(q, p1, p2)
		same(t, "q²/p", must(t, to, err)*to/p2, q*q/p1)
		back, err := testbay.PressureForFlow(q, p1, to)
		same(t, "there and back", must(t, back, err), p2)
		double, err := testbay.FlowAtPressure(q, p1, 4*p1)
		same(t, "four times the pressure", must(t, double, err), 2*q)
	})
}

func TestDenserLiquidFlowsLess(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		q := rapid.Float64Range(.1, 50).Draw(t, "q")
		sg := rapid.Float64Range(.5, 2).Draw(t, "sg")
		liquid, err := testbay.FlowOfLiquid(q, sg)
		must(t, liquid, err)
		if (sg > 1) != (liquid < q) {
			t.Fatalf("%g of water is %g of gravity %g", q, liquid, sg)
		}
		water, err := testbay.WaterFor(liquid, sg)
		same(t, "there and back", must(t, water, err), q)
	})
}

func TestAnyOneOfTheFourFollowsFromTheOthers(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		want := testbay.SolvedRate{
			LMin: rapid.Float64Range(.2, 5).Draw(t, "q"), KmH: rapid.Float64Range(3, 30).Draw(t, "v"), SpacingM: rapid.Float64Range(.25, 1).Draw(t, "w"),
		}
		want.LHa = 600 * want.LMin / (want.KmH * want.SpacingM)
		for _, open := range []string{"l_ha", "l_min", "km_h", "spacing_m"} {
			r := testbay.Rate{LHa: &want.LHa, LMin: &want.LMin, KmH: &want.KmH, SpacingM: &want.SpacingM}
			switch open {
			case "l_ha":
				r.LHa = nil
			case "l_min":
				r.LMin = nil
			case "km_h":
				r.KmH = nil
			case "spacing_m":
				r.SpacingM = nil
			}
			got, err := testbay.SolveRate(r)
			must(t, got, err)
			if got.Solved != open {
				t.Fatalf("solved %s, want %s", got.Solved, open)
			}
			same(t, "l_ha", got.LHa, want.LHa)
			same(t, "l_min", got.LMin, want.LMin)
			same(t, "km_h", got.KmH, want.KmH)
			same(t, "spacing_m", got.SpacingM, want.SpacingM)
		}
		// The US formula says the same in its own units.
		gpa, err := testbay.RateUS(testbay.GallonsPerMinute(want.LMin), testbay.MPH(want.KmH), testbay.Inches(want.SpacingM))
		same(t, "GPA", testbay.LitresPerHectare(must(t, gpa, err)), want.LHa)
		gpm, err := testbay.FlowForRateUS(gpa, testbay.MPH(want.KmH), testbay.Inches(want.SpacingM))
		same(t, "GPM", testbay.LitresPerMinute(must(t, gpm, err)), want.LMin)
		// A test run over 100 m uses flow × time.
		litres := want.LMin * (100 / (want.KmH / 3.6)) / 60
		run, err := testbay.RateOfTestRun(litres, 100, want.SpacingM)
		same(t, "test run", must(t, run, err), want.LHa)
	})
}

func TestThe128thAcreCatchIsTheRate(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		gpm := rapid.Float64Range(.05, 2).Draw(t, "gpm")
		mph := rapid.Float64Range(2, 15).Draw(t, "mph")
		in := rapid.Float64Range(10, 60).Draw(t, "in")
		course, err := testbay.CourseOf128th(in)
		must(t, course, err)
		seconds := course / (mph * 88 / 60)
		ounces := testbay.GallonsToOunces(gpm * seconds / 60)
		caught, err := testbay.RateOf128th(ounces)
		must(t, caught, err)
		rate, err := testbay.RateUS(gpm, mph, in)
		same(t, "ounces against the formula", caught, must(t, rate, err))
		speed, err := testbay.SpeedUS(course, seconds)
		same(t, "speed over the course", must(t, speed, err), mph)
		kmh, err := testbay.SpeedOverCourse(testbay.MetresFromFeet(course), seconds)
		same(t, "speed in km/h", must(t, kmh, err), testbay.KmH(mph))
	})
}

func TestFieldCapacityIsTheSameInBothSystems(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		kmh := rapid.Float64Range(3, 30).Draw(t, "v")
		w := rapid.Float64Range(3, 50).Draw(t, "w")
		e := rapid.Float64Range(.1, 1).Draw(t, "e")
		ha, err := testbay.FieldCapacity(kmh, w, e)
		must(t, ha, err)
		ac, err := testbay.FieldCapacityUS(testbay.MPH(kmh), testbay.Feet(w), e)
		same(t, "hectares", testbay.Hectares(must(t, ac, err)), ha)
	})
}

func TestUnitsGoThereAndBack(t *testing.T) {
	pairs := map[string][2]func(float64) float64{
		"l/ha": {testbay.LitresPerHectare, testbay.GallonsPerAcre}, "l/min": {testbay.LitresPerMinute, testbay.GallonsPerMinute},
		"l": {testbay.Litres, testbay.Gallons}, "oz": {testbay.OuncesToGallons, testbay.GallonsToOunces}, "km/h": {testbay.KmH, testbay.MPH},
		"in": {testbay.MetresFromInches, testbay.Inches}, "ft": {testbay.MetresFromFeet, testbay.Feet}, "bar": {testbay.Bar, testbay.PSI}, "ha": {testbay.Hectares, testbay.Acres},
	}
	rapid.Check(t, func(t *rapid.T) {
		x := rapid.Float64Range(1e-3, 1e6).Draw(t, "x")
		for name, p := range pairs {
			same(t, name, p[1](p[0](x)), x)
		}
	})
	// Exact factors: NIST SP 811, appendix B (from memory): 1 acre = 4046.856 m²
	// (international foot 4046.8564224), 1 psi = 6894.757 Pa, 1 US gal = 3.785412 l,
	// 1 mile = 1.609344 km, 1 ft = 0.3048 m, 1 in = 2.54 cm.
	for name, c := range map[string][2]float64{
		"acre": {testbay.Hectares(1), .40468564224}, "psi": {testbay.Bar(1), .06894757}, "gallon": {testbay.Litres(1), 3.785412},
		"mile": {testbay.KmH(1), 1.609344}, "foot": {testbay.MetresFromFeet(1), .3048}, "inch": {testbay.MetresFromInches(1), .0254},
	} {
		near(t, name, c[0], c[1], 5e-7)
	}
}

func TestMorePortionsAndMoreWaterDiluteMore(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := rapid.Float64Range(5, 100).Draw(t, "residual")
		v := r * rapid.Float64Range(.5, 15).Draw(t, "times")
		n := rapid.IntRange(1, 20).Draw(t, "n")
		one, err := testbay.DilutionFactor(r, v, n)
		must(t, one, err)
		next, err := testbay.DilutionFactor(r, v, n+1)
		if !(must(t, next, err) > one) {
			t.Fatalf("%d portions %g, %d portions %g", n, one, n+1, next)
		}
		if !(next < math.Exp(v/r)) {
			t.Fatalf("%g is beyond endless portions, %g", next, math.Exp(v/r))
		}
		more, err := testbay.DilutionFactor(r, v*1.1, n)
		if !(must(t, more, err) > one) {
			t.Fatal("more water must dilute more")
		}
		left, err := testbay.RinseConcentration(r, v, n)
		same(t, "reciprocal", must(t, left, err)*one, 1)
		water, err := testbay.WaterForDilution(r, one, n)
		same(t, "least water", must(t, water, err), v)
		portions, err := testbay.PortionsFor(r, v, one)
		if must(t, portions, err) != n {
			t.Fatalf("%d portions for what %d reach", portions, n)
		}
		portions, err = testbay.PortionsFor(r, v, one*1.0001)
		if must(t, portions, err) != n+1 {
			t.Fatalf("%d portions for a little more than %d reach", portions, n)
		}
	})
	_, err := testbay.PortionsFor(100, 100, 3) // endless portions reach e = 2.718
	refused(t, err, "dilution")
}

func TestTheOrderOfNozzlesDoesNotMatter(t *testing.T) {
	rs := iso(t)
	rapid.Check(t, func(t *rapid.T) {
		flows := rapid.SliceOfN(rapid.Float64Range(.9, 1.5), 2, 60).Draw(t, "flows")
		shuffled := rapid.Permutation(flows).Draw(t, "shuffled")
		test := testbay.CatchTest{FlowsLMin: some(flows...)}
		other := testbay.CatchTest{FlowsLMin: some(shuffled...)}
		if rapid.Bool().Draw(t, "nominal known") {
			test.NominalLMin, other.NominalLMin = ptr(1.2), ptr(1.2)
		}
		a, err := testbay.JudgeCatch(rs, test)
		must(t, a, err)
		b, err := testbay.JudgeCatch(rs, other)
		must(t, b, err)
		if a.MeanLMin != b.MeanLMin || *a.SDLMin != *b.SDLMin || *a.CVPercent != *b.CVPercent || a.Outcome != b.Outcome || a.ChangeSet != b.ChangeSet {
			t.Fatalf("another order, another result: %+v %+v", a, b)
		}
		out := func(r testbay.CatchResult) []float64 {
			var xs []float64
			for _, p := range r.Change {
				xs = append(xs, *r.Nozzles[p-1].LMin)
			}
			slices.Sort(xs)
			return xs
		}
		if !slices.Equal(out(a), out(b)) {
			t.Fatalf("another order, other nozzles: %v %v", out(a), out(b))
		}
	})
}

func TestExactlyAtALimitPassesAndJustBeyondFails(t *testing.T) {
	rs := iso(t)
	rapid.Check(t, func(t *rapid.T) {
		base := rapid.Float64Range(.5, 20).Draw(t, "base")
		sign := rapid.SampledFrom([]float64{-1, 1}).Draw(t, "sign")
		at := func(percent float64) float64 { return base * (1 + sign*percent/100) }
		judge := func(what string, limit float64, f func(x float64) ([]testbay.Verdict, error)) {
			for _, c := range []struct {
				x    float64
				pass bool
			}{{at(limit), true}, {at(limit * (1 - 1e-6)), true}, {at(limit * (1 + 1e-6)), false}} {
				vs, err := f(c.x)
				if got := testbay.Passed(must(t, vs, err)); got != c.pass {
					t.Fatalf("%s: %.17g against %.17g passes %v", what, c.x, base, got)
				}
			}
		}
		judge("nozzle", 10, func(x float64) ([]testbay.Verdict, error) {
			r, err := testbay.JudgeCatch(rs, testbay.CatchTest{FlowsLMin: []*float64{&x}, NominalLMin: &base})
			return r.Verdicts(), err
		})
		judge("flow meter", 5, func(x float64) ([]testbay.Verdict, error) {
			return testbay.CheckFlowMeter(rs, testbay.FlowMeterCheck{IndicatedLMin: x, ReferenceLMin: base})
		})
		judge("section closed", 10, func(x float64) ([]testbay.Verdict, error) {
			return testbay.CheckSectionClosed(rs, testbay.SectionClosed{WorkingBar: base, ClosedBar: []float64{x}})
		})
		judge("spacing", 5, func(x float64) ([]testbay.Verdict, error) {
			return testbay.CheckNozzleSpacing(rs, testbay.NozzleSpacing{NominalCM: base, SpacingsCM: []float64{x}})
		})
		master := 2 + base
		vs, err := testbay.CheckGaugeError(rs, testbay.GaugeError{Readings: []testbay.GaugeReading{{MasterBar: master, GaugeBar: master * (1 + sign*.1)}}})
		if !testbay.Passed(must(t, vs, err)) {
			t.Fatalf("a gauge at exactly 10 %% of %g bar must pass", master)
		}
	})
}

func TestFoldingLosesNoLiquid(t *testing.T) {
	rs := iso(t)
	rapid.Check(t, func(t *rapid.T) {
		gutters := rapid.SliceOfN(rapid.Float64Range(1, 200), 9, 120).Draw(t, "gutters")
		k := rapid.IntRange(0, len(gutters)/3).Draw(t, "k")
		r, err := testbay.JudgeDistribution(rs, testbay.Distribution{GuttersML: gutters, OverlapGutters: k})
		must(t, r, err)
		sum := func(xs []float64) (s float64) {
			for _, x := range xs {
				s += x
			}
			return s
		}
		same(t, "liquid", sum(r.GuttersML), sum(gutters))
		if len(r.GuttersML) != len(gutters)-2*k {
			t.Fatalf("%d gutters of %d with %d folded", len(r.GuttersML), len(gutters), k)
		}
	})
}

func TestSpeedWindowHoldsTheRate(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		size := rapid.SampledFrom(testbay.Nozzles().Sizes).Draw(t, "size")
		low := rapid.Float64Range(1, 3).Draw(t, "low")
		high := low + rapid.Float64Range(0, 4).Draw(t, "more")
		lha := 600 * size.LMin / (rapid.Float64Range(6, 14).Draw(t, "km_h at 3 bar") * .5)
		w, err := testbay.SpeedRange(lha, .5, size.LMin, size.AtBar, low, high)
		must(t, w, err)
		for kmh, q := range map[float64]float64{w.LowestKmH: w.LowestLMin, w.HighestKmH: w.HighestLMin} {
			s, err := testbay.SolveRate(testbay.Rate{LMin: &q, KmH: &kmh, SpacingM: ptr(.5)})
			same(t, "rate at the edge", must(t, s, err).LHa, lha)
		}
		if w.LowestKmH > w.HighestKmH {
			t.Fatalf("a window upside down: %+v", w)
		}
	})
}

func TestTheStrictestDateIsNeverLaterThanAnyRule(t *testing.T) {
	table := testbay.Intervals()
	rapid.Check(t, func(t *rapid.T) {
		bought := testbay.Date{Year: 2010, Month: 1, Day: 1}.AddDays(rapid.IntRange(0, 5000).Draw(t, "bought"))
		on := bought.AddDays(rapid.IntRange(0, 4000).Draw(t, "age"))
		m := testbay.Machine{FirstPurchase: &bought, BoomM: 24, Contractor: rapid.Bool().Draw(t, "contractor")}
		for range rapid.IntRange(0, 4).Draw(t, "inspections") {
			m.Inspections = append(m.Inspections, testbay.Inspection{
				On: bought.AddDays(rapid.IntRange(0, bought.DaysUntil(on)).Draw(t, "inspected")), Passed: rapid.Bool().Draw(t, "passed")})
		}
		rules := rapid.Permutation([]testbay.IntervalRule(table)).Draw(t, "rules")
		all, err := testbay.NextInspection(rules, m, on)
		must(t, all, err)
		if len(all.Dates)+len(all.Skipped) != len(rules) {
			t.Fatal("a rule was lost")
		}
		for _, d := range all.Dates {
			if d.Due.Before(*all.On) {
				t.Fatalf("%s is due %s, before the strictest %s", d.Rule, d.Due, all.On)
			}
			if slices.Contains(all.Strictest, d.Rule) != (d.Due == *all.On) {
				t.Fatalf("%s ties or not: %v", d.Rule, all.Strictest)
			}
		}
		fewer, err := testbay.NextInspection(rules[1:], m, on)
		must(t, fewer, err)
		if fewer.On != nil && fewer.On.Before(*all.On) {
			t.Fatal("a further rule made the date later")
		}
		slices.Reverse(m.Inspections)
		again, err := testbay.NextInspection(rules, m, on)
		if *must(t, again, err).On != *all.On {
			t.Fatal("the order of inspections changed the date")
		}
	})
}

func TestHalfYearsAgainstTheCalendar(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := testbay.Date{Year: 2000, Month: 1, Day: 1}.AddDays(rapid.IntRange(0, 20000).Draw(t, "day"))
		n := rapid.IntRange(0, 12).Draw(t, "n")
		end := d.EndOfHalfYear(n)
		// Oracle: walk day by day and count the half-years that ended.
		walk, ended := d, -1
		for {
			if (walk.Month == time.June && walk.Day == 30) || (walk.Month == time.December && walk.Day == 31) {
				if ended++; ended == n {
					break
				}
			}
			walk = walk.AddDays(1)
		}
		if walk != end {
			t.Fatalf("%s and %d half-years end on %s, not %s", d, n, walk, end)
		}
	})
}
