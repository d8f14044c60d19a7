package plan

import (
	"bytes"
	"encoding/json"
	"fmt"
	"iter"
	"math"
	"strconv"
)

// Quantity is one of the five things a meter can count. It is an index, so that
// due arithmetic needs no map; its String is the name that meters and facts use.
type Quantity uint8

// The quantities, with the base unit that integers of them are in.
const (
	Hours    Quantity = iota // seconds
	Area                     // m²
	Volume                   // ml
	Distance                 // m
	Loads                    // count
	quantities
)

// quantityTable gives each quantity's name in facts, the unit in which people
// write it, how many base units that is, and with how many decimals it is
// printed. Four decimals of an hour are 0.36 s, so whole seconds survive.
var quantityTable = [quantities]struct {
	name, unit string
	per        int64
	decimals   int
	most       int64 // the largest interval a plan may ask for, in units
}{
	Hours:    {"hours", "hours", 3600, 4, 100_000},
	Area:     {"area", "hectares", 10_000, 4, 10_000_000},
	Volume:   {"volume", "litres", 1000, 3, 1_000_000_000},
	Distance: {"distance", "kilometres", 1000, 3, 10_000_000},
	Loads:    {"loads", "loads", 1, 0, 10_000_000},
}

// QuantityOf finds a quantity by the name that meters and facts use: hours,
// area, volume, distance, loads.
func QuantityOf[S ~string](name S) (Quantity, bool) {
	switch string(name) {
	case "hours":
		return Hours, true
	case "area":
		return Area, true
	case "volume":
		return Volume, true
	case "distance":
		return Distance, true
	case "loads":
		return Loads, true
	}
	return 0, false
}

func quantityByUnit(unit string) (Quantity, bool) {
	for q := range quantities {
		if quantityTable[q].unit == unit {
			return q, true
		}
	}
	return 0, false
}

// String gives the name in facts: hours, area, volume, distance or loads.
func (q Quantity) String() string {
	if q >= quantities {
		return "unknown"
	}
	return quantityTable[q].name
}

// Unit gives the unit people write: hours, hectares, litres, kilometres, loads.
func (q Quantity) Unit() string {
	if q >= quantities {
		return "unknown"
	}
	return quantityTable[q].unit
}

// Per tells how many base units one human unit has: 3600 seconds an hour.
func (q Quantity) Per() int64 {
	if q >= quantities {
		return 1
	}
	return quantityTable[q].per
}

// Amounts holds at most one amount a quantity, in base units. The zero value
// holds none. It is a plain value: copy it, compare it with ==.
// In JSON it is an object in human units, {"hours":12.5,"hectares":3.2}.
type Amounts struct {
	values  [quantities]int64
	present Quantities
}

// Has tells whether an amount of q is held.
func (a Amounts) Has(q Quantity) bool { return a.present.Has(q) }

// Get gives the amount of q in base units, and whether it is held.
func (a Amounts) Get(q Quantity) (int64, bool) {
	if !a.present.Has(q) {
		return 0, false
	}
	return a.values[q], true
}

// Set holds an amount of q in base units; an unknown quantity is ignored.
func (a *Amounts) Set(q Quantity, base int64) {
	if q < quantities {
		a.values[q] = base
		a.present |= 1 << q
	}
}

// With gives a copy that also holds an amount of q in base units.
func (a Amounts) With(q Quantity, base int64) Amounts {
	a.Set(q, base)
	return a
}

// SetNamed is Set by the name that facts use; false when there is no such
// quantity.
func (a *Amounts) SetNamed(name string, base int64) bool {
	q, ok := QuantityOf(name)
	if ok {
		a.Set(q, base)
	}
	return ok
}

// Empty tells whether nothing is held.
func (a Amounts) Empty() bool { return a.present == 0 }

// Held gives the quantities held.
func (a Amounts) Held() Quantities { return a.present }

// All walks what is held, in the order of the constants.
func (a Amounts) All() iter.Seq2[Quantity, int64] {
	return func(yield func(Quantity, int64) bool) {
		for q := range quantities {
			if a.present.Has(q) && !yield(q, a.values[q]) {
				return
			}
		}
	}
}

