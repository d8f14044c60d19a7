package console

import (
	"encoding/json"
	"maps"
	"net/url"
	"reflect"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"
)

// What amends tells emptied from untouched: a text or a date goes as empty, a number
// cannot be empty, and a form that makes something new leaves all of that out.
func TestAnAmendingFormSendsWhatWasEmptied(t *testing.T) {
	typed := url.Values{"s:/name": {"Low meadow"}, "s:/serial": {" "}, "d:/first_use": {""}, "n:/width_m": {""}, "b:/leased": {""}}
	for name, c := range map[string]struct {
		amend bool
		body  string
		wrong map[string]string
	}{
		"one that amends":   {true, `{"first_use":"","name":"Low meadow","serial":""}`, map[string]string{"n:/width_m": "This cannot be left empty."}},
		"one that makes it": {false, `{"name":"Low meadow"}`, map[string]string{}},
	} {
		t.Run(name, func(t *testing.T) {
			s := newSheet(time.UTC)
			s.amend = c.amend
			s.take(typed)
			if text, _ := s.body(); string(text) != c.body {
				t.Errorf("the body is %s, want %s", text, c.body)
			}
			if !maps.Equal(s.wrong, c.wrong) {
				t.Errorf("wrong is %v, want %v", s.wrong, c.wrong)
			}
		})
	}
}

func TestAFormBecomesABody(t *testing.T) {
	berlin, err := time.LoadLocation("Europe/Berlin")
	if err != nil {
		t.Fatal(err)
	}
	cases := map[string]struct {
		typed url.Values
		body  string
		back  map[string]string
		wrong map[string]string
	}{
		"nothing typed is an empty body": {typed: url.Values{"s:/a": {"  "}, "form": {"x"}}, body: `{}`},
		"text, numbers with comma or point, truth and lists": {
			typed: url.Values{"s:/name": {" Low meadow "}, "n:/width_m": {"24,5"}, "n:/tank_l": {"3500.00"}, "b:/leased": {"true"}, "l:/yards": {"north\r\n\r\n south "}, "d:/date": {"2026-05-04"}},
			body:  `{"name":"Low meadow","width_m":24.5,"tank_l":3500,"leased":true,"yards":["north","south"],"date":"2026-05-04"}`,
		},
		"a local time is that of the fleet's zone": {typed: url.Values{"t:/time": {"2026-05-04T08:30"}}, body: `{"time":"2026-05-04T06:30:00Z"}`},
		"a row without what was asked for is left out, and the others move up": {
			typed: url.Values{
				"h:/counters/0/meter": {"pump"}, "n:/counters/0/value": {""}, "h:/counters/1/meter": {"area"}, "n:/counters/1/value": {"12"},
			},
			body: `{"counters":[{"meter":"area","value":12}]}`,
			back: map[string]string{"/counters/0/meter": "h:/counters/1/meter", "/counters/0/value": "n:/counters/1/value"},
		},
		"rows of which none is filled in are no array": {typed: url.Values{"h:/counters/0/meter": {"pump"}, "s:/by": {"Ana"}}, body: `{"by":"Ana"}`},
		"a member with a slash":                        {typed: url.Values{"n:/measured/a~1b": {"1"}}, body: `{"measured":{"a/b":1}}`},
		"words for a number": {
			typed: url.Values{"n:/value": {"many"}, "n:/other": {"1e9"}, "n:/more": {"3,500"}, "t:/time": {"yesterday"}}, body: `{}`,
			wrong: map[string]string{"n:/value": "This is not a number.", "n:/other": "This is not a number.", "n:/more": "Is it 3.5 or 3500? Write 3500 or 3.5.", "t:/time": "This is not a date and time."},
		},
		"a number as the reader's browser writes it": {typed: url.Values{"writes": {"1.234.567,5"}, "n:/tank_l": {"3.500"}, "m:/flows": {"1,185; 1.185 1,2"}, "q:/rows/0": {"1.185"}}, body: `{"tank_l":3500,"flows":[1.185,1.185,1.2],"rows":[1.185]}`},
		"files that were kept before": {
			typed: url.Values{"f:/files/-": {strings.Repeat("a", 64), "axle.jpg", strings.Repeat("b", 64)}, "f:/file": {strings.Repeat("c", 64)}},
			body:  `{"files":["` + strings.Repeat("a", 64) + `","` + strings.Repeat("b", 64) + `"],"file":"` + strings.Repeat("c", 64) + `"}`,
		},
		"what is no field goes nowhere": {typed: url.Values{"do": {"/v1/x"}, "x:/a": {"1"}, "s": {"1"}, "s:a": {"1"}}, body: `{}`},
	}
	for name, c := range cases {
		t.Run(name, func(t *testing.T) {
			s := newSheet(berlin)
			s.take(c.typed)
			text, back := s.body()
			var got, want any
			if err := json.Unmarshal(text, &got); err != nil {
				t.Fatal(err)
			}
			if err := json.Unmarshal([]byte(c.body), &want); err != nil {
				t.Fatal(err)
			}
			if !reflect.DeepEqual(got, want) {
				t.Errorf("the body is %s, want %s", text, c.body)
			}
			if c.back != nil && !maps.Equal(back, c.back) {
				t.Errorf("its pointers come from %v, want %v", back, c.back)
			}
			if !maps.Equal(s.wrong, c.wrong) && len(s.wrong)+len(c.wrong) > 0 {
				t.Errorf("wrong: %v, want %v", s.wrong, c.wrong)
			}
		})
	}
}

// Whatever is typed, the body is JSON, and each pointer that leads back leads to
// a field that was sent.
func TestAnyFormGivesJSON(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		names := rapid.SliceOfN(rapid.StringMatching(`[snbdtlfhx]:(/([a-c0-2]|~1|-){0,2}){1,4}`), 0, 8).Draw(t, "names")
		s := newSheet(time.UTC)
		sent := map[string]bool{}
		for _, name := range names {
			s.put(name, []string{rapid.String().Draw(t, "value")})
			sent[name] = true
		}
		text, back := s.body()
		if !json.Valid(text) {
			t.Fatalf("%q is not JSON", text)
		}
		for pointer, field := range back {
			if !sent[field] {
				t.Fatalf("%s leads back to %s", pointer, field)
			}
		}
	})
}
