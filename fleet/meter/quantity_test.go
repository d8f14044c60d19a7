package meter_test

import (
	"errors"
	"math"
	"testing"

	"rigledger/fleet/meter"

	"pgregory.net/rapid"
)

// Conversion factors: UN/ECE Recommendation 20 (HUR hour = 3600 s, MIN = 60 s, H18 hectare = 10⁴ m²,
// LTR litre = 10⁻³ m³, MLT = 10⁻⁶ m³, KMT = 10³ m).
func TestToBaseConvertsTheUnitsOfRec20(t *testing.T) {
	for _, c := range []struct {
		q     meter.Quantity
		value float64
		unit  string
		want  int64
	}{
		{meter.Hours, 1256.05, "HUR", 4_521_780},
		{meter.Hours, 1.5, "MIN", 90},
		{meter.Hours, 0.5, "SEC", 1},
		{meter.Hours, 0.49, "SEC", 0},
		{meter.Area, 5617.8, "H18", 56_178_000},
		{meter.Area, 0.00005, "HAR", 1},
		{meter.Area, 12, "MTK", 12},
		{meter.Volume, 2.5, "LTR", 2500},
		{meter.Volume, 7, "MLT", 7},
		{meter.Volume, 3.2, "MTQ", 3_200_000},
		{meter.Distance, 1.2345, "KMT", 1235},
		{meter.Distance, 9, "MTR", 9},
		{meter.Loads, 3, "C62", 3},
		{meter.Distance, 1e12, "KMT", 1e15},
	} {
		if got, err := meter.ToBase(c.q, c.value, c.unit); err != nil || got != c.want {
			t.Errorf("%v %s of %s is %d (%v), want %d", c.value, c.unit, c.q, got, err, c.want)
		}
	}
}

func TestToBaseRefuses(t *testing.T) {
	for _, c := range []struct {
		name  string
		q     meter.Quantity
		value float64
		unit  string
		want  error
	}{
		{"another quantity's unit", meter.Hours, 1, "H18", meter.ErrUnit},
		{"an unknown unit", meter.Area, 1, "ACR", meter.ErrUnit},
		{"an unknown quantity", "fuel", 1, "LTR", meter.ErrUnit},
		{"no number", meter.Hours, math.NaN(), "HUR", meter.ErrRange},
		{"infinity", meter.Hours, math.Inf(1), "HUR", meter.ErrRange},
		{"a negative value", meter.Hours, -0.1, "HUR", meter.ErrRange},
		{"too large a value", meter.Distance, 1.1e12, "KMT", meter.ErrRange},
		{"a value whose conversion overflows", meter.Hours, math.MaxFloat64, "HUR", meter.ErrRange},
	} {
		t.Run(c.name, func(t *testing.T) {
			if _, err := meter.ToBase(c.q, c.value, c.unit); !errors.Is(err, c.want) {
				t.Errorf("got %v, want %v", err, c.want)
			}
		})
	}
}

func TestFromBaseAndToBaseAgree(t *testing.T) {
	all := []meter.Quantity{meter.Hours, meter.Area, meter.Volume, meter.Distance, meter.Loads}
	rapid.Check(t, func(t *rapid.T) {
		q := rapid.SampledFrom(all).Draw(t, "quantity")
		v := rapid.Int64Range(0, meter.MaxValue).Draw(t, "value")
		if got, err := meter.ToBase(q, q.FromBase(v), q.Unit()); err != nil || got != v {
			t.Fatalf("%d %s comes back as %d, %v", v, q, got, err)
		}
	})
	for i, want := range []string{"hours HUR", "hectares H18", "litres LTR", "kilometres KMT", "loads C62"} {
		if got := all[i].Field() + " " + all[i].Unit(); got != want || !all[i].Valid() {
			t.Errorf("%s speaks %q, want %q", all[i], got, want)
		}
	}
	if meter.Quantity("fuel").Valid() || !math.IsNaN(meter.Quantity("fuel").FromBase(1)) {
		t.Error("an unknown quantity is valid")
	}
}

func TestEstimates(t *testing.T) {
	if got := meter.EstimateArea(10_000, 24_000); got != 240_000 {
		t.Errorf("10 km at 24 m is %d m², want 24 ha", got)
	}
	if got := meter.EstimateHours(156_000, 15.6); got != 3600 {
		t.Errorf("15.6 ha at 15.6 ha/h takes %d s, want an hour", got)
	}
	if meter.EstimateHours(1, 0) != 0 || meter.EstimateHours(1, math.NaN()) != 0 || meter.EstimateArea(-1, 1) != 0 {
		t.Error("an estimate from nonsense is not 0")
	}
	if meter.EstimateArea(math.MaxInt64, math.MaxInt64) != meter.MaxValue {
		t.Error("an estimate is not held to the largest value")
	}
	// ASABE EP496.3 in metric form against its US form, ac/h = mph·ft·E/8.25;
	// 1 mile = 1.609344 km, 1 ft = 0.3048 m, 1 international acre = 0.40468564224 ha (exact definitions).
	for _, c := range [][3]float64{{10, 24, 0.65}, {12, 36, 0.6}, {8.5, 12, 0.8}} {
		metric := meter.FieldCapacity(c[0], c[1], c[2])
		us := c[0] / 1.609344 * (c[1] / 0.3048) * c[2] / 8.25 * 0.40468564224
		if math.Abs(metric-us) > 0.0001*us {
			t.Errorf("%v: %.4f ha/h, by the US form %.4f", c, metric, us)
		}
	}
}
