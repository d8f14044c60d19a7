package console_test

import (
	"slices"
	"strings"
	"testing"

	"rigledger/api/console"
	"rigledger/fleet"
)

// mayLook is who may look at which page. A page that is not here fails the test.
var mayLook = map[string]string{
	"/":                                 "manager workshop operator reader",
	"/find":                             "manager workshop operator reader",
	"/start":                            "manager workshop operator reader", // others are told who may
	"/start/:rig":                       "manager workshop operator reader",
	"/rigs/:rig":                        "manager workshop operator reader",
	"/parts/:part":                      "manager workshop operator reader",
	"/season":                           "manager workshop operator reader",
	"/workshop":                         "manager workshop operator reader",
	"/items/:item":                      "manager workshop operator reader",
	"/items/:item/card":                 "manager workshop operator reader",
	"/items/:item/files/:file":          "manager workshop operator reader",
	"/bay":                              "manager workshop operator reader",
	"/bay/calculators":                  "manager workshop operator reader",
	"/bay/:rig/calibration":             "manager workshop operator reader",
	"/bay/:rig/inspection":              "manager workshop operator reader",
	"/bay/:rig/place":                   "manager",
	"/inspections/:inspection":          "manager workshop operator reader",
	"/calibrations/:calibration":        "manager workshop operator reader",
	"/intake":                           "manager workshop reader",
	"/ledger":                           "manager workshop reader",
	"/ledger/commits/:commit":           "manager workshop operator reader",
	"/access":                           "manager",
	"/rigs/:rig/record":                 "manager workshop reader",
	"/inspections/:inspection/record":   "manager workshop reader",
	"/calibrations/:calibration/record": "manager workshop reader",

	"/rigs/:rig/record/json":                 "manager workshop reader",
	"/inspections/:inspection/record/json":   "manager workshop reader",
	"/calibrations/:calibration/record/json": "manager workshop reader",
}

// TestEveryPageForEveryRole walks the whole table, as each role and as one whose
// token is held to another yard: what lies outside it is not there.
func TestEveryPageForEveryRole(t *testing.T) {
	h := aBusyFleet(t)
	h.token("elsewhere", fleet.RoleManager, []string{"south"})
	flows := make([]float64, 8)
	for i := range flows {
		flows[i] = 1.2
	}
	calibration := h.send("workshop", "POST", "/v1/calibrations", obj{"rig": "T01", "tester": "B. Bench", "nozzle": "03", "bar": 3, "spacing_m": 0.5, "km_h": 8, "flows_l_min": flows})["calibration"].(string)
	inspection := h.send("manager", "GET", "/v1/inspections?rig=T01", nil)["inspections"].([]any)[0].(obj)["inspection"].(string)
	item := h.send("manager", "GET", "/v1/items?rig=T01&limit=1", nil)["items"].([]any)[0].(obj)["item"].(string)
	fill := strings.NewReplacer(":rig", "T01", ":part", "T01-boom", ":item", item, ":inspection", inspection, ":calibration", calibration, ":commit", h.commitOf("T01"), ":file", strings.Repeat("0", 64))
	people := map[string]*visitor{}
	for _, role := range []string{"manager", "workshop", "operator", "reader", "elsewhere"} {
		people[role] = h.visit(role)
	}
	nobody := h.visit("")
	for _, path := range console.PagePaths() {
		may, listed := mayLook[path]
		if !listed {
			t.Errorf("%s is not in the table", path)
			continue
		}
		at := fill.Replace(path)
		nobody.get(at).is(200).has(`action="/sign-in"`).hasNot("T01</", "Low meadow")
		for _, role := range []string{"manager", "workshop", "operator", "reader"} {
			page := people[role].get(at)
			want := 403
			if slices.Contains(strings.Fields(may), role) {
				want = 200
			}
			if strings.HasSuffix(path, "/files/:file") {
				want = 404 // no such file goes with the job
			}
			if page.status != want {
				t.Errorf("%s answers %s with %d, want %d", at, role, page.status, want)
			}
		}
		page := people["elsewhere"].get(at)
		if strings.Contains(path, ":") && page.status != 404 {
			t.Errorf("%s answers another yard's manager with %d", at, page.status)
		}
		if strings.Contains(page.text, ">T01<") || strings.Contains(page.text, "/rigs/T01") {
			t.Errorf("%s shows another yard's rig", at)
		}
	}
	if len(mayLook) != len(console.PagePaths()) {
		t.Errorf("the table has %d pages, the program %d", len(mayLook), len(console.PagePaths()))
	}
}
