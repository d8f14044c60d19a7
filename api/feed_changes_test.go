package api

import (
	"context"
	"encoding/json"
	"fmt"
	"net/http/httptest"
	"net/url"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"rigledger/api/feed"
	"rigledger/events"
	"rigledger/fleet"
)

// Every public kind says what it changes; a new one has no row here and fails.
func TestEveryKindOfFactSaysWhatItChanges(t *testing.T) {
	h := newHouse(t)
	h.register("T01", "north")
	h.raise()
	var open []string
	h.fleet.View(func(s *fleet.State) { open = slices.Clone(s.Rigs["T01"].Open) })
	rig, whole := "/v1/rigs/T01", "/v1/rigs/T01 /v1/parts/T01 /v1/rigs/T01/parts /v1/items?rig=T01"
	item := "/v1/rigs/T01 /v1/items/" + open[0]
	part := "T01-pump"
	rows := []struct {
		fact events.Fact
		want string // what it begins with; "..." for more of the same
	}{
		{&events.RigRegistered{Rig: "T01"}, rig},
		{&events.RigAmended{Rig: "T01"}, rig + " /v1/parts/T01 /v1/rigs/T01/parts /v1/items?rig=T01&stage=all ... /v1/certificates?rig=T01"},
		{&events.RigRetired{Rig: "T01"}, whole + " /v1/plans/trailed-boom"},
		{&events.PartFitted{Rig: "T01", Part: part}, rig + " /v1/parts/T01-pump"},
		{&events.PartRemoved{Rig: "T01", Part: part}, rig + " /v1/parts/T01-pump"},
		{&events.MeterAdded{Rig: "T01"}, whole},
		{&events.MeterRead{Rig: "T01"}, whole},
		{&events.MeterSwapped{Rig: "T01"}, whole},
		{&events.MeterUnswapped{Rig: "T01"}, whole},
		{&events.ReadingVoided{Rig: "T01"}, whole},
		{&events.ReadingQuarantined{Rig: "T01", Quarantine: "q-1"}, rig + " /v1/quarantine/q-1"},
		{&events.ReadingQuarantined{Rig: "not known", Quarantine: "q-1"}, "/v1/quarantine/q-1"},
		{&events.ReadingReleased{Rig: "T01", Quarantine: "q-1"}, rig + " /v1/quarantine/q-1"},
		{&events.ReadingDismissed{Rig: "T01", Quarantine: "q-1"}, rig + " /v1/quarantine/q-1"},
		{&events.ReadingReopened{Rig: "T01", Quarantine: "q-1"}, rig + " /v1/quarantine/q-1"},
		{&events.ConditionMeasured{Rig: "T01", Part: part}, rig + " /v1/parts/T01-pump"},
		{&events.ConditionMeasured{Rig: "T01"}, whole},
		{&events.PlanPublished{Plan: "a b"}, "/v1/plans/a%20b"},
		{&events.PlanAdopted{Rig: "T01", Plan: "trailed-boom"}, whole + " /v1/plans/trailed-boom"},
		{&events.ClassPublished{Class: "trailed"}, "/v1/classes /v1/rigs?class=trailed"},
		{&events.ItemRaised{Rig: "T01", Item: open[0], Part: part}, item + " /v1/parts/T01-pump"},
		{&events.ItemBooked{Rig: "T01", Item: open[0]}, item},
		{&events.ItemStarted{Rig: "T01", Item: open[0]}, item},
		{&events.ItemFinished{Rig: "T01", Item: open[0]}, item + " /v1/parts/..."},
		{&events.ItemDeferred{Rig: "T01", Item: open[0]}, item + " /v1/parts/..."},
		{&events.ItemStruck{Rig: "T01", Item: open[0]}, item + " /v1/parts/..."},
		{&events.ItemReturned{Rig: "T01", Item: open[0], Step: fleet.StepBooked}, item + " /v1/parts/..."},
		{&events.ItemReturned{Rig: "T01", Item: open[0], Step: fleet.StepDone}, item + " /v1/parts/... /v1/rigs/T01/parts /v1/items?rig=T01"},
		{&events.BookingMade{Rig: "T01", Booking: "b"}, rig + " /v1/bookings/b"},
		{&events.BookingCancelled{Rig: "T01", Booking: "b"}, rig + " /v1/bookings/b"},
		{&events.WorkChanged{Rig: "T01"}, rig},
		{&events.DefectReported{Rig: "T01", Defect: "d"}, rig + " /v1/defects/d"},
		{&events.DefectCleared{Rig: "T01", Defect: "d"}, rig + " /v1/defects/d"},
		{&events.RigPlaced{Rig: "T01"}, whole},
		{&events.YardPlaced{Yard: "north"}, "/v1/yards/north/place /v1/rigs?yard=north /v1/items?yard=north"},
		{&events.RuleSetPublished{RuleSet: "r"}, "/v1/rulesets/r"},
		{&events.IntervalsPublished{}, "/v1/intervals /v1/rigs /v1/items"},
		{&events.InspectionJudged{Rig: "T01", Inspection: "i", File: "f"}, whole + " /v1/inspections/i /v1/files/f"},
		{&events.CalibrationMade{Rig: "T01", Calibration: "c"}, whole + " /v1/calibrations/c"},
		{&events.CertificateIssued{Rig: "T01", Certificate: "z", Inspection: "i"}, whole + " /v1/certificates/z /v1/inspections/i"},
		{&events.CertificateWithdrawn{Rig: "T01", Certificate: "z"}, whole + " /v1/certificates/z"},
		{&events.HandoverSigned{Rig: "T01"}, rig},
		{&events.FileKept{File: "f"}, "/v1/files/f"},
		{&events.ExchangeTaken{Rig: "T01"}, rig},
		{&events.RigStanding{Rig: "T01", Items: []events.ItemStanding{{Item: open[0]}}}, item + " /v1/parts/..."},
	}
	rest := events.PublicKinds()
	for _, row := range rows {
		kind := row.fact.Kind()
		rest = slices.DeleteFunc(rest, func(k string) bool { return k == kind })
		var got []string
		h.fleet.View(func(s *fleet.State) {
			for _, a := range feed.Changes(s, &events.Entry{At: h.now(), Fact: row.fact}) {
				got = append(got, a.Path)
				if u, err := url.Parse(a.Path); err != nil || strings.ContainsAny(a.Path, " \n") || !strings.HasPrefix(u.Path, "/v1/") {
					t.Errorf("%s: %q is no address", kind, a.Path)
				}
			}
		})
		text, ok := strings.Join(got, " "), true
		for i, piece := range strings.Split(row.want, "...") {
			at := strings.Index(text, piece)
			ok = ok && at >= 0 && (i > 0 || at == 0)
			if ok {
				text = text[at+len(piece):]
			}
		}
		if !ok || !strings.Contains(row.want, "...") && text != "" {
			t.Errorf("%s changes %q, want %q", kind, got, row.want)
		}
		if seen := map[string]bool{}; len(slices.DeleteFunc(slices.Clone(got), func(p string) bool { was := seen[p]; seen[p] = true; return !was })) > 0 {
			t.Errorf("%s names an address twice: %q", kind, got)
		}
	}
	if len(rest) > 0 {
		t.Errorf("kinds of fact that say nothing of what they change: %v; see feed.Changes", rest)
	}
}

