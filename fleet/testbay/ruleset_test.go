package testbay_test

import (
	"errors"
	"maps"
	"os"
	"slices"
	"strings"
	"testing"

	"rigledger/fleet/testbay"
)

func TestTheBuiltInRuleSets(t *testing.T) {
	sets := testbay.RuleSets()
	if len(sets) != 2 || sets[0].ID != testbay.ISO16122Part2Of2015 || sets[1].ID != testbay.FieldRules {
		t.Fatalf("built-in rule sets: %v", sets)
	}
	for _, rs := range sets {
		if rs.Standard == "" || rs.Edition == "" || rs.Where == "" || !rs.ValidFrom.Valid() {
			t.Errorf("%s has no standard, edition, place or date", rs.ID)
		}
		for name, l := range rs.Limits {
			if l.Source == "" {
				t.Errorf("%s: %s has no source", rs.ID, name)
			}
		}
		form := rs.Form()
		if len(form) != 10 {
			t.Errorf("%s: %d headings, Annex II has ten for a boom sprayer without blower", rs.ID, len(form))
		}
		n := 0
		for _, h := range form {
			if len(h.Points) == 0 {
				t.Errorf("%s: heading %s has no point", rs.ID, h.ID)
			}
			n += len(h.Points)
		}
		if n != len(rs.Points) {
			t.Errorf("%s: %d points on the form, %d in the set", rs.ID, n, len(rs.Points))
		}
	}
	if sets[0].On(date(t, "2015-03-14")) || !sets[0].On(date(t, "2015-03-15")) {
		t.Error("a rule set must be in force from its first day")
	}
}

func TestTheFieldRulesAreNowhereLaxerThanTheStandard(t *testing.T) {
	standard, field := iso(t), ruleSet(t, testbay.FieldRules)
	atLeast := []string{testbay.LimitPumpCapacity, testbay.LimitAirChamberLow, testbay.LimitGaugeFace, testbay.LimitRinseTank, testbay.LimitRinseResidual, testbay.LimitHandWash, testbay.LimitTankSize}
	stricter := 0
	for name, l := range field.Limits {
		s := standard.Limits[name].Value
		laxer := l.Value > s
		if slices.Contains(atLeast, name) {
			laxer = l.Value < s
		}
		if laxer {
			t.Errorf("%s: %g is laxer than the standard's %g", name, l.Value, s)
		}
		if l.Value != s {
			stricter++
		}
	}
	if stricter == 0 {
		t.Error("field rules that change nothing")
	}
}

func TestCopiesOfRuleSetsAreTheCallersOwn(t *testing.T) {
	rs := iso(t)
	rs.Limits[testbay.LimitFlowMeter] = testbay.Limit{Value: 99, Unit: "%", Source: "test"}
	rs.Points[0].ID = "changed"
	again := iso(t)
	if again.Limits[testbay.LimitFlowMeter].Value != 5 || again.Points[0].ID == "changed" {
		t.Error("changing a copy changed the built-in rule set")
	}
}

// Every limit must reach a verdict, a piece of advice or a choice: a limit moved
// in the data must move what the checks say. This is what keeps limits out of code.
func TestEveryLimitComesFromTheRuleSet(t *testing.T) {
	say := func(rs testbay.RuleSet) string {
		var b strings.Builder
		for _, s := range steps {
			vs, err := s.run(rs)
			b.WriteString(describe(vs, err))
		}
		for _, test := range []testbay.CatchTest{
			{FlowsLMin: some(1.2, 1.33, 1.34, 1.31), NominalLMin: ptr(1.2)},
			{FlowsLMin: some(1.2, 1.2, 1.31)},
		} {
			r, err := testbay.JudgeCatch(rs, test)
			b.WriteString(describe(r.Verdicts(), err))
			for _, n := range r.Nozzles {
				if n.Advisory {
					b.WriteString("advisory ")
				}
			}
			if r.ChangeSet {
				b.WriteString("set ")
			}
		}
		return b.String()
	}
	before := say(iso(t))
	for _, name := range slices.Sorted(maps.Keys(iso(t).Limits)) {
		t.Run(name, func(t *testing.T) {
			moved := false
			for _, factor := range []float64{0.5, 1.5} {
				rs := iso(t)
				l := rs.Limits[name]
				l.Value *= factor
				rs.Limits[name] = l
				moved = moved || say(rs) != before
			}
			if !moved {
				t.Errorf("moving %s changes no verdict", name)
			}
			rs := iso(t)
			delete(rs.Limits, name)
			if say(rs) == before {
				t.Errorf("%s can be missing without being missed", name)
			}
		})
	}
}

func describe(vs []testbay.Verdict, err error) string {
	var b strings.Builder
	for _, v := range vs {
		b.WriteString(v.Point)
		if v.Pass {
			b.WriteString(" pass ")
		} else {
			b.WriteString(" fail ")
		}
		b.WriteString(number(v.Limit))
		b.WriteString(";")
	}
	if err != nil {
		b.WriteString(err.Error())
	}
	return b.String()
}

