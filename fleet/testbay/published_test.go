package testbay_test

import (
	"testing"

	"rigledger/fleet/testbay"
)

// Worked examples as printed in handbooks and extension sheets. The tolerance is
// half a unit of the last printed digit. Where print and arithmetic differ, the
// example stands in TestPrintedErrata instead: errata are noted, not matched.
func TestWorkedExamplesOfPublishedHandbooks(t *testing.T) {
	const (
		osuFABE520  = "Ohio State University Extension, FABE-520, Boom Sprayer Calibration"
		osuB817     = "Ohio State University Extension, Bulletin 817, Calibrating Turfgrass Chemical Application Equipment, table 1"
		usu         = "Utah State University Extension, 2014-03"
		okTurf      = "Oklahoma State University, Sprayer Calibration sheet (turf)"
		okLiquid    = "Oklahoma State University Extension, Using Water to Calibrate Sprayers for Fertilizers and Other Liquid Solutions, table 1"
		iowaA324    = "Iowa State University, Ag Decision Maker A3-24, Estimating the Field Capacity of Farm Machines"
		iowaPM696   = "Iowa State University Extension, PM 696 (April 2001), Estimating Field Capacity of Farm Machines"
		nebraska    = "University of Nebraska CropWatch 2016, Setting the Sprayer Flow Rate for Non-Water Solutions"
		georgia     = "University of Georgia Extension, Spraying Solutions Other Than Water, table 1"
		alberta     = "Alberta Agriculture, Agdex 606-1, ground speed chart over 800 m"
		albany      = "Albany County Weed and Pest District, Calibrating Your Sprayer"
		mesa        = "Mesa County Pest Control, Stationary Calibration Method for Boom Sprayers"
		montana     = "Montana State University Extension, Calibration Using the Test Strip Method"
		examManual  = "Florida Pest Control Examinations (study manual), p. 213, method II"
		londrina    = "Data Analysis of Pesticide Application Technology, R reference manual 1.0.2 (authors at the State University of Londrina)"
		tradePress  = "L'étalonnage des pulvérisateurs, une opération indispensable (trade press)"
		arithmetic  = "arithmetic"
		isoTable    = "arithmetic on ISO 10625"
		illinois    = "University of Illinois Extension, 60 Ways Farmers Can Protect Surface Water, no. 55"
		quadrupling = "arithmetic: four times the pressure doubles the flow"
	)
	gravity := func(lb float64) func() (float64, error) {
		return func() (float64, error) { return testbay.SpecificGravityOfPounds(lb) }
	}
	factor := func(lb float64) func() (float64, error) {
		return func() (float64, error) {
			sg, err := testbay.SpecificGravityOfPounds(lb)
			if err != nil {
				return 0, err
			}
			return testbay.GravityFactor(sg)
		}
	}
	course := func(in float64) func() (float64, error) {
		return func() (float64, error) { return testbay.CourseOf128th(in) }
	}
	boom := func(ft float64) func() (float64, error) {
		return func() (float64, error) { return testbay.CourseOf128thBoom(ft) }
	}
	capacity := func(ft, mph, percent float64) func() (float64, error) {
		return func() (float64, error) { return testbay.FieldCapacityUS(mph, ft, percent/100) }
	}
	speed := func(ft, s float64) func() (float64, error) {
		return func() (float64, error) { return testbay.SpeedUS(ft, s) }
	}
	over800 := func(s float64) func() (float64, error) {
		return func() (float64, error) { return testbay.SpeedOverCourse(800, s) }
	}
	gpa := func(gpm, mph, in float64) func() (float64, error) {
		return func() (float64, error) { return testbay.RateUS(gpm, mph, in) }
	}
	size := func(code string, bar float64) func() (float64, error) {
		return func() (float64, error) {
			n, err := testbay.Nozzles().Size(code)
			if err != nil {
				return 0, err
			}
			return n.FlowAt(bar)
		}
	}

	for _, ex := range []struct {
		name   string
		got    func() (float64, error)
		want   float64
		within float64
		source string
	}{
		// Check values of the trade file, section 3.
		{"1/128-acre course, 20 in spacing, ft", course(20), 204, .5, osuFABE520},
		{"1/128-acre course, 30 in spacing, ft", course(30), 136, .5, osuFABE520},
		{"1/128-acre course, 40 in spacing, ft", course(40), 102, .5, osuFABE520},
		{"1/128-acre course, 9 ft boom, ft", boom(9), 37.8, .05, usu},
		{"1/128-acre course, 12 ft boom, ft", boom(12), 28.4, .05, usu},
		{"200 ft in 45 s, mph", speed(200, 45), 3.03, .005, okTurf + " (printed 3)"},
		{"40 ft, 6 mph, 70 %, ac/h", capacity(40, 6, 70), 20.4, .05, iowaA324},
		{"60 ft, 6 mph, 68 %, ac/h", capacity(60, 6, 68), 29.7, .05, iowaA324},
		{"0.15 GPM, 48 in, 5 mph, GPA", gpa(.15, 5, 48), 3.71, .005, arithmetic},
		{"03 nozzle at 3 bar, 10 km/h, 0.5 m, l/ha", func() (float64, error) {
			n, err := testbay.Nozzles().Size("03")
			if err != nil {
				return 0, err
			}
			s, err := testbay.SolveRate(testbay.Rate{LMin: ptr(n.LMin), KmH: ptr(10.0), SpacingM: ptr(.5)})
			return s.LHa, err
		}, 144, 1e-9, isoTable},
		{"flow for 120 l/ha at 10 km/h, 0.5 m, l/min", func() (float64, error) {
			s, err := testbay.SolveRate(testbay.Rate{LHa: ptr(120.0), KmH: ptr(10.0), SpacingM: ptr(.5)})
			return s.LMin, err
		}, 1, 1e-9, isoTable},
		{"03 nozzle, pressure for 1.0 l/min, bar", func() (float64, error) {
			n, err := testbay.Nozzles().Size("blue")
			if err != nil {
				return 0, err
			}
			return n.PressureFor(1)
		}, 2.083, .0005, isoTable},
		{"residual 30 l, 300 l, one portion", func() (float64, error) { return testbay.RinseConcentration(30, 300, 1) }, 1. / 11, 1e-12, arithmetic},
		{"residual 30 l, 300 l, two portions", func() (float64, error) { return testbay.RinseConcentration(30, 300, 2) }, 1. / 36, 1e-12, arithmetic},
		{"residual 30 l, 300 l, three portions", func() (float64, error) { return testbay.DilutionFactor(30, 300, 3) }, 2197. / 27, 1e-9, arithmetic + "; see TestRinsingInThreePortions"},
		{"1 gal/ac in l/ha", func() (float64, error) { return testbay.LitresPerHectare(1), nil }, 9.354, .0005, "trade file, section 3"},

		// Further examples, read for this test.
		{"1/128-acre course, 18 in", course(18), 227, .5, osuB817},
		{"1/128-acre course, 24 in", course(24), 170, .5, osuB817},
		{"1/128-acre course, 26 in", course(26), 157, .5, osuB817},
		{"1/128-acre course, 28 in", course(28), 146, .5, osuB817},
		{"1/128-acre course, 34 in", course(34), 120, .5, osuB817},
		{"1/128-acre course, 36 in", course(36), 113, .5, osuB817},
		{"1/128-acre course, 38 in", course(38), 107, .5, osuB817},
		{"80 ounces caught, GPA", func() (float64, error) { return testbay.RateOf128th(80) }, 80, 0, osuB817},
		{"200 ft in 27 s, mph", speed(200, 27), 5, .5, okTurf},
		{"101 ounces in a minute, GPM", func() (float64, error) { return testbay.OuncesToGallons(101), nil }, .79, .005, okTurf},
		{"88 ft in a minute, mph", speed(88, 60), 1, 1e-12, montana},
		{"50 ft, 6 mph, 70 %, ac/h", capacity(50, 6, 70), 25.5, .05, iowaPM696},
		{"10 ft, 5 mph, 63 %, ac/h", capacity(10, 5, 63), 3.8, .05, iowaPM696},
		{"15 ft, 5 mph, 63 %, ac/h", capacity(15, 5, 63), 5.7, .05, iowaPM696},
		{"15 ft, 6 mph, 63 %, ac/h", capacity(15, 6, 63), 6.9, .05, iowaPM696},
		{"20 ft, 6 mph, 63 %, ac/h", capacity(20, 6, 63), 9.2, .05, iowaPM696},
		{"30 ft, 6 mph, 60 %, ac/h", capacity(30, 6, 60), 13.1, .05, iowaPM696},
		{"seven 16 in bottoms, 5 mph, 85 %, ac/h", capacity(7*16./12, 5, 85), 4.8, .05, iowaPM696},
		{"twelve 18 in bottoms, 5 mph, 83 %, ac/h", capacity(18, 5, 83), 9.1, .05, iowaPM696},
		{"11 ft 3 in, 5.5 mph, 85 %, ac/h", capacity(11.25, 5.5, 85), 6.4, .05, iowaPM696},
		{"16 ft 3 in, 5.5 mph, 83 %, ac/h", capacity(16.25, 5.5, 83), 9, .05, iowaPM696},
		{"28-0-0 at 10.65 lb/gal, specific gravity", gravity(10.65), 1.28, .005, nebraska},
		{"28-0-0 at 10.65 lb/gal, conversion factor", factor(10.65), 1.13, .005, nebraska},
		{"20 GPA of 28-0-0 as water, GPA", func() (float64, error) {
			sg, err := testbay.SpecificGravityOfPounds(10.65)
			if err != nil {
				return 0, err
			}
			return testbay.WaterFor(20, sg)
		}, 22.6, .05, nebraska},
		{"6.6 lb/gal, conversion factor", factor(6.6), .89, .005, nebraska},
		{"7.0 lb/gal, conversion factor", factor(7), .92, .005, nebraska},
		{"8.0 lb/gal, conversion factor", factor(8), .98, .005, nebraska},
		{"9.0 lb/gal, conversion factor", factor(9), 1.04, .005, nebraska},
		{"10-34-0 at 11.4 lb/gal, conversion factor", factor(11.4), 1.17, .005, nebraska},
		{"11-37-0 at 11.6 lb/gal, specific gravity", gravity(11.6), 1.39, .005, nebraska},
		{"12.0 lb/gal, conversion factor", factor(12), 1.2, .005, nebraska},
		{"14.0 lb/gal, specific gravity", gravity(14), 1.68, .005, georgia},
		{"16.0 lb/gal, conversion factor", factor(16), 1.39, .005, georgia},
		{"7-21-7 at 11.2 lb/gal, conversion factor", factor(11.2), 1.16, .005, okLiquid},
		{"salt water at 8.5 lb/gal, conversion factor", factor(8.5), 1.01, .005, okLiquid},
		{"800 m in 6:00, km/h", over800(360), 8, .005, alberta},
		{"800 m in 5:20, km/h", over800(320), 9, .005, alberta},
		{"800 m in 4:48, km/h", over800(288), 10, .005, alberta},
		{"800 m in 4:22, km/h", over800(262), 11, .025, alberta + " (printed to the second)"},
		{"800 m in 4:00, km/h", over800(240), 12, .005, alberta},
		{"3.75 GPM over 222 in at 5 mph, GPA", gpa(3.75, 5, 222), 20, .5, albany},
		{"480 ounces in gallons", func() (float64, error) { return testbay.OuncesToGallons(480), nil }, 3.75, 1e-12, albany},
		{"factor for ounces a minute", gpa(1./128, 1, 1), 46.4, .05, albany},
		{"factor for a swath in feet", gpa(1, 1, 12), 495, 1e-9, mesa},
		{"12 gal over 660 ft at 10 ft, GPA", func() (float64, error) { return testbay.RateOfAreaUS(12, 660, 10) }, 79.2, .05, examManual},
		{"0.80 l/min at 2.80 bar, at 1.00 bar, l/min", func() (float64, error) { return testbay.FlowAtPressure(.8, 2.8, 1) }, .48, .005, londrina},
		{"190 l/ha, 10 km/h, 50 cm, l/min", func() (float64, error) {
			s, err := testbay.SolveRate(testbay.Rate{LHa: ptr(190.0), KmH: ptr(10.0), SpacingM: ptr(.5)})
			return s.LMin, err
		}, 1.58, .005, tradePress},
		{"25.00 an acre, 10 % over, 1000 acres, cents", func() (float64, error) {
			c, err := testbay.ExtraProductCost(2500, 10, 1000)
			return float64(c), err
		}, 250000, 0, illinois},
		{"05 nozzle at 12 bar, l/min", size("05", 12), 4, 1e-12, quadrupling},
	} {
		t.Run(ex.name, func(t *testing.T) {
			got, err := ex.got()
			if err != nil {
				t.Fatalf("%v (%s)", err, ex.source)
			}
			near(t, ex.name+" ["+ex.source+"]", got, ex.want, ex.within+1e-12)
		})
	}
}

