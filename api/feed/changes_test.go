package feed_test

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

	"rigledger/api/apitest"
	"rigledger/api/feed"
	"rigledger/events"
	"rigledger/fleet"
)

// Every public kind says what it changes; a new one has no row here and fails.
func TestEveryKindOfFactSaysWhatItChanges(t *testing.T) {
	h := apitest.New(t)
	h.Register("T01", "north")
	h.Raise()
	var open []string
	h.Fleet.View(func(s *fleet.State) { open = slices.Clone(s.Rigs["T01"].Open) })
	rig, whole := "/v1/rigs/T01", "/v1/rigs/T01 /v1/parts/T01 /v1/rigs/T01/parts /v1/items?rig=T01"
	item := "/v1/rigs/T01 /v1/items/" + open[0]
	part := "T01-pump"
	rows := []struct {
		fact events.Fact
		want string // what it begins with; "..." for more of the same
	}{
		{&events.RigRegistered{Rig: "T01"}, rig},
		{&events.RigAmended{Rig: "T01"}, rig + " /v1/parts/T01 /v1/rigs/T01/parts /v1/items?rig=T01&stage=all ... /v1/certificates?rig=T01"},
		{&events.RigRetired{Rig: "T01"}, whole + " /v1/items?rig=T01&stage=all /v1/plans/trailed-boom"},
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
		h.Fleet.View(func(s *fleet.State) {
			for _, a := range feed.Changes(s, &events.Entry{At: h.Now(), Fact: row.fact}) {
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
func readModel(h *apitest.House) map[string]map[string]any {
	h.T.Helper()
	get := func(path string) map[string]any {
		r := httptest.NewRequest("GET", path, nil)
		r.Header.Set("Authorization", "Bearer "+h.Tokens["manager"])
		w := httptest.NewRecorder()
		h.API.ServeHTTP(w, r)
		var doc map[string]any
		if err := json.Unmarshal(w.Body.Bytes(), &doc); err != nil || w.Code != 200 {
			h.T.Fatalf("%s: %d %v", path, w.Code, err)
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
	h.Fleet.View(func(s *fleet.State) {
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
	h := apitest.New(t)
	h.Register("T01", "north")
	h.Register("T02", "south")
	head := h.Fleet.Head().N
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
		reader := feed.Reader{Fleet: h.Fleet}
		err := h.Store.Read(context.Background(), head+1, func(c *events.Commit) error {
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
	step := func(as, path string, body apitest.Obj) apitest.Answer {
		t.Helper()
		status := 200
		if strings.HasPrefix(path, "/v1/defects") && !strings.HasSuffix(path, "clear") || path == "/v1/inspections" || path == "/v1/certificates" || path == "/v1/bookings" ||
			strings.HasSuffix(path, "/parts") || strings.HasSuffix(path, "/handover") || path == "/v1/calibrations" {
			status = 201
		}
		a := h.Send(as, "POST", path, body).Is(status)
		look(path)
		return a
	}
	raise := func() {
		t.Helper()
		h.Raise()
		if _, err := fleet.NewNoter(h.Fleet).Note(context.Background()); err != nil {
			t.Fatal(err)
		}
		look("raised and noted")
	}
	raise()
	hours := 0.0
	read := func(rig string, by float64) {
		t.Helper()
		hours += by
		h.Pass(time.Duration(by*1.5) * time.Hour)
		before = readModel(h) // the calendar alone has changed things, which is noted after
		step("workshop", "/v1/rigs/"+rig+"/readings", apitest.Reading(h.Now().Add(-time.Minute), hours, hours*7))
		raise()
	}
	read("T01", 12)
	read("T01", 40)
	step("manager", "/v1/rigs/T01/place", apitest.Obj{"place": "uk", "first_purchase": "2019-03-01"})
	step("manager", "/v1/yards/south/place", apitest.Obj{"place": "uk"})
	step("workshop", "/v1/certificates", apitest.Obj{"rig": "T01", "number": "4711", "tester": "L. Licensed", "inspected": "2025-06-15"})
	defect := step("operator", "/v1/defects", apitest.Obj{"rig": "T01", "part": "pump", "text": "leaks", "safety": true}).At("/defect").(string)
	raise()
	step("workshop", "/v1/defects/"+defect+"/clear", apitest.Obj{"action": "seal changed"})
	failed := step("workshop", "/v1/inspections", apitest.Obj{"rig": "T01", "tester": "B. Bench", "sheet": apitest.Obj{"measured": apitest.Obj{"gauge_error": apitest.Obj{"readings": []apitest.Obj{{"master_bar": 1.5, "gauge_bar": 1.8}}}}}})
	raise()
	step("workshop", "/v1/inspections", apitest.Obj{"rig": "T01", "tester": "B. Bench", "retest_of": failed.At("/inspection"), "sheet": apitest.Obj{"measured": apitest.Obj{"gauge_error": apitest.Obj{"readings": []apitest.Obj{{"master_bar": 1.5, "gauge_bar": 1.55}}}}}})
	booking := step("manager", "/v1/bookings", apitest.Obj{"rig": "T01", "from": "2026-06-01", "to": "2026-06-03", "hectares": 40}).At("/booking").(string)
	step("manager", "/v1/bookings/"+booking+"/cancel", apitest.Obj{})
	var oil string
	h.Fleet.View(func(s *fleet.State) {
		for _, id := range s.Rigs["T01"].Open {
			if s.Items[id].Task == "pump-oil" {
				oil = id
			}
		}
	})
	item := "/v1/items/" + apitest.FilterItem + "1"
	step("workshop", item+"/book", apitest.Obj{"date": h.Now().In(apitest.Zone).Format(time.DateOnly)})
	step("operator", "/v1/rigs/T01/handover", apitest.Obj{"rinsed": true, "washed_outside": true, "filters_out": true, "last_products": []string{"water"}, "signed_by": "O. Example"})
	step("workshop", item+"/start", apitest.Obj{"by": "A. Example", "cautions_read": true})
	step("workshop", item+"/finish", apitest.Obj{"by": "A. Example"})
	// The large service ends the small one with it.
	read("T01", 400)
	if oil == "" {
		h.Fleet.View(func(s *fleet.State) {
			for _, id := range s.Rigs["T01"].Open {
				if s.Items[id].Task == "pump-oil" {
					oil = id
				}
			}
		})
	}
	big := "/v1/items/T01-pump.pump-diaphragms.1"
	step("operator", "/v1/rigs/T01/handover", apitest.Obj{"rinsed": true, "washed_outside": true, "filters_out": true, "last_products": []string{"water"}, "signed_by": "O. Example"})
	step("workshop", big+"/start", apitest.Obj{"by": "A. Example", "cautions_read": true})
	step("workshop", big+"/finish", apitest.Obj{"by": "A. Example"})
	if oil == "" || h.Send("reader", "GET", "/v1/items/"+oil, nil).Is(200).At("/stage") != "done" {
		t.Errorf("the oil %q was not done with the diaphragms, so that is not under test", oil)
	}
	// Taken back, both are open again; then done after all.
	step("workshop", big+"/return", apitest.Obj{"step": "done", "reason": "another rig's"})
	if h.Send("reader", "GET", "/v1/items/"+oil, nil).Is(200).At("/stage") != "raised" {
		t.Errorf("the oil %q did not open with the diaphragms, so that is not under test", oil)
	}
	step("workshop", big+"/return", apitest.Obj{"step": "in-hand", "reason": "another rig's"})
	step("workshop", big+"/finish", apitest.Obj{"by": "A. Example"})
	// A part with open work leaves, goes to the other rig, and a late reading of the first corrects what it brought.
	raise()
	step("workshop", "/v1/rigs/T01/parts/T01-filter-suction/remove", apitest.Obj{"reason": "to the other rig"})
	step("workshop", "/v1/rigs/T02/parts/T02-filter-suction/remove", apitest.Obj{"reason": "torn", "scrapped": true})
	step("workshop", "/v1/rigs/T02/parts", apitest.Obj{"position": "filter-suction", "part": "T01-filter-suction"})
	raise()
	step("workshop", "/v1/rigs/T01/readings", apitest.Reading(h.Now().Add(-20*time.Hour), hours-6, (hours-6)*7))
	h.Pass(2 * time.Hour)
	step("workshop", "/v1/rigs/T01/readings", apitest.Reading(h.Now(), hours+0.4, (hours+0.4)*7))
	step("workshop", "/v1/rigs/T01/readings/void", apitest.Obj{"meter": "pump", "at": h.Now().Format(time.RFC3339), "reason": "typed wrong"})
	h.Send("workshop", "POST", "/v1/rigs/T01/readings", apitest.Reading(h.Now(), 3, 3)).Is(202) // falls: quarantine
	look("held")
	held := h.Send("reader", "GET", "/v1/quarantine", nil).Is(200).Names("/quarantine", "quarantine")
	step("workshop", "/v1/quarantine/"+held[0]+"/dismiss", apitest.Obj{"reason": "typed wrong"})
	step("workshop", "/v1/quarantine/"+held[0]+"/reopen", apitest.Obj{"reason": "not at all"})
	swapped := h.Now().Format(time.RFC3339)
	step("workshop", "/v1/rigs/T01/meters/pump/swap", apitest.Obj{"reason": "new meter", "start": 0, "at": swapped})
	step("workshop", "/v1/rigs/T01/meters/pump/unswap", apitest.Obj{"reason": "the old one", "at": swapped})
	h.Do(&fleet.PublishPlan{Text: "plan: house\nversion: 1\ntitle: One task\nclasses: [trailed]\nnotice: The handbook comes first.\ntasks:\n  - {task: look, title: Look at it, part: diaphragm-pump, every: {hours: 50}, source: common practice}\n"})
	look("a plan")
	step("manager", "/v1/rigs/T01/plan", apitest.Obj{"plan": "house"})
	step("manager", "/v1/rigs/T01/work-changed", apitest.Obj{"date": "2026-05-20"})
	h.Send("manager", "PATCH", "/v1/rigs/T01", apitest.Obj{"yard": "south", "name": "Other name"}, "If-Match", "*").Is(200)
	look("amended")
	step("manager", "/v1/rigs/T01/retire", apitest.Obj{"reason": "sold"})
	raise()
	if compared < 400 {
		t.Errorf("only %d changed documents were compared", compared)
	}
	t.Logf("%d changed documents, each named", compared)
}

// Who is held to a yard is not told of parts and rigs elsewhere.
func TestChangesNameNothingOfOtherYards(t *testing.T) {
	h := apitest.New(t)
	h.Register("N01", "north")
	h.Register("S01", "south")
	h.Token("held", fleet.RoleReader, []string{"north"}, "")
	at := h.Now()
	h.Pass(time.Hour)
	h.Send("workshop", "POST", "/v1/rigs/N01/parts/N01-pump/remove", apitest.Obj{"reason": "to the other rig"}).Is(200)
	h.Send("workshop", "POST", "/v1/rigs/S01/parts/S01-pump/remove", apitest.Obj{"reason": "worn", "scrapped": true}).Is(200)
	h.Send("workshop", "POST", "/v1/rigs/S01/parts", apitest.Obj{"position": "pump", "part": "N01-pump"}).Is(201)
	h.Send("workshop", "POST", "/v1/rigs/N01/readings", apitest.Reading(at.Add(time.Minute), 0.01, 0.1)).Is(200) // late: the pump was on it
	read := func(as string) string {
		return fmt.Sprint(h.Send(as, "GET", "/v1/feed?kind=meter.read", nil).Is(200).At("/facts/0/changes"))
	}
	if all := read("reader"); !strings.Contains(all, "/v1/parts/N01-pump") || !strings.Contains(all, "/v1/rigs/S01") {
		t.Errorf("the pump that moved is not named: %s", all)
	}
	if held := read("held"); strings.Contains(held, "S01") || strings.Contains(held, "N01-pump") || !strings.Contains(held, "/v1/rigs/N01") {
		t.Errorf("held to north: %s", held)
	}
}