// readModel is every document that has an address of its own.
func readModel(h *house) map[string]map[string]any {
	h.t.Helper()
	get := func(path string) map[string]any {
		r := httptest.NewRequest("GET", path, nil)
		r.Header.Set("Authorization", "Bearer "+h.tokens["manager"])
		w := httptest.NewRecorder()
		h.api.ServeHTTP(w, r)
		var doc map[string]any
		if err := json.Unmarshal(w.Body.Bytes(), &doc); err != nil || w.Code != 200 {
			h.t.Fatalf("%s: %d %v", path, w.Code, err)
		}
		return doc
	}
	all := map[string]map[string]any{}
	each := func(list, query, id string) {
		for _, x := range get("/v1/" + list + "?limit=500" + query)[list].([]any) {
			path := "/v1/" + list + "/" + url.PathEscape(x.(map[string]any)[id].(string))
			all[path] = get(path)
		}
	}
	each("rigs", "&retired=true,false", "rig")
	each("items", "&stage=all", "item")
	each("defects", "&state=all", "defect")
	each("quarantine", "&state=all", "quarantine")
	each("bookings", "", "booking")
	each("inspections", "", "inspection")
	each("calibrations", "", "calibration")
	each("certificates", "", "certificate")
	each("plans", "", "plan")
	all["/v1/classes"] = get("/v1/classes")
	all["/v1/intervals"] = get("/v1/intervals")
	h.fleet.View(func(s *fleet.State) {
		for id := range s.Parts {
			all["/v1/parts/"+id] = nil
		}
	})
	for path, doc := range all {
		if doc == nil {
			all[path] = get(path)
		}
		if strings.HasPrefix(path, "/v1/rigs/") {
			all[path]["under/fitness"] = get(path + "/fitness")
			all[path]["under/place"] = get(path + "/place")
		}
	}
	return all
}

