package testbay

// Limit names: the closed list of numbers a rule set must give. The unit of
// each is fixed; the value, its source and its date are data.
const (
	LimitPumpCapacity       = "pump_capacity_percent"
	LimitPulsation          = "pulsation_percent"
	LimitAirChamberLow      = "air_chamber_low_percent"
	LimitAirChamberHigh     = "air_chamber_high_percent"
	LimitAirChamberMaker    = "air_chamber_maker_percent"
	LimitGaugeFace          = "gauge_face_mm"
	LimitGaugeLowBelow      = "gauge_low_below_bar"
	LimitGaugeMidUpTo       = "gauge_mid_up_to_bar"
	LimitGraduationLow      = "gauge_graduation_low_bar"
	LimitGraduationMid      = "gauge_graduation_mid_bar"
	LimitGraduationHigh     = "gauge_graduation_high_bar"
	LimitGaugeErrorBar      = "gauge_error_bar"
	LimitGaugeErrorUpTo     = "gauge_error_bar_up_to_bar"
	LimitGaugeErrorPercent  = "gauge_error_percent"
	LimitFlowMeter          = "flow_meter_percent"
	LimitSpeedSensor        = "speed_sensor_percent"
	LimitRecoveryPercent    = "recovery_percent"
	LimitRecoverySeconds    = "recovery_seconds"
	LimitSectionClosed      = "section_closed_percent"
	LimitPressureDrop       = "pressure_drop_percent"
	LimitSectionBalance     = "section_balance_percent"
	LimitNozzleSpacing      = "nozzle_spacing_percent"
	LimitNozzleUpright      = "nozzle_upright_degrees"
	LimitBoomHeight         = "boom_height_cm"
	LimitBoomHeightShare    = "boom_height_half_width_percent"
	LimitDrip               = "drip_seconds"
	LimitNozzleFromNominal  = "nozzle_from_nominal_percent"
	LimitNozzleFromMean     = "nozzle_from_mean_percent"
	LimitNozzleAdvisory     = "nozzle_advisory_percent"
	LimitReplaceSetAt       = "replace_set_at_count"
	LimitDistributionCV     = "distribution_cv_percent"
	LimitGutter             = "gutter_from_mean_percent"
	LimitAppliedRate        = "applied_rate_percent"
	LimitRinseTank          = "rinse_tank_percent"
	LimitRinseResidual      = "rinse_residual_times"
	LimitHandWash           = "hand_wash_l"
	LimitTankSize           = "tank_size_percent"
	LimitResidualTank       = "residual_tank_percent"
	LimitResidualPerMetre   = "residual_l_per_m"
	LimitSectionNarrow      = "section_width_narrow_m"
	LimitSectionNarrowUpTo  = "section_narrow_boom_up_to_m"
	LimitSectionWide        = "section_width_wide_m"
	LimitRateHeldOverChange = "rate_held_over_speed_change_percent"
)

// limitUnits fixes the unit of every limit. A file that states another unit is
// refused: it was written for another meaning.
var limitUnits = map[string]string{
	LimitPumpCapacity: "%", LimitPulsation: "%",
	LimitAirChamberLow: "%", LimitAirChamberHigh: "%", LimitAirChamberMaker: "%",
	LimitGaugeFace: "mm", LimitGaugeLowBelow: "bar", LimitGaugeMidUpTo: "bar",
	LimitGraduationLow: "bar", LimitGraduationMid: "bar", LimitGraduationHigh: "bar",
	LimitGaugeErrorBar: "bar", LimitGaugeErrorUpTo: "bar", LimitGaugeErrorPercent: "%",
	LimitFlowMeter: "%", LimitSpeedSensor: "%",
	LimitRecoveryPercent: "%", LimitRecoverySeconds: "s",
	LimitSectionClosed: "%", LimitPressureDrop: "%", LimitSectionBalance: "%",
	LimitNozzleSpacing: "%", LimitNozzleUpright: "°",
	LimitBoomHeight: "cm", LimitBoomHeightShare: "%", LimitDrip: "s",
	LimitNozzleFromNominal: "%", LimitNozzleFromMean: "%", LimitNozzleAdvisory: "%", LimitReplaceSetAt: "nozzles",
	LimitDistributionCV: "%", LimitGutter: "%", LimitAppliedRate: "%",
	LimitRinseTank: "%", LimitRinseResidual: "times", LimitHandWash: "l", LimitTankSize: "%",
	LimitResidualTank: "%", LimitResidualPerMetre: "l/m",
	LimitSectionNarrow: "m", LimitSectionNarrowUpTo: "m", LimitSectionWide: "m",
	LimitRateHeldOverChange: "%",
}

// mostLimit bounds a limit's value: no limit of a sprayer test is larger in its unit.
const mostLimit = 1000

// Heading is one of the headings of the inspection form.
type Heading struct {
	ID   string `json:"id"`
	Name string `json:"name"`
}

// Headings are those of Directive 2009/128/EC, Annex II (from memory), in its
// order. The heading for blowers is left out: this package is about boom
// sprayers without air assistance.
var headings = []Heading{
	{"power_transmission", "Power transmission"},
	{"pump", "Pump"},
	{"agitation", "Agitation"},
	{"liquid_tank", "Spray liquid tank"},
	{"measuring", "Measuring systems, control and regulation"},
	{"pipes_hoses", "Pipes and hoses"},
	{"filtering", "Filtering"},
	{"spray_boom", "Spray boom"},
	{"nozzles", "Nozzles"},
	{"distribution", "Distribution"},
}

// Headings returns the headings of the inspection form in order.
func Headings() []Heading { return append([]Heading(nil), headings...) }

// Measured points: the closed list of tests this package can judge. Looked-at
// points have free names.
const (
	PointPumpCapacity   = "pump_capacity"
	PointPulsation      = "pulsation"
	PointAirChamber     = "air_chamber"
	PointGaugeBuild     = "gauge_build"
	PointGaugeError     = "gauge_error"
	PointFlowMeter      = "flow_meter"
	PointSpeedSensor    = "speed_sensor"
	PointRecovery       = "pressure_recovery"
	PointSectionClosed  = "section_closed"
	PointPressureDrop   = "pressure_drop"
	PointSectionBalance = "section_balance"
	PointNozzleSpacing  = "nozzle_spacing"
	PointNozzleUpright  = "nozzle_upright"
	PointBoomHeight     = "boom_height"
	PointDrip           = "drip"
	PointNozzleFlow     = "nozzle_flow"
	PointDistribution   = "transverse_distribution"
	PointAppliedRate    = "applied_rate"
	PointRateHeld       = "rate_held"
	PointRinseTank      = "rinse_tank"
	PointHandWash       = "hand_wash"
	PointTankSize       = "tank_size"
	PointResidual       = "residual"
	PointSectionWidth   = "section_width"
)

var measuredPoints = []string{
	PointPumpCapacity, PointPulsation, PointAirChamber, PointGaugeBuild, PointGaugeError,
	PointFlowMeter, PointSpeedSensor, PointRecovery, PointSectionClosed, PointPressureDrop,
	PointSectionBalance, PointNozzleSpacing, PointNozzleUpright, PointBoomHeight, PointDrip,
	PointNozzleFlow, PointDistribution, PointAppliedRate, PointRateHeld,
	PointRinseTank, PointHandWash, PointTankSize, PointResidual, PointSectionWidth,
}
