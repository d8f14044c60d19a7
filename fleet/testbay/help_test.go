package testbay_test

import (
	"errors"
	"math"
	"strconv"
	"testing"

	"rigledger/fleet/testbay"
)

func ruleSet(t testing.TB, id string) testbay.RuleSet {
	t.Helper()
	rs, ok := testbay.RuleSetByID(id)
	if !ok {
		t.Fatalf("no built-in rule set %q", id)
	}
	return rs
}

func iso(t testing.TB) testbay.RuleSet { return ruleSet(t, testbay.ISO16122Part2Of2015) }

func ptr[T any](x T) *T { return &x }

// some makes a catch list; NaN stands for a position that was not measured.
func some(xs ...float64) []*float64 {
	out := make([]*float64, len(xs))
	for i, x := range xs {
		if !math.IsNaN(x) {
			out[i] = ptr(x)
		}
	}
	return out
}

func near(t testing.TB, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s = %.9g, want %.9g ± %g", what, got, want, tolerance)
	}
}

// refused checks for an InputError of exactly this field.
func refused(t testing.TB, err error, field string) {
	t.Helper()
	var in *testbay.InputError
	if !errors.As(err, &in) {
		t.Errorf("error %v, want an InputError of %s", err, field)
		return
	}
	if in.Field != field {
		t.Errorf("refused field %q (%v), want %q", in.Field, err, field)
	}
	if in.Reason == "" {
		t.Errorf("refusal of %s gives no reason", field)
	}
}

func date(t testing.TB, text string) testbay.Date {
	t.Helper()
	d, err := testbay.ParseDate(text)
	if err != nil {
		t.Fatal(err)
	}
	return d
}

func number(x float64) string { return strconv.FormatFloat(x, 'g', -1, 64) }
