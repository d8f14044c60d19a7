package taskdata

import "fmt"

// Measure is what a counter of a device counts.
type Measure string

// The measures taken. The lifetime ones are meters, the task ones reports.
const (
	Area                Measure = "area"
	EffectiveDistance   Measure = "effective distance"
	IneffectiveDistance Measure = "ineffective distance"
	EffectiveTime       Measure = "effective time"
	IneffectiveTime     Measure = "ineffective time"
	AppliedVolume       Measure = "applied volume"
	Fuel                Measure = "fuel"
	FrontPTOTime        Measure = "front PTO time"
	RearPTOTime         Measure = "rear PTO time"
	WorkingTime         Measure = "working time"
	EngineTime          Measure = "engine time"
)

// Quantity is the kind of unit a measure has.
type Quantity string

// The quantities, with the base unit in which amounts are given.
const (
	Hours    Quantity = "hours"    // seconds, SEC
	Surface  Quantity = "area"     // square metres, MTK
	Volume   Quantity = "volume"   // millilitres, MLT
	Distance Quantity = "distance" // metres, MTR
)

// Unit is the UN/ECE Recommendation 20 code of the quantity's base unit.
func (q Quantity) Unit() string {
	switch q {
	case Hours:
		return "SEC"
	case Surface:
		return "MTK"
	case Volume:
		return "MLT"
	case Distance:
		return "MTR"
	}
	return ""
}

// Quantity of the measure.
func (m Measure) Quantity() Quantity {
	switch m {
	case Area:
		return Surface
	case EffectiveDistance, IneffectiveDistance:
		return Distance
	case AppliedVolume, Fuel:
		return Volume
	}
	return Hours
}

// addsUp says whether elements side by side share the measure out among them
// (area, volume) or each see the whole of it (time, distance).
func (m Measure) addsUp() bool {
	q := m.Quantity()
	return q == Surface || q == Volume
}

// entry is one number of the data dictionary: base units = raw × up / down.
type entry struct {
	measure  Measure
	lifetime bool
	up, down int64
	fine     int // of two numbers for one measure the higher is the finer
}

// ISO 11783-11. The resolution of each is in the comment; base units are s, m², ml, m. All range from 0 to 2³¹−1, so a
// negative value is none. 335 and 337 are of the front PTO, 336 and 338 of the rear one.
var dictionary = map[uint16]entry{
	80:  {measure: AppliedVolume, up: 1000, down: 1},                  // L
	116: {measure: Area, up: 1, down: 1},                              // m²
	117: {measure: EffectiveDistance, up: 1, down: 1000},              // mm
	118: {measure: IneffectiveDistance, up: 1, down: 1000},            // mm
	119: {measure: EffectiveTime, up: 1, down: 1},                     // s
	120: {measure: IneffectiveTime, up: 1, down: 1},                   // s
	148: {measure: Fuel, up: 1, down: 1},                              // ml
	335: {measure: FrontPTOTime, up: 1, down: 1},                      // s
	336: {measure: RearPTOTime, up: 1, down: 1},                       // s
	351: {measure: AppliedVolume, up: 1, down: 1, fine: 1},            // ml
	215: {measure: WorkingTime, lifetime: true, up: 180, down: 1},     // 0.05 h
	271: {measure: Area, lifetime: true, up: 1, down: 1},              // m²
	272: {measure: EffectiveDistance, lifetime: true, up: 1, down: 1}, // m
	273: {measure: IneffectiveDistance, lifetime: true, up: 1, down: 1},
	274: {measure: EffectiveTime, lifetime: true, up: 1, down: 1}, // s
	275: {measure: IneffectiveTime, lifetime: true, up: 1, down: 1},
	325: {measure: AppliedVolume, lifetime: true, up: 1000, down: 1}, // L
	337: {measure: FrontPTOTime, lifetime: true, up: 360, down: 1},   // 0.1 h
	338: {measure: RearPTOTime, lifetime: true, up: 360, down: 1},    // 0.1 h
	493: {measure: EngineTime, lifetime: true, up: 360, down: 1},     // 0.1 h
}

// momentary are the known numbers that are not counters: what they say is true for an instant.
var momentary = map[uint16]string{
	1: "set rate", 2: "actual rate", 36: "set flow", 37: "actual flow", 67: "actual width", 70: "maximum width",
	72: "tank content", 141: "work state", 194: "product pressure", 198: "pump pressure",
}

// base converts a raw value (or a sum of raw values) to base units, half away from zero.
func (e entry) base(raw int64) int64 {
	v := raw * e.up
	if e.down == 1 {
		return v
	}
	return (v + e.down/2) / e.down
}

// whyNot says why a number of the dictionary is not taken.
func whyNot(ddi uint16) string {
	if what, ok := momentary[ddi]; ok {
		return fmt.Sprintf("DDI %d is %s, which is not a counter", ddi, what)
	}
	if ddi >= 57342 {
		return fmt.Sprintf("DDI %d is manufacturer-specific", ddi)
	}
	return fmt.Sprintf("DDI %d is not one that rigledger takes", ddi)
}
