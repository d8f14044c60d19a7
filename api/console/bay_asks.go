package console

import "rigledger/fleet/testbay"

// ask is one thing that a measured point wants to be told: the pointer below the
// point's readings, how it is entered, and what it is called.
//
//	n one number   m many numbers in a row   b yes or no
//	rows           several steps of several numbers each
//	flows          one field per nozzle
type ask struct {
	Path, Kind, Label, Unit, Hint string
	Rows                          int
	Of                            []ask
}

// leftToRight is how a row of numbers is entered.
var leftToRight = word("From the left, with a space between two.")

// asksOf lists what each measured point asks, as testbay reads it.
var asksOf = map[string][]ask{
	testbay.PointPumpCapacity: {
		{Path: "measured_l_min", Kind: "n", Label: word("Pump flow measured"), Unit: "l/min"},
		{Path: "nominal_l_min", Kind: "n", Label: word("Nominal flow of the pump"), Unit: "l/min"},
		{Path: "feeds_largest_with_agitation", Kind: "b", Label: word("Feeds the largest nozzles at their highest pressure with visible agitation")},
	},
	testbay.PointPulsation: {
		{Path: "working_bar", Kind: "n", Label: word("Working pressure"), Unit: "bar"},
		{Path: "lowest_bar", Kind: "n", Label: word("Lowest seen"), Unit: "bar"},
		{Path: "highest_bar", Kind: "n", Label: word("Highest seen"), Unit: "bar"},
	},
	testbay.PointAirChamber: {
		{Path: "working_bar", Kind: "n", Label: word("Working pressure"), Unit: "bar"},
		{Path: "charge_bar", Kind: "n", Label: word("Pre-charge, liquid side relieved"), Unit: "bar"},
		{Path: "maker_bar", Kind: "n", Label: word("Pre-charge by the maker, if known"), Unit: "bar"},
	},
	testbay.PointGaugeBuild: {
		{Path: "working_bar", Kind: "n", Label: word("Working pressure"), Unit: "bar"},
		{Path: "graduation_bar", Kind: "n", Label: word("Graduation, or step of the display"), Unit: "bar"},
		{Path: "face_mm", Kind: "n", Label: word("Face"), Unit: "mm"},
		{Path: "digital", Kind: "b", Label: word("Digital, without a face")},
	},
	testbay.PointGaugeError: {{Path: "readings", Kind: "rows", Rows: 8, Label: word("Rising, then falling"), Of: []ask{
		{Path: "master_bar", Label: word("Master"), Unit: "bar"}, {Path: "gauge_bar", Label: word("Gauge of the rig"), Unit: "bar"},
	}}},
	testbay.PointFlowMeter: {
		{Path: "indicated_l_min", Kind: "n", Label: word("Flow meter shows"), Unit: "l/min"},
		{Path: "reference_l_min", Kind: "n", Label: word("Flow measured"), Unit: "l/min"},
	},
	testbay.PointSpeedSensor: {
		{Path: "indicated_km_h", Kind: "n", Label: word("Speed sensor shows"), Unit: "km/h"},
		{Path: "reference_km_h", Kind: "n", Label: word("Speed measured"), Unit: "km/h"},
	},
	testbay.PointRecovery: {
		{Path: "working_bar", Kind: "n", Label: word("Working pressure"), Unit: "bar"},
		{Path: "samples", Kind: "rows", Rows: 4, Label: word("After switching on again"), Of: []ask{
			{Path: "seconds", Label: word("After"), Unit: "s"}, {Path: "bar", Label: word("Pressure"), Unit: "bar"},
		}},
	},
	testbay.PointSectionClosed: {
		{Path: "working_bar", Kind: "n", Label: word("Working pressure"), Unit: "bar"},
		{Path: "closed_bar", Kind: "m", Label: word("Pressure while each section in turn is closed"), Unit: "bar", Hint: leftToRight},
	},
	testbay.PointPressureDrop: {
		{Path: "gauge_point_bar", Kind: "n", Label: word("Pressure at the gauge point"), Unit: "bar"},
		{Path: "section_end_bar", Kind: "m", Label: word("Pressure at the end of each section"), Unit: "bar", Hint: leftToRight},
	},
	testbay.PointSectionBalance: {
		{Path: "inlet_bar", Kind: "m", Label: word("Pressure at the inlet of each section"), Unit: "bar", Hint: leftToRight},
	},
	testbay.PointNozzleSpacing: {
		{Path: "nominal_cm", Kind: "n", Label: word("Nominal spacing"), Unit: "cm"},
		{Path: "spacings_cm", Kind: "m", Label: word("Spacings measured"), Unit: "cm", Hint: leftToRight},
	},
	testbay.PointNozzleUpright: {
		{Path: "degrees", Kind: "m", Label: word("Angle from upright"), Unit: "°", Hint: leftToRight},
	},
	testbay.PointBoomHeight: {
		{Path: "width_m", Kind: "n", Label: word("Boom width"), Unit: "m"},
		{Path: "target_cm", Kind: "n", Label: word("Height wanted, if set"), Unit: "cm"},
		{Path: "heights_cm", Kind: "m", Label: word("Heights along the boom"), Unit: "cm", Hint: leftToRight},
	},
	testbay.PointDrip: {
		{Path: "last_drop_seconds", Kind: "m", Label: word("Seconds until the last drop"), Unit: "s", Hint: word("The nozzles that dripped longest; 0 if none dripped.")},
	},
	testbay.PointNozzleFlow: {
		{Path: "nominal_l_min", Kind: "n", Label: word("Nominal flow of the nozzles"), Unit: "l/min", Hint: word("At the pressure of the test. Left open, the set is judged by its mean.")},
		{Path: "flows_l_min", Kind: "flows", Label: word("Flow of every nozzle, l/min, from the left")},
	},
	testbay.PointDistribution: {
		{Path: "gutters_ml", Kind: "m", Label: word("Caught in each gutter"), Unit: "ml", Hint: word("From the left; a column from the bench's sheet can be pasted in.")},
		{Path: "overlap_gutters", Kind: "n", Label: word("Outer gutters at each end that the next pass covers"), Hint: word("Left open: none.")},
	},
	testbay.PointAppliedRate: {
		{Path: "target_l_ha", Kind: "n", Label: word("Wanted rate"), Unit: "l/ha"},
		{Path: "applied_l_ha", Kind: "n", Label: word("Rate applied"), Unit: "l/ha"},
	},
	testbay.PointRateHeld: {
		{Path: "before_km_h", Kind: "n", Label: word("Speed before"), Unit: "km/h"},
		{Path: "before_l_ha", Kind: "n", Label: word("Rate before"), Unit: "l/ha"},
		{Path: "after_km_h", Kind: "n", Label: word("Speed after"), Unit: "km/h"},
		{Path: "after_l_ha", Kind: "n", Label: word("Rate after"), Unit: "l/ha"},
	},
	testbay.PointRinseTank: {
		{Path: "nominal_tank_l", Kind: "n", Label: word("Nominal volume of the tank"), Unit: "l"},
		{Path: "rinse_tank_l", Kind: "n", Label: word("Rinse tank"), Unit: "l"},
		{Path: "dilutable_residual_l", Kind: "n", Label: word("Residual that can be diluted, if measured"), Unit: "l"},
	},
	testbay.PointHandWash: {{Path: "tank_l", Kind: "n", Label: word("Hand-wash tank"), Unit: "l"}},
	testbay.PointTankSize: {
		{Path: "nominal_l", Kind: "n", Label: word("Nominal volume of the tank"), Unit: "l"},
		{Path: "total_l", Kind: "n", Label: word("Volume to the brim"), Unit: "l"},
	},
	testbay.PointResidual: {
		{Path: "nominal_tank_l", Kind: "n", Label: word("Nominal volume of the tank"), Unit: "l"},
		{Path: "boom_width_m", Kind: "n", Label: word("Boom width"), Unit: "m"},
		{Path: "residual_l", Kind: "n", Label: word("Residual measured"), Unit: "l"},
	},
	testbay.PointSectionWidth: {
		{Path: "boom_width_m", Kind: "n", Label: word("Boom width"), Unit: "m"},
		{Path: "sections_m", Kind: "m", Label: word("Width of each section"), Unit: "m", Hint: leftToRight},
	},
}

