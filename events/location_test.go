package events

import (
	"math"
	"testing"
)

func TestWhatIsAPlaceAndWhatIsNone(t *testing.T) {
	for _, c := range []struct {
		text string
		want *Location
	}{
		{`{"latitude":53.1234567,"longitude":-1.25}`, &Location{531234567, -12500000}},
		{`{"longitude":-180,"latitude":90,"altitude":12}`, &Location{900000000, -1800000000}},
		{`{"latitude":0,"longitude":0.0000001}`, &Location{0, 1}},
		{`{"latitude":0,"longitude":0}`, nil},
		{`{"latitude":-0.0,"longitude":0.00000001}`, nil},
		{`{"latitude":90.0000001,"longitude":0}`, nil},
		{`{"latitude":1,"longitude":-180.1}`, nil},
		{`{"latitude":1e999,"longitude":1}`, nil},
		{`{"latitude":"1","longitude":1}`, nil},
		{`{"latitude":1}`, nil}, {`null`, nil}, {`[1,2]`, nil}, {`"here"`, nil}, {``, nil}, {`{"latitude":1,`, nil},
	} {
		got := ParseLocation([]byte(c.text))
		if (got == nil) != (c.want == nil) || got != nil && *got != *c.want {
			t.Errorf("%s is %+v, want %+v", c.text, got, c.want)
		}
	}
	if NewLocation(math.NaN(), 1) != nil || NewLocation(1, math.NaN()) != nil || NewLocation(math.Inf(1), 1) != nil {
		t.Error("what is not a number is a place")
	}
}