// What answers otherwise after a commit is named by one of its facts: the whole
// life of two rigs, every document compared before and after.
func TestChangesLeaveNothingOut(t *testing.T) {
	h := newHouse(t)
	h.register("T01", "north")
	h.register("T02", "south")
	head := h.fleet.Head().N
	before := readModel(h)
	compared := 0
	look := func(what string) {
		t.Helper()
		after := readModel(h)
		named := map[string]bool{}
		lists := func(path string) {
			u, _ := url.Parse(path)
			name, wanted := strings.TrimPrefix(u.Path, "/v1/"), u.Query()
			if rig, ok := strings.CutSuffix(name, "/parts"); ok {
				name = "parts"
				wanted.Set("rig", strings.TrimPrefix(rig, "rigs/"))
			}
			for p, doc := range after {
				ok := strings.HasPrefix(p, "/v1/"+name+"/")
				for k, v := range wanted {
					ok = ok && (v[0] == "all" || doc[k] == v[0])
				}
				if stage, closed := doc["stage"]; closed && !wanted.Has("stage") && name == "items" {
					ok = ok && fleet.Stage(stage.(string)).Open()
				}
				named[p] = named[p] || ok
			}
		}
		facts := map[string]int{}
		reader := NewFeed(h.fleet)
		err := h.store.Read(context.Background(), head+1, func(c *events.Commit) error {
			head = c.N
			for i, changes := range reader.Changes(c) {
				facts[c.Facts[i].Fact.Kind()]++
				for _, path := range changes {
					named[path] = true
					if strings.Contains(path, "?") || strings.Count(path, "/") == 2 || strings.HasSuffix(path, "/parts") {
						lists(path)
					}
				}
			}
			return nil
		})
		if err != nil {
			t.Fatal(err)
		}
		for path, doc := range after {
			if reflect.DeepEqual(before[path], doc) {
				continue
			}
			compared++
			if !named[path] {
				t.Errorf("%s (%v): %s is another now, and nothing names it", what, facts, path)
			}
		}
		before = after
	}
	step := func(as, path string, body obj) answer {
		t.Helper()
		status := 200
		if strings.HasPrefix(path, "/v1/defects") && !strings.HasSuffix(path, "clear") || path == "/v1/inspections" || path == "/v1/certificates" || path == "/v1/bookings" ||
			strings.HasSuffix(path, "/parts") || strings.HasSuffix(path, "/handover") || path == "/v1/calibrations" {
			status = 201
		}
		a := h.send(as, "POST", path, body).is(status)
		look(path)
		return a
	}
	raise := func() {
		t.Helper()
		h.raise()
		if _, err := fleet.NewNoter(h.fleet).Note(context.Background()); err != nil {
			t.Fatal(err)
		}
		look("raised and noted")
	}
	raise()
	hours := 0.0
	read := func(rig string, by float64) {
		t.Helper()
		hours += by
		h.pass(time.Duration(by*1.5) * time.Hour)
		before = readModel(h) // the calendar alone has changed things, which is noted after
		step("workshop", "/v1/rigs/"+rig+"/readings", reading(h.now().Add(-time.Minute), hours, hours*7))
		raise()
	}
	read("T01", 12)
	read("T01", 40)
	step("manager", "/v1/rigs/T01/place", obj{"place": "uk", "first_purchase": "2019-03-01"})
	step("manager", "/v1/yards/south/place", obj{"place": "uk"})
	step("workshop", "/v1/certificates", obj{"rig": "T01", "number": "4711", "tester": "L. Licensed", "inspected": "2025-06-15"})
	defect := step("operator", "/v1/defects", obj{"rig": "T01", "part": "pump", "text": "leaks", "safety": true}).at("/defect").(string)
	raise()
	step("workshop", "/v1/defects/"+defect+"/clear", obj{"action": "seal changed"})
	failed := step("workshop", "/v1/inspections", obj{"rig": "T01", "tester": "B. Bench", "sheet": obj{"measured": obj{"gauge_error": obj{"readings": []obj{{"master_bar": 1.5, "gauge_bar": 1.8}}}}}})
	raise()
	step("workshop", "/v1/inspections", obj{"rig": "T01", "tester": "B. Bench", "retest_of": failed.at("/inspection"), "sheet": obj{"measured": obj{"gauge_error": obj{"readings": []obj{{"master_bar": 1.5, "gauge_bar": 1.55}}}}}})
	booking := step("manager", "/v1/bookings", obj{"rig": "T01", "from": "2026-06-01", "to": "2026-06-03", "hectares": 40}).at("/booking").(string)
	step("manager", "/v1/bookings/"+booking+"/cancel", obj{})
	var oil string
	h.fleet.View(func(s *fleet.State) {
		for _, id := range s.Rigs["T01"].Open {
			if s.Items[id].Task == "pump-oil" {
				oil = id
			}
		}
	})
	item := "/v1/items/" + filterItem + "1"
	step("workshop", item+"/book", obj{"date": "2026-05-04"})
	step("operator", "/v1/rigs/T01/handover", obj{"rinsed": true, "washed_outside": true, "filters_out": true, "last_products": []string{"water"}, "signed_by": "O. Example"})
	step("workshop", item+"/start", obj{"by": "A. Example", "cautions_read": true})
	step("workshop", item+"/finish", obj{"by": "A. Example"})
	// The large service ends the small one with it.
	read("T01", 400)
	if oil == "" {
		h.fleet.View(func(s *fleet.State) {
			for _, id := range s.Rigs["T01"].Open {
				if s.Items[id].Task == "pump-oil" {
					oil = id
				}
			}
		})
	}
	big := "/v1/items/T01-pump.pump-diaphragms.1"
	step("operator", "/v1/rigs/T01/handover", obj{"rinsed": true, "washed_outside": true, "filters_out": true, "last_products": []string{"water"}, "signed_by": "O. Example"})
	step("workshop", big+"/start", obj{"by": "A. Example", "cautions_read": true})
	step("workshop", big+"/finish", obj{"by": "A. Example"})
	if oil == "" || h.send("reader", "GET", "/v1/items/"+oil, nil).is(200).at("/stage") != "done" {
		t.Errorf("the oil %q was not done with the diaphragms, so that is not under test", oil)
	}
	// Taken back, both are open again; then done after all.
	step("workshop", big+"/return", obj{"step": "done", "reason": "another rig's"})
	if h.send("reader", "GET", "/v1/items/"+oil, nil).is(200).at("/stage") != "raised" {
		t.Errorf("the oil %q did not open with the diaphragms, so that is not under test", oil)
	}
	step("workshop", big+"/return", obj{"step": "in-hand", "reason": "another rig's"})
	step("workshop", big+"/finish", obj{"by": "A. Example"})
	// A part with open work leaves, goes to the other rig, and a late reading of the first corrects what it brought.
	raise()
	step("workshop", "/v1/rigs/T01/parts/T01-filter-suction/remove", obj{"reason": "to the other rig"})
	step("workshop", "/v1/rigs/T02/parts/T02-filter-suction/remove", obj{"reason": "torn", "scrapped": true})
	step("workshop", "/v1/rigs/T02/parts", obj{"position": "filter-suction", "part": "T01-filter-suction"})
	raise()
	step("workshop", "/v1/rigs/T01/readings", reading(h.now().Add(-20*time.Hour), hours-6, (hours-6)*7))
	h.pass(2 * time.Hour)
	step("workshop", "/v1/rigs/T01/readings", reading(h.now(), hours+0.4, (hours+0.4)*7))
	step("workshop", "/v1/rigs/T01/readings/void", obj{"meter": "pump", "at": h.now().Format(time.RFC3339), "reason": "typed wrong"})
	h.send("workshop", "POST", "/v1/rigs/T01/readings", reading(h.now(), 3, 3)).is(202) // falls: quarantine
	look("held")
	held := h.send("reader", "GET", "/v1/quarantine", nil).is(200).names("/quarantine", "quarantine")
	step("workshop", "/v1/quarantine/"+held[0]+"/dismiss", obj{"reason": "typed wrong"})
	step("workshop", "/v1/quarantine/"+held[0]+"/reopen", obj{"reason": "not at all"})
	swapped := h.now().Format(time.RFC3339)
	step("workshop", "/v1/rigs/T01/meters/pump/swap", obj{"reason": "new meter", "start": 0, "at": swapped})
	step("workshop", "/v1/rigs/T01/meters/pump/unswap", obj{"reason": "the old one", "at": swapped})
	h.do(&fleet.PublishPlan{Text: "plan: house\nversion: 1\ntitle: One task\nclasses: [trailed]\nnotice: The handbook comes first.\ntasks:\n  - {task: look, title: Look at it, part: diaphragm-pump, every: {hours: 50}, source: common practice}\n"})
	look("a plan")
	step("manager", "/v1/rigs/T01/plan", obj{"plan": "house"})
	step("manager", "/v1/rigs/T01/work-changed", obj{"date": "2026-05-20"})
	h.send("manager", "PATCH", "/v1/rigs/T01", obj{"yard": "south", "name": "Other name"}, "If-Match", "*").is(200)
	look("amended")
	step("manager", "/v1/rigs/T01/retire", obj{"reason": "sold"})
	raise()
	if compared < 400 {
		t.Errorf("only %d changed documents were compared", compared)
	}
	t.Logf("%d changed documents, each named", compared)
}

