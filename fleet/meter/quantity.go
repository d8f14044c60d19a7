package meter

import (
	"errors"
	"fmt"
	"math"
)

// Quantity is what a meter counts. Inside, counts are integers in base units:
// hours in seconds, area in m², volume in ml, distance in m, loads in pieces.
type Quantity string

// The quantities a meter may count.
const (
	Hours    Quantity = "hours"
	Area     Quantity = "area"
	Volume   Quantity = "volume"
	Distance Quantity = "distance"
	Loads    Quantity = "loads"
)

// MaxValue is the largest counter value accepted, in base units. 10¹⁵ is 31 million years
// in seconds and a cubic kilometre in ml: enough for any meter, and small enough that
// sums and differences never overflow.
const MaxValue int64 = 1e15

var (
	// ErrUnit says that a unit does not belong to the quantity.
	ErrUnit = errors.New("unit does not belong to the quantity")
	// ErrRange says that a value is not a number, infinite, negative or too large.
	ErrRange = errors.New("value out of range")
)

// trait is what is fixed for a quantity.
type trait struct {
	field     string             // name in JSON
	unit      string             // Rec 20 code of that field
	perUnit   int64              // base units in one such unit
	tolerance int64              // thinning, base units
	slack     int64              // default allowance of plausibility, base units
	codes     map[string]float64 // Rec 20 code → base units
}

// Unit codes: UN/ECE Recommendation 20. HAR is deprecated there in favour of H18
// (both are one hectare), and still sent.
var traits = map[Quantity]trait{
	Hours:    {"hours", "HUR", 3600, 180, 180, map[string]float64{"HUR": 3600, "MIN": 60, "SEC": 1}},
	Area:     {"hectares", "H18", 10_000, 500, 500, map[string]float64{"H18": 10_000, "HAR": 10_000, "MTK": 1}},
	Volume:   {"litres", "LTR", 1000, 50_000, 50_000, map[string]float64{"LTR": 1000, "MLT": 1, "MTQ": 1e6}},
	Distance: {"kilometres", "KMT", 1000, 500, 500, map[string]float64{"KMT": 1000, "MTR": 1}},
	Loads:    {"loads", "C62", 1, 0, 1, map[string]float64{"C62": 1}},
}

// Valid reports whether q is one of the known quantities.
func (q Quantity) Valid() bool { _, ok := traits[q]; return ok }

// Field is the name under which the quantity stands in JSON: hours, hectares,
// litres, kilometres, loads; empty for an unknown quantity.
func (q Quantity) Field() string { return traits[q].field }

// Unit is the UN/ECE Rec 20 code in which FromBase speaks: HUR, H18, LTR, KMT, C62.
func (q Quantity) Unit() string { return traits[q].unit }

// Tolerance is how far, in base units, a thinned series may be from the one that
// keeps every reading: 0.05 h, 0.05 ha, 0.05 m³, 0.5 km; loads are exact.
func (q Quantity) Tolerance() int64 { return traits[q].tolerance }

// FromBase converts base units to hours, hectares, litres, kilometres or pieces.
func (q Quantity) FromBase(v int64) float64 {
	t, ok := traits[q]
	if !ok {
		return math.NaN()
	}
	return float64(v) / float64(t.perUnit)
}

// RollAt is the base-unit value at which a counter with that many digits before
// the decimal point wraps to zero: 10,000 h for a four-digit hour meter. 0 when digits is
// not in 1..12 or the value would exceed MaxValue.
func (q Quantity) RollAt(digits int) int64 {
	if digits < 1 || digits > 12 {
		return 0
	}
	v := traits[q].perUnit
	for range digits {
		v *= 10
		if v > MaxValue {
			return 0
		}
	}
	return v
}

// ToBase converts a value in a UN/ECE Rec 20 unit to base units, rounding half away
// from zero. Accepted are HUR MIN SEC for hours, H18 HAR MTK for area, LTR MLT MTQ for
// volume, KMT MTR for distance and C62 for loads. The error is ErrUnit or ErrRange, with
// the unit or value at fault.
func ToBase(q Quantity, value float64, unit string) (int64, error) {
	t, ok := traits[q]
	if !ok {
		return 0, fmt.Errorf("quantity %q is not known: %w", string(q), ErrUnit)
	}
	factor, ok := t.codes[unit]
	if !ok {
		return 0, fmt.Errorf("%q for %s: %w", unit, q, ErrUnit)
	}
	switch {
	case math.IsNaN(value), math.IsInf(value, 0):
		return 0, fmt.Errorf("%v %s is not a finite number: %w", value, unit, ErrRange)
	case value < 0:
		return 0, fmt.Errorf("%v %s: must not be negative: %w", value, unit, ErrRange)
	}
	v := math.Round(value * factor)
	if v > float64(MaxValue) {
		return 0, fmt.Errorf("%v %s is too large: %w", value, unit, ErrRange)
	}
	return int64(v), nil
}
