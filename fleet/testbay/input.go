package testbay

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
)

// Epsilon is the relative tolerance of every comparison with a limit: far below
// what any test bench resolves, far above binary rounding.
const Epsilon = 1e-9

// InputError says which JSON field of the input is impossible, and why.
type InputError struct {
	Field  string // JSON path, for example "flows_l_min[3]"; positions count from 0 as in JSON
	Reason string
}

func (e *InputError) Error() string { return e.Field + ": " + e.Reason }

func refuse(field, format string, args ...any) error {
	return &InputError{Field: field, Reason: fmt.Sprintf(format, args...)}
}

// span is what is thinkable for a field sprayer, not what is allowed: numbers
// outside it are typing errors or wrong units. Common practice, wide on purpose.
type span struct {
	unit     string
	most     float64
	zero     bool // zero is a possible reading
	negative bool // may be negative (angles)
}

var (
	spanBar      = span{unit: "bar", most: 100}
	spanNozzle   = span{unit: "l/min", most: 50}
	spanFlow     = span{unit: "l/min", most: 5000}
	spanKmH      = span{unit: "km/h", most: 60}
	spanLHa      = span{unit: "l/ha", most: 10000}
	spanSwath    = span{unit: "m", most: 60}
	spanGravity  = span{unit: "", most: 3}
	spanTank     = span{unit: "l", most: 30000}
	spanRinse    = span{unit: "l", most: 30000}
	spanCourse   = span{unit: "m", most: 10000}
	spanSeconds  = span{unit: "s", most: 36000}
	spanWait     = span{unit: "s", most: 3600, zero: true}
	spanCM       = span{unit: "cm", most: 1000}
	spanMM       = span{unit: "mm", most: 500}
	spanDegrees  = span{unit: "°", most: 90, zero: true, negative: true}
	spanShare    = span{unit: "", most: 1}
	spanGutter   = span{unit: "ml", most: 100000, zero: true}
	spanPercent  = span{unit: "%", most: 1000, zero: true}
	spanArea     = span{unit: "ha", most: 1e7}
	spanDilution = span{unit: "", most: 1e12}
	spanGPA      = span{unit: "gal/ac", most: 1100}
	spanGPM      = span{unit: "gal/min", most: 1400}
	spanMPH      = span{unit: "mph", most: 40}
	spanInch     = span{unit: "in", most: 2400}
	spanFoot     = span{unit: "ft", most: 33000}
	spanGallon   = span{unit: "gal", most: 8000}
	spanLbGal    = span{unit: "lb/gal", most: 25}
)

// field checks one number against its span.
func (s span) field(name string, x float64) error {
	switch {
	case math.IsNaN(x):
		return refuse(name, "is not a number")
	case math.IsInf(x, 0):
		return refuse(name, "is infinite")
	case x < 0 && !s.negative:
		return refuse(name, "is negative")
	case x == 0 && !s.zero:
		return refuse(name, "is missing or zero")
	case math.Abs(x) > s.most:
		return refuse(name, "%s %s is absurd for a field sprayer (at most %s)", number(x), s.unit, number(s.most))
	}
	return nil
}

// optional checks a number that may be absent.
func (s span) optional(name string, x *float64) error {
	if x == nil {
		return nil
	}
	return s.field(name, *x)
}

// list checks every number of a list of least..most entries.
func (s span) list(name string, xs []float64, least, most int) error {
	if len(xs) < least {
		return refuse(name, "has %d values, needs at least %d", len(xs), least)
	}
	if len(xs) > most {
		return refuse(name, "has %d values, at most %d are thinkable", len(xs), most)
	}
	for i, x := range xs {
		if err := s.field(fmt.Sprintf("%s[%d]", name, i), x); err != nil {
			return err
		}
	}
	return nil
}

// solved guards a result: an answer outside the thinkable is refused under the
// name of the unknown, so that nobody reads it as a setting.
func (s span) solved(name string, x float64) (float64, error) {
	if err := s.field(name, x); err != nil {
		return 0, refuse(name, "the other values work out at %s %s, which no field sprayer does", number(x), s.unit)
	}
	return x, nil
}

// InputErrors are several impossible fields of one input, in the order of the
// fields. errors.As finds the first as an *InputError too.
type InputErrors []*InputError

func (e InputErrors) Error() string {
	var all []string
	for _, one := range e {
		all = append(all, one.Error())
	}
	return strings.Join(all, "; ")
}

// Unwrap gives the errors one by one.
func (e InputErrors) Unwrap() []error {
	all := make([]error, len(e))
	for i, one := range e {
		all[i] = one
	}
	return all
}

// everyError gathers what is wrong with the fields of an input, so that the
// caller hears all of it at once; nil when nothing is.
func everyError(errs ...error) error {
	var all InputErrors
	for _, err := range errs {
		var one *InputError
		var several InputErrors
		switch {
		case err == nil:
		case errors.As(err, &several):
			all = append(all, several...)
		case errors.As(err, &one):
			all = append(all, one)
		default:
			return err
		}
	}
	switch len(all) {
	case 0:
		return nil
	case 1:
		return all[0]
	}
	return all
}

func number(x float64) string { return strconv.FormatFloat(x, 'g', 6, 64) }

// atMost reports x ≤ limit within Epsilon; equality passes.
func atMost(x, limit float64) bool {
	return x <= limit+Epsilon*math.Max(math.Abs(x), math.Abs(limit))
}

// atLeast reports x ≥ limit within Epsilon; equality passes.
func atLeast(x, limit float64) bool { return atMost(limit, x) }

// percentOff is the signed deviation of x from base, in percent of base.
func percentOff(x, base float64) float64 { return (x - base) / base * 100 }

// spread holds the mean and the sample standard deviation (n−1) of readings.
// With one reading there is no deviation: sd is nil.
type spread struct {
	mean float64
	sd   *float64
}

// spreadOf sums a sorted copy, so that the order of readings does not matter.
func spreadOf(xs []float64) spread {
	sorted := slices.Clone(xs)
	slices.Sort(sorted)
	sum := 0.0
	for _, x := range sorted {
		sum += x
	}
	mean := sum / float64(len(sorted))
	if len(sorted) < 2 {
		return spread{mean: mean}
	}
	squares := 0.0
	for _, x := range sorted {
		squares += (x - mean) * (x - mean)
	}
	sd := math.Sqrt(squares / float64(len(sorted)-1))
	return spread{mean: mean, sd: &sd}
}

// cvPercent is the coefficient of variation, 100·sd/mean, or nil.
func (s spread) cvPercent() *float64 {
	if s.sd == nil || s.mean == 0 {
		return nil
	}
	cv := *s.sd / s.mean * 100
	return &cv
}
