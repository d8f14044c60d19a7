package api_test

import (
	"testing"

	"rigledger/api/apitest"
)

// A step without what the gauge showed is not one where it showed nought.
func TestAReadingThatIsMissingIsNotNought(t *testing.T) {
	h := apitest.New(t)
	h.Register("T01", "north")
	for path, c := range map[string]struct {
		body apitest.Obj
		bad  string
	}{
		"/v1/testbay/gauge": {apitest.Obj{"points": []apitest.Obj{{"master_bar": 1.5}}}, "/points/0/read_bar"},
		"/v1/testbay/units": {apitest.Obj{"from": "bar"}, "/value"},
		"/v1/inspections?":  {apitest.Obj{"rig": "T01", "tester": "B. Bench"}, "/sheet"},
		"/v1/inspections": {
			apitest.Obj{"rig": "T01", "tester": "B. Bench", "sheet": apitest.Obj{"measured": apitest.Obj{"gauge_error": apitest.Obj{"readings": []apitest.Obj{{"master_bar": 1.5}}}}}},
			"/sheet/measured/gauge_error/readings/0/gauge_bar",
		},
	} {
		if bad := h.Send("workshop", "POST", path, c.body).Is(422).Bad(); bad != c.bad {
			t.Errorf("%s names %q, want %q", path, bad, c.bad)
		}
	}
	h.Send("workshop", "POST", "/v1/testbay/gauge", apitest.Obj{"points": []apitest.Obj{{"master_bar": 1.5, "read_bar": 0}}}).Is(200)
}
