package api

import "testing"

// A step without what the gauge showed is not one where it showed nought.
func TestAReadingThatIsMissingIsNotNought(t *testing.T) {
	h := newHouse(t)
	h.register("T01", "north")
	for path, c := range map[string]struct {
		body obj
		bad  string
	}{
		"/v1/testbay/gauge": {obj{"points": []obj{{"master_bar": 1.5}}}, "/points/0/read_bar"},
		"/v1/testbay/units": {obj{"from": "bar"}, "/value"},
		"/v1/inspections?":  {obj{"rig": "T01", "tester": "B. Bench"}, "/sheet"},
		"/v1/inspections": {
			obj{"rig": "T01", "tester": "B. Bench", "sheet": obj{"measured": obj{"gauge_error": obj{"readings": []obj{{"master_bar": 1.5}}}}}},
			"/sheet/measured/gauge_error/readings/0/gauge_bar",
		},
	} {
		if bad := h.send("workshop", "POST", path, c.body).is(422).bad(); bad != c.bad {
			t.Errorf("%s names %q, want %q", path, bad, c.bad)
		}
	}
	h.send("workshop", "POST", "/v1/testbay/gauge", obj{"points": []obj{{"master_bar": 1.5, "read_bar": 0}}}).is(200)
}