// Who is held to a yard is not told of parts and rigs elsewhere.
func TestChangesNameNothingOfOtherYards(t *testing.T) {
	h := newHouse(t)
	h.register("N01", "north")
	h.register("S01", "south")
	h.token("held", fleet.RoleReader, []string{"north"}, "")
	at := h.now()
	h.pass(time.Hour)
	h.send("workshop", "POST", "/v1/rigs/N01/parts/N01-pump/remove", obj{"reason": "to the other rig"}).is(200)
	h.send("workshop", "POST", "/v1/rigs/S01/parts/S01-pump/remove", obj{"reason": "worn", "scrapped": true}).is(200)
	h.send("workshop", "POST", "/v1/rigs/S01/parts", obj{"position": "pump", "part": "N01-pump"}).is(201)
	h.send("workshop", "POST", "/v1/rigs/N01/readings", reading(at.Add(time.Minute), 0.01, 0.1)).is(200) // late: the pump was on it
	read := func(as string) string {
		return fmt.Sprint(h.send(as, "GET", "/v1/feed?kind=meter.read", nil).is(200).at("/facts/0/changes"))
	}
	if all := read("reader"); !strings.Contains(all, "/v1/parts/N01-pump") || !strings.Contains(all, "/v1/rigs/S01") {
		t.Errorf("the pump that moved is not named: %s", all)
	}
	if held := read("held"); strings.Contains(held, "S01") || strings.Contains(held, "N01-pump") || !strings.Contains(held, "/v1/rigs/N01") {
		t.Errorf("held to north: %s", held)
	}
}