// remedies say what usually puts a failed point right: common practice. The
// maker's handbook comes first.
var remedies = map[string]string{
	testbay.PointPumpCapacity:   word("Look at suction side, valves and diaphragms of the pump, then measure its flow again."),
	testbay.PointPulsation:      word("Set the pre-charge of the air chamber, look at the pump's valves, then watch the pressure again."),
	testbay.PointAirChamber:     word("Relieve the liquid side and set the pre-charge."),
	testbay.PointGaugeBuild:     word("Fit a gauge with a face and a graduation that suit the working pressure."),
	testbay.PointGaugeError:     word("Change the gauge and hold the new one against the master."),
	testbay.PointFlowMeter:      word("Clean the flow meter, set its number of pulses and compare again."),
	testbay.PointSpeedSensor:    word("Set the speed sensor over a measured course and compare again."),
	testbay.PointRecovery:       word("Look at the regulation valve and its setting."),
	testbay.PointSectionClosed:  word("Set the return of each section's valve to its nozzles."),
	testbay.PointPressureDrop:   word("Look for blocked section filters, narrow hoses and half-shut valves."),
	testbay.PointSectionBalance: word("Look for blocked section filters, narrow hoses and half-shut valves."),
	testbay.PointNozzleSpacing:  word("Move the nozzle bodies to their places."),
	testbay.PointNozzleUpright:  word("Set the nozzle bodies upright."),
	testbay.PointBoomHeight:     word("Set the boom level, look at wires, pads and joints."),
	testbay.PointDrip:           word("Clean or change the drip stops."),
	testbay.PointNozzleFlow:     word("Change the nozzles that are out, or the whole set, and measure every nozzle again."),
	testbay.PointDistribution:   word("Look at nozzle wear, spacing, height and pressure along the boom, then measure again."),
	testbay.PointAppliedRate:    word("Set pressure or speed for the wanted rate; see the calibration."),
}