// Human gives the amount of q in human units (hours, hectares, …), for showing
// and for estimates, never to be added up.
func (a Amounts) Human(q Quantity) float64 {
	v, _ := a.Get(q)
	return float64(v) / float64(q.Per())
}

// MarshalJSON writes human units from the integers, exact to the base unit.
func (a Amounts) MarshalJSON() ([]byte, error) {
	out := []byte{'{'}
	for q, v := range a.All() {
		if len(out) > 1 {
			out = append(out, ',')
		}
		out = append(out, '"')
		out = append(out, q.Unit()...)
		out = append(out, '"', ':')
		out = appendHuman(out, q, v)
	}
	return append(out, '}'), nil
}

// UnmarshalJSON reads what MarshalJSON writes; other names are refused.
func (a *Amounts) UnmarshalJSON(text []byte) error {
	*a = Amounts{}
	if bytes.Equal(bytes.TrimSpace(text), []byte("null")) {
		return nil
	}
	var named map[string]json.Number
	if err := json.Unmarshal(text, &named); err != nil {
		return fmt.Errorf("reading amounts: %w", err)
	}
	for unit, number := range named {
		q, ok := quantityByUnit(unit)
		if !ok {
			return fmt.Errorf("reading amounts: no quantity is written in %q", unit)
		}
		v, err := parseHuman(q, number.String())
		if err != nil {
			return fmt.Errorf("reading amounts: %s: %w", unit, err)
		}
		a.Set(q, v)
	}
	return nil
}

// appendHuman writes v base units in human units without going through floats.
func appendHuman(out []byte, q Quantity, v int64) []byte {
	row := quantityTable[q]
	magnitude := uint64(v)
	if v < 0 {
		out = append(out, '-')
		magnitude = -magnitude
	}
	per := uint64(row.per)
	scale := uint64(1)
	for range row.decimals {
		scale *= 10
	}
	whole, rest := magnitude/per, magnitude%per
	fraction := (rest*scale + per/2) / per
	if fraction == scale { // cannot happen with the table above; kept right anyway
		whole, fraction = whole+1, 0
	}
	out = strconv.AppendUint(out, whole, 10)
	if fraction == 0 {
		return out
	}
	digits := strconv.AppendUint(nil, scale+fraction, 10)[1:]
	out = append(out, '.')
	return append(out, bytes.TrimRight(digits, "0")...)
}

// parseHuman reads a decimal in human units to the nearest base unit.
func parseHuman(q Quantity, text string) (int64, error) {
	f, err := strconv.ParseFloat(text, 64)
	if err != nil || math.IsNaN(f) || math.IsInf(f, 0) {
		return 0, fmt.Errorf("%q is not a number", text)
	}
	base := math.Round(f * float64(q.Per()))
	if math.Abs(base) > 1<<53 {
		return 0, fmt.Errorf("%s is beyond what can be counted", text)
	}
	return int64(base), nil
}

// Quantities is a set of quantities; in JSON a list of their units.
type Quantities uint8

// Has tells whether q is in the set.
func (s Quantities) Has(q Quantity) bool { return q < quantities && s&(1<<q) != 0 }

// Units lists the units of the set, in the order of the constants.
func (s Quantities) Units() []string {
	units := []string{}
	for q := range quantities {
		if s.Has(q) {
			units = append(units, q.Unit())
		}
	}
	return units
}

// MarshalJSON writes the list of units.
func (s Quantities) MarshalJSON() ([]byte, error) { return json.Marshal(s.Units()) }

// UnmarshalJSON reads what MarshalJSON writes.
func (s *Quantities) UnmarshalJSON(text []byte) error {
	var units []string
	if err := json.Unmarshal(text, &units); err != nil {
		return fmt.Errorf("reading quantities: %w", err)
	}
	*s = 0
	for _, unit := range units {
		q, ok := quantityByUnit(unit)
		if !ok {
			return fmt.Errorf("reading quantities: no quantity is written in %q", unit)
		}
		*s |= 1 << q
	}
	return nil
}
