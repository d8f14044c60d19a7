package calculators

import (
	"math"
	"reflect"
	"strconv"
	"strings"

	"rigledger/api/call"
)

// Bounds of the numbers that a calculator takes, in whatever unit: a thousand
// million (no boom is as wide, no tank as full in millilitres, no product as
// dear in cents) and one in as many. They are our own, far beyond anything
// measured, so that no answer runs out of a number's range; what is sensible for
// a field is said by its own arithmetic.
const (
	numberMost  = 1e9
	numberLeast = 1e-9
)

// beyond lists the numbers of a body that no arithmetic is done with.
func beyond(v reflect.Value, at string, bad []call.FieldProblem) []call.FieldProblem {
	switch v.Kind() {
	case reflect.Pointer:
		if !v.IsNil() {
			return beyond(v.Elem(), at, bad)
		}
	case reflect.Struct:
		for i := range v.NumField() {
			f := v.Type().Field(i)
			name, _, _ := strings.Cut(f.Tag.Get("json"), ",")
			switch {
			case f.Anonymous && name == "":
				bad = beyond(v.Field(i), at, bad)
			case f.IsExported() && name != "-" && name != "":
				bad = beyond(v.Field(i), at+"/"+name, bad)
			}
		}
	case reflect.Slice:
		for i := range v.Len() {
			bad = beyond(v.Index(i), at+"/"+strconv.Itoa(i), bad)
		}
	case reflect.Float64, reflect.Int:
		var x float64
		if v.CanInt() {
			x = float64(v.Int())
		} else {
			x = v.Float()
		}
		switch size := math.Abs(x); {
		case len(bad) >= call.BadMost:
		case !(size <= numberMost):
			bad = append(bad, call.FieldProblem{Pointer: at, Detail: "must be at most 1000000000, either way"})
		case size > 0 && size < numberLeast:
			bad = append(bad, call.FieldProblem{Pointer: at, Detail: "must be 0 or at least 0.000000001"})
		}
	}
	return bad
}