func TestRuleSetFilesThatAreWrongSayWhere(t *testing.T) {
	good, err := os.ReadFile("rules/iso-16122-2-2015.yaml")
	if err != nil {
		t.Fatal(err)
	}
	if _, err := testbay.ParseRuleSet(good); err != nil {
		t.Fatal(err)
	}
	swap := func(old, new string) []byte {
		if !strings.Contains(string(good), old) {
			t.Fatalf("the file does not hold %q", old)
		}
		return []byte(strings.Replace(string(good), old, new, 1))
	}
	pump := "  pump_capacity_percent: {value: 90, unit: \"%\","
	for _, c := range []struct {
		name, field, says string
		data              []byte
		line              bool
	}{
		{"an empty file", "file", "empty", nil, false},
		{"no YAML at all", "file", "", []byte("\t: ["), false},
		{"two documents", "file", "more than one document", append(slices.Clone(good), "\n---\nid: x\n"...), false},
		{"an unknown field", "file", "colour", append(slices.Clone(good), "\ncolour: red\n"...), false},
		{"a doubled key", "file", "already defined", append(slices.Clone(good), "\nid: again\n"...), false},
		{"a bad id", "id", "identifier", swap("id: iso-16122-2-2015", "id: ISO 16122"), false},
		{"no edition", "edition", "missing", swap("edition: \"2015\"", "edition: \"\""), false},
		{"no such day", "valid_from", "not a date", swap("valid_from: 2015-03-15", "valid_from: 2015-02-30"), false},
		{"an end before the start", "valid_until", "before", swap("valid_from: 2015-03-15", "valid_from: 2015-03-15\nvalid_until: 2015-03-14"), false},
		{"an unknown limit", "limits.pump_capacty_percent", "not a limit", swap(pump, "  pump_capacty_percent: {value: 90, unit: \"%\","), true},
		{"a missing limit", "limits.pump_capacity_percent", "missing", swap(pump, "  pulsation_percentage: {value: 90, unit: \"%\","), true},
		{"a limit without a value", "limits.pump_capacity_percent.value", "missing", swap(pump, "  pump_capacity_percent: {unit: \"%\","), true},
		{"a limit of zero", "limits.pump_capacity_percent.value", "above 0", swap(pump, "  pump_capacity_percent: {value: 0, unit: \"%\","), true},
		{"a limit that is not a number", "limits.pump_capacity_percent.value", "above 0", swap(pump, "  pump_capacity_percent: {value: .nan, unit: \"%\","), true},
		{"an infinite limit", "limits.pump_capacity_percent.value", "above 0", swap(pump, "  pump_capacity_percent: {value: .inf, unit: \"%\","), true},
		{"a limit in words", "limits.pump_capacity_percent", "ninety", swap(pump, "  pump_capacity_percent: {value: ninety, unit: \"%\","), true},
		{"another unit", "limits.pump_capacity_percent.unit", "must be", swap(pump, "  pump_capacity_percent: {value: 90, unit: \"l/min\","), true},
		{"a limit without a source", "limits.pump_capacity_percent.source", "common practice", swap(pump+" source: \"ISO 16122-2:2015, from memory\"", pump+" source: \"\""), true},
		{"an unknown field in a limit", "limits.pump_capacity_percent", "unknown field", swap(pump, pump+" stops: true,"), true},
		{"a limit that is a plain number", "limits.hand_wash_l", "named values", swap("hand_wash_l: {value: 15, unit: \"l\", source: \"ISO 16119-2 / EN 12761-2, from memory\"}", "hand_wash_l: 15"), true},
		{"an air chamber upside down", "limits.air_chamber_low_percent", "below", swap("air_chamber_low_percent: {value: 30", "air_chamber_low_percent: {value: 70"), false},
		{"half a nozzle", "limits.replace_set_at_count", "whole", swap("replace_set_at_count: {value: 2", "replace_set_at_count: {value: 2.5"), false},
		{"an unknown heading", "points[0].heading", "not a heading", swap("heading: power_transmission", "heading: paint"), true},
		{"an unknown kind", "points[0].kind", "neither", swap("kind: looked_at", "kind: guessed"), true},
		{"a point nobody can measure", "points[0].kind", "does not fit", swap("kind: looked_at", "kind: measured"), true},
		{"a measured point only looked at", "points[2].kind", "does not fit", swap("name: \"Pump flow\", kind: measured", "name: \"Pump flow\", kind: looked_at"), true},
		{"a point that does not say whether it stops the rig", "points[0].stops_rig", "missing", swap("kind: looked_at, stops_rig: true,", "kind: looked_at,"), true},
		{"a point that is there twice", "points[1].id", "twice", swap("id: shaft_joints", "id: shaft_guard"), true},
		{"a measured point that is missing", "points", "pump_capacity", swap("  - {id: pump_capacity, heading: pump, name: \"Pump flow\", kind: measured,", "  - {id: pump_looks, heading: pump, name: \"Pump flow\", kind: looked_at,"), false},
		{"a base nobody knows", "extends", "no rule set", []byte("id: mine\nextends: other\n"), false},
		{"a huge file", "file", "larger", append(slices.Clone(good), strings.Repeat("#", 300<<10)...), false},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, err := testbay.ParseRuleSet(c.data)
			var pe *testbay.ParseError
			if !errors.As(err, &pe) {
				t.Fatalf("error %v, want a ParseError", err)
			}
			if c.name == "a missing limit" { // the misspelt one is reported first, by name
				if pe.Field != "limits.pulsation_percentage" {
					t.Errorf("field %q", pe.Field)
				}
				return
			}
			if pe.Field != c.field || !strings.Contains(err.Error(), c.says) {
				t.Errorf("got %q at %q, want %q at %q", err, pe.Field, c.says, c.field)
			}
			if c.line && pe.Line == 0 {
				t.Errorf("%v names no line", err)
			}
		})
	}
}