// The trade file prints 1/81 for three portions; (30/(30+100))^3 is 27/2197, or
// 1/81.37. The printed value is rounded to a whole factor.
func TestRinsingInThreePortions(t *testing.T) {
	got, err := testbay.DilutionFactor(30, 300, 3)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "dilution factor", got, 81, .5)
	near(t, "dilution factor", got, 81.3703703704, 1e-9)
}

// Prints that arithmetic contradicts. Each must differ from the print by more
// than its rounding and agree with the arithmetic given.
func TestPrintedErrata(t *testing.T) {
	for _, e := range []struct {
		name             string
		got              func() (float64, error)
		printed, rounded float64 // printed value, and half its last digit
		exact            float64
		source           string
	}{
		{"0.15 GPM, 48 in, 5 mph", func() (float64, error) { return testbay.RateUS(.15, 5, 48) }, 327, .5, 3.7125,
			"printed exam answer; the speed in feet a minute was left out"},
		{"101 oz a minute, 3 mph, 18 in", func() (float64, error) { return testbay.RateUS(.79, 3, 18) }, 88, .5, 86.9,
			"Oklahoma State University, Sprayer Calibration sheet (turf)"},
		{"7 km/h over 800 m takes 6:51, not 6:48", func() (float64, error) { return testbay.SpeedOverCourse(800, 408) }, 7, .0087, 2880. / 408,
			"Alberta Agriculture, Agdex 606-1 (half a second is 0.0087 km/h)"},
		{"1/128-acre course for 22 in is 185.6 ft", func() (float64, error) { return testbay.CourseOf128th(22) }, 185, .5, 185.625,
			"Ohio State University Extension, Bulletin 817, table 1: cut, not rounded"},
		{"1/128-acre course for 32 in is 127.6 ft", func() (float64, error) { return testbay.CourseOf128th(32) }, 127, .5, 127.6171875,
			"Ohio State University Extension, Bulletin 817, table 1: cut, not rounded"},
		{"12 lb/gal has gravity 1.44", func() (float64, error) { return testbay.SpecificGravityOfPounds(12) }, 1.68, .005, 12 / 8.34,
			"Oklahoma State University Extension, Using Water to Calibrate Sprayers, table 1: the row of 14 lb/gal printed twice"},
		{"15 ft by 15 ft, 0.1 gal", func() (float64, error) { return testbay.RateOfAreaUS(.1, 15, 15) }, 19.38, .005, 19.36,
			"Montana State University Extension, Test Strip Method: acres rounded on the way"},
		{"100 ft in 60 s", func() (float64, error) { return testbay.SpeedUS(100, 60) }, 100. / 60 * 60 / 80, .005, 100. / 88,
			"Cornell University, Boom Sprayer Calibration: prints 60/80 for 60/88"},
	} {
		t.Run(e.name, func(t *testing.T) {
			got, err := e.got()
			if err != nil {
				t.Fatal(err)
			}
			near(t, e.name, got, e.exact, 1e-9)
			if diff := got - e.printed; diff < e.rounded && diff > -e.rounded {
				t.Errorf("%g is within rounding of the print %g: no erratum (%s)", got, e.printed, e.source)
			}
		})
	}
}