func TestAHouseCanExtendAStandard(t *testing.T) {
	house := []byte(`
id: house
extends: iso-16122-2-2015
standard: house rules
edition: "1"
valid_from: 2026-01-01
valid_until: 2026-12-31
where: our yards
limits:
  flow_meter_percent: {value: 3, unit: "%", source: common practice}
points:
  - {id: hoses, heading: pipes_hoses, name: Hoses, kind: looked_at, stops_rig: false, source: common practice}
  - {id: lights, heading: spray_boom, name: Boom lights, kind: looked_at, stops_rig: false, source: common practice}
`)
	rs, err := testbay.ParseRuleSet(house, testbay.RuleSets()...)
	if err != nil {
		t.Fatal(err)
	}
	if rs.Limits[testbay.LimitFlowMeter].Value != 3 || rs.Limits[testbay.LimitSpeedSensor].Value != 5 {
		t.Error("the house's limit must stand beside the inherited ones")
	}
	if len(rs.Points) != len(iso(t).Points)+1 {
		t.Errorf("%d points", len(rs.Points))
	}
	if p, _ := rs.Point("hoses"); p.StopsRig {
		t.Error("the house's point must replace the inherited one")
	}
	if rs.On(date(t, "2027-01-01")) || !rs.On(date(t, "2026-12-31")) {
		t.Error("a rule set must be in force to its last day and no longer")
	}
	if iso(t).Limits[testbay.LimitFlowMeter].Value != 5 {
		t.Error("extending changed the base")
	}
	twice := append(slices.Clone(house), "  - {id: lights, heading: spray_boom, name: Again, kind: looked_at, stops_rig: false, source: x}\n"...)
	if _, err := testbay.ParseRuleSet(twice, testbay.RuleSets()...); err == nil {
		t.Error("a point that is there twice must be refused in an extending file too")
	}
}

func FuzzParseRuleSet(f *testing.F) {
	// The field rules extend the standard and are small: the full file as a seed
	// makes the fuzzer spend its time on making inputs shorter.
	data, err := os.ReadFile("rules/field-rules.yaml")
	if err != nil {
		f.Fatal(err)
	}
	f.Add(data)
	f.Add([]byte("id: a\nlimits: {flow_meter_percent: &a {value: 1, unit: \"%\", source: x}, speed_sensor_percent: *a}\n"))
	f.Add([]byte("points: [*x]"))
	bases := testbay.RuleSets()
	f.Fuzz(func(t *testing.T, data []byte) {
		rs, err := testbay.ParseRuleSet(data, bases...)
		if err != nil {
			var pe *testbay.ParseError
			if !errors.As(err, &pe) || pe.Field == "" || pe.Reason == "" {
				t.Fatalf("error %#v is not a clear ParseError", err)
			}
			return
		}
		// What parses must be able to judge.
		if _, err := testbay.JudgeCatch(rs, testbay.CatchTest{FlowsLMin: some(1.2, 1.3), NominalLMin: ptr(1.2)}); err != nil {
			t.Fatalf("a parsed rule set cannot judge: %v", err)
		}
		if _, err := testbay.Judge(testbay.Sheet{}, rs); err != nil {
			t.Fatalf("a parsed rule set cannot judge an empty sheet: %v", err)
		}
	})
}

func FuzzParseIntervals(f *testing.F) {
	data, err := os.ReadFile("rules/inspection-intervals.yaml")
	if err != nil {
		f.Fatal(err)
	}
	f.Add(data)
	f.Fuzz(func(t *testing.T, data []byte) {
		table, err := testbay.ParseIntervals(data)
		if err != nil {
			var pe *testbay.ParseError
			if !errors.As(err, &pe) || pe.Field == "" || pe.Reason == "" {
				t.Fatalf("error %#v is not a clear ParseError", err)
			}
			return
		}
		day := date(t, "2026-05-01")
		if _, err := testbay.NextInspection(table, testbay.Machine{FirstPurchase: &day, BoomM: 24}, day); err != nil {
			t.Fatalf("a parsed table cannot be asked: %v", err)
		}
	})
}
