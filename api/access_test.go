package api_test

import (
	"bytes"
	"io"
	"net/http"
	"os"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"go.yaml.in/yaml/v3"

	"rigledger/api"
	"rigledger/api/apitest"
	"rigledger/api/call"
	"rigledger/api/console"
	"rigledger/api/document"
	"rigledger/api/exchange"
	"rigledger/fleet"
)

// allowed is who may do what, written down a second time, by hand, so that a
// slip in the route table shows. m w o r g: manager, workshop, operator, reader, rig.
const allowed = `
GET /v1/rigs                                  m w o r -
POST /v1/rigs                                 m - - - -
GET /v1/rigs/:rig                             m w o r g
PATCH /v1/rigs/:rig                           m - - - -
POST /v1/rigs/:rig/retire                     m - - - -
POST /v1/rigs/:rig/plan                       m - - - -
POST /v1/rigs/:rig/credential                 m - - - -
GET /v1/rigs/:rig/parts                       m w o r -
POST /v1/rigs/:rig/parts                      m w - - -
POST /v1/rigs/:rig/parts/:part/remove         m w - - -
POST /v1/rigs/:rig/meters                     m w - - -
POST /v1/rigs/:rig/meters/:meter/swap         m w - - -
POST /v1/rigs/:rig/meters/:meter/unswap       m w - - -
GET /v1/rigs/:rig/readings                    m w o r -
POST /v1/rigs/:rig/readings                   m w o - g
POST /v1/rigs/:rig/readings/void              m w - - -
GET /v1/rigs/:rig/usage                       m w o r -
GET /v1/rigs/:rig/timeline                    m w o r -
GET /v1/parts/:part                           m w o r -
GET /v1/items                                 m w o r -
GET /v1/items/:item                           m w o r -
POST /v1/items/:item/book                     m w - - -
POST /v1/items/:item/start                    m w o - -
POST /v1/items/:item/finish                   m w o - -
POST /v1/items/:item/defer                    m w - - -
POST /v1/items/:item/strike                   m - - - -
POST /v1/items/:item/return                   m w - - -
GET /v1/workshop                              m w o r -
GET /v1/defects                               m w o r -
POST /v1/defects                              m w o - -
GET /v1/defects/:defect                       m w o r -
POST /v1/defects/:defect/clear                m w - - -
GET /v1/quarantine                            m w - r -
GET /v1/quarantine/:quarantine                m w - r -
POST /v1/quarantine/:quarantine/release       m w - - -
POST /v1/quarantine/:quarantine/dismiss       m w - - -
POST /v1/quarantine/:quarantine/reopen        m w - - -
GET /v1/plans                                 m w o r -
POST /v1/plans                                m - - - -
GET /v1/plans/:plan                           m w o r -
GET /v1/tokens                                m - - - -
POST /v1/tokens                               m - - - -
POST /v1/tokens/:token/revoke                 m - - - -
GET /v1/classes                               m w o r -
GET /v1/rigs/:rig/fitness                     m w o r -
GET /v1/rigs/:rig/place                       m w o r -
POST /v1/rigs/:rig/place                      m - - - -
GET /v1/rigs/:rig/handover                    m w o r -
POST /v1/rigs/:rig/handover                   m w o - -
GET /v1/rigs/:rig/record                      m w - r -
GET /v1/yards/:yard/place                     m w o r -
POST /v1/yards/:yard/place                    m - - - -
GET /v1/inspections                           m w o r -
POST /v1/inspections                          m w - - -
GET /v1/inspections/:inspection               m w o r -
GET /v1/inspections/:inspection/record        m w - r -
GET /v1/calibrations                          m w o r -
POST /v1/calibrations                         m w o - -
GET /v1/calibrations/:calibration             m w o r -
GET /v1/calibrations/:calibration/record      m w - r -
GET /v1/certificates                          m w o r -
POST /v1/certificates                         m w - - -
GET /v1/certificates/:certificate             m w o r -
POST /v1/certificates/:certificate/withdraw   m - - - -
GET /v1/rulesets                              m w o r -
POST /v1/rulesets                             m - - - -
GET /v1/rulesets/:ruleset                     m w o r -
GET /v1/intervals                             m w o r -
POST /v1/intervals                            m - - - -
POST /v1/files                                m w o - -
GET /v1/files/:file                           m w o r -
POST /v1/testbay/rate                         m w o r -
POST /v1/testbay/flow                         m w o r -
POST /v1/testbay/catch                        m w o r -
POST /v1/testbay/gauge                        m w o r -
POST /v1/testbay/rinse                        m w o r -
POST /v1/testbay/capacity                     m w o r -
POST /v1/testbay/course                       m w o r -
POST /v1/testbay/wear                         m w o r -
POST /v1/testbay/speed-range                  m w o r -
POST /v1/testbay/nozzle                       m w o r -
POST /v1/testbay/units                        m w o r -
POST /v1/testbay/distribution                 m w o r -
POST /v1/testbay/boom-height                  m w o r -
POST /v1/testbay/pressure-drop                m w o r -
POST /v1/testbay/section-balance              m w o r -
POST /v1/testbay/section-closed               m w o r -
POST /v1/testbay/pump                         m w o r -
POST /v1/testbay/pulsation                    m w o r -
POST /v1/testbay/air-chamber                  m w o r -
POST /v1/testbay/flow-meter                   m w o r -
POST /v1/testbay/sensor                       m w o r -
POST /v1/testbay/rinse-tank                   m w o r -
POST /v1/testbay/residual                     m w o r -
POST /v1/classes                              m - - - -
GET /v1/bookings                              m w o r -
POST /v1/bookings                             m - - - -
GET /v1/bookings/:booking                     m w o r -
POST /v1/bookings/:booking/cancel             m - - - -
POST /v1/rigs/:rig/visit                      m w - - -
POST /v1/rigs/:rig/work-changed               m - - - -
GET /v1/rigs/:rig/forecast                    m w o r -
GET /v1/forecast                              m w o r -
POST /v1/forecast                             m w o r -
GET /v1/exchange/fleet/:page                  m w o r -
POST /v1/exchange/fleet                       m w o - -
GET /v1/exchange/fleet/equipment/:rig         m w o r -
GET /v1/exchange/fleet/equipment/:rig/:element/:from/:to/:page m w o r -
POST /v1/exchange/taskdata                    m w o - -
GET /v1/exchange/calendars                    m - - - -
POST /v1/exchange/calendars                   m - - - -
POST /v1/exchange/calendars/:calendar/revoke  m - - - -
GET /v1/exchange/sheet/:sheet                 m w o r -
GET /v1/exchange/positions                    m w o r -
GET /v1/feed                                  m w o r -
GET /v1/feed/live                             m w o r -
GET /v1/hooks                                 m - - - -
POST /v1/hooks                                m - - - -
POST /v1/hooks/:hook/rotate                   m - - - -
POST /v1/hooks/:hook/test                     m - - - -
GET /v1/hooks/:hook                           m - - - -
POST /v1/hooks/:hook/enable                   m - - - -
POST /v1/hooks/:hook/disable                  m - - - -
POST /v1/hooks/:hook/remove                   m - - - -
GET /v1/hooks/:hook/deliveries                m - - - -
GET /v1/ledger                                m w o r -
`

var columns = []fleet.Role{fleet.RoleManager, fleet.RoleWorkshop, fleet.RoleOperator, fleet.RoleReader, fleet.RoleRig}

// Every route is asked by every role, and by nobody. Bodies are wrong on
// purpose, so that nothing changes: who may is refused as 4xx of another kind.
func TestEveryRouteAgainstEveryRole(t *testing.T) {
	h := apitest.New(t)
	h.Register("T01", "north")
	h.Register("T02", "north")
	h.Token("rig", fleet.RoleRig, nil, "T01")
	table := map[string][]string{}
	for _, line := range strings.Split(strings.TrimSpace(allowed), "\n") {
		f := strings.Fields(line)
		table[f[0]+" "+f[1]] = f[2:]
	}
	asked := 0
	for _, r := range h.API.Served() {
		if !strings.HasPrefix(r.Path, "/v1/") || r.Path == exchange.CalendarPath { // a calendar's address is its own secret
			continue
		}
		who := table[r.Method+" "+r.Path]
		if who == nil {
			t.Errorf("%s %s is not in the table", r.Method, r.Path)
			continue
		}
		path := strings.NewReplacer(":rig", "T01", ":part", "T01-pump", ":meter", "pump", ":item", "none", ":defect", "none",
			":inspection", "none", ":calibration", "none", ":certificate", "none", ":yard", "north", ":ruleset", "field-rules", ":file", "none",
			":booking", "none", ":quarantine", "none", ":plan", "trailed-boom", ":token", "none", ":hook", "none",
			":page", "1", ":element", "CumulativeArea", ":from", "2026-05-01", ":to", "2026-05-02", ":calendar", "none", ":sheet", "rigs.csv").Replace(r.Path)
		if r.Path == "/v1/feed/live" {
			path += "?after=never" // a stream would not end
		}
		var body any
		if r.Method != "GET" {
			body = `{"no such field":1}`
		}
		if a := h.Send("", r.Method, path, body); a.Status != 401 {
			t.Errorf("%s %s answers %d to nobody", r.Method, path, a.Status)
		}
		for i, role := range columns {
			a := h.Send(string(role), r.Method, path, body)
			refused := a.Status == 403 && a.At("/type") == "/problems/not-allowed"
			if refused == (who[i] != "-") {
				t.Errorf("%s %s answers %d to the role %s: %s", r.Method, path, a.Status, role, call.Clip(string(a.Body), 200))
			}
			asked++
		}
	}
	if asked != len(table)*len(columns) {
		t.Errorf("%d asked, %d in the table", asked, len(table)*len(columns))
	}
	for _, path := range []string{"/v1/rigs/T02", "/v1/rigs/T99"} {
		h.Send("rig", "GET", path, nil).Is(404)
		h.Send("rig", "POST", path+"/readings", apitest.Reading(h.Now(), 1, 1)).Is(404)
	}
	// An operator works off what the plan gives to operators, and nothing else.
	h.Send("rig", "POST", "/v1/rigs/T01/readings", apitest.Reading(h.Now().Add(-time.Minute), 101, 10)).Is(200)
	h.Raise()
	h.Send("operator", "POST", "/v1/items/T01-filter-suction.suction-filter.1/finish", apitest.Obj{"by": "B. Example"}).Is(200)
	h.Send("operator", "POST", "/v1/items/T01-wheel-left.wheel-nuts.1/finish", apitest.Obj{"by": "B. Example"}).Is(403).Has("/type", "/problems/not-allowed")
	line := h.Send("reader", "GET", "/v1/rigs/T01/timeline?kind=item.finished", nil).Is(200)
	line.Has("/timeline/0/by", "operator")
}

// What lies outside a token's yards is as if it were not there.
func TestYardsHoldEverywhere(t *testing.T) {
	h := apitest.New(t)
	h.Register("N01", "north")
	h.Register("S01", "south")
	for _, r := range []string{"N01", "S01"} {
		h.Send("manager", "POST", "/v1/rigs/"+r+"/readings", apitest.Reading(h.Now().Add(-time.Hour), 12.5, 10)).Is(200)
		h.Send("manager", "POST", "/v1/rigs/"+r+"/readings", apitest.Reading(h.Now(), 1, 11)).Is(202)
		h.Send("manager", "POST", "/v1/defects", apitest.Obj{"rig": r, "text": "drip"}).Is(201)
	}
	h.Raise()
	for _, role := range []fleet.Role{fleet.RoleManager, fleet.RoleWorkshop, fleet.RoleReader} {
		h.Token("n-"+string(role), role, []string{"north"}, "")
	}
	const m = "n-manager"
	for _, list := range []string{"/v1/rigs", "/v1/items", "/v1/defects", "/v1/quarantine"} {
		a := h.Send(m, "GET", list, nil).Is(200)
		for _, rig := range a.Names("/"+list[4:], "rig") {
			if rig != "N01" {
				t.Errorf("%s shows %s", list, rig)
			}
		}
		if len(a.List("/"+list[4:])) == 0 {
			t.Errorf("%s is empty", list)
		}
		if strings.Contains(string(a.Body), "S01") {
			t.Errorf("%s names S01", list)
		}
	}
	if w := h.Send(m, "GET", "/v1/workshop", nil).Is(200); strings.Contains(string(w.Body), "south") {
		t.Error("the workshop's list shows another yard")
	}
	first := func(list string) string {
		for _, e := range h.Send("manager", "GET", list, nil).Is(200).List("/" + list[4:]) {
			if e := e.(map[string]any); e["rig"] == "S01" {
				return list + "/" + e[map[string]string{"/v1/items": "item", "/v1/defects": "defect", "/v1/quarantine": "quarantine"}[list]].(string)
			}
		}
		t.Fatal("nothing of S01 in " + list)
		return ""
	}
	item, defect, held := first("/v1/items"), first("/v1/defects"), first("/v1/quarantine")
	for _, path := range []string{
		"/v1/rigs/S01", "/v1/rigs/S01/parts", "/v1/rigs/S01/readings", "/v1/rigs/S01/usage", "/v1/rigs/S01/timeline", "/v1/parts/S01-pump", item, defect, held,
	} {
		h.Send(m, "GET", path, nil).Is(404)
	}
	head := h.Fleet.Head().N
	for path, body := range map[string]any{
		"/v1/rigs/S01/retire":                apitest.Obj{"reason": "x"},
		"/v1/rigs/S01/plan":                  apitest.Obj{"plan": "mounted-boom"},
		"/v1/rigs/S01/credential":            nil,
		"/v1/rigs/S01/parts":                 apitest.Obj{"position": "mirror", "kind": "mirror"},
		"/v1/rigs/S01/parts/S01-pump/remove": apitest.Obj{"reason": "x"},
		"/v1/rigs/S01/meters":                apitest.Obj{"meter": "w", "quantity": "volume"},
		"/v1/rigs/S01/meters/pump/swap":      apitest.Obj{"reason": "x"},
		"/v1/rigs/S01/meters/pump/unswap":    apitest.Obj{"at": h.Now(), "reason": "x"},
		"/v1/rigs/S01/readings":              apitest.Reading(h.Now(), 13, 12),
		"/v1/rigs/S01/readings/void":         apitest.Obj{"meter": "pump", "at": h.Now().Add(-time.Hour), "reason": "x"},
		item + "/book":                       apitest.Obj{"date": "2026-05-05"},
		item + "/start":                      apitest.Obj{"by": "A", "cautions_read": true},
		item + "/finish":                     apitest.Obj{"by": "A"},
		item + "/defer":                      apitest.Obj{"reason": "x", "until": "2026-06-01"},
		item + "/strike":                     apitest.Obj{"reason": "x"},
		item + "/return":                     apitest.Obj{"step": "booked", "reason": "x"},
		defect + "/clear":                    apitest.Obj{"action": "x"},
		held + "/release":                    apitest.Obj{"how": "as_is", "reason": "x"},
		held + "/dismiss":                    apitest.Obj{"reason": "x"},
		held + "/reopen":                     apitest.Obj{"reason": "x"},
	} {
		if a := h.Send(m, "POST", path, body); a.Status != 404 {
			t.Errorf("%s answers %d: %s", path, a.Status, a.Body)
		}
	}
	h.Send(m, "POST", "/v1/defects", apitest.Obj{"rig": "S01", "text": "x"}).Is(422)
	h.Send(m, "POST", "/v1/rigs", apitest.RigBody("S02", "south")).Is(403)
	h.Send(m, "PATCH", "/v1/rigs/S01", apitest.Obj{"name": "x"}).Is(404)
	h.Send(m, "PATCH", "/v1/rigs/N01", apitest.Obj{"yard": "south"}).Is(403)
	h.Send(m, "POST", "/v1/plans", apitest.Obj{"text": "x"}).Is(403)
	h.Send(m, "POST", "/v1/tokens", apitest.Obj{"name": "all", "role": "manager"}).Is(403)
	h.Send(m, "POST", "/v1/tokens", apitest.Obj{"name": "s", "role": "reader", "yards": []string{"north", "south"}}).Is(403)
	h.Send(m, "POST", "/v1/tokens", apitest.Obj{"name": "s", "role": "rig", "rig": "S01"}).Is(403)
	if h.Fleet.Head().N != head {
		t.Error("something was written")
	}
	if names := h.Send(m, "GET", "/v1/tokens", nil).Is(200).Names("/tokens", "name"); slices.Contains(names, "manager") || len(names) != 3 {
		t.Errorf("tokens shown: %v", names)
	}
	var all string
	h.Fleet.View(func(s *fleet.State) {
		for id, tok := range s.Tokens {
			if tok.Name == "manager" {
				all = id
			}
		}
	})
	h.Send(m, "POST", "/v1/tokens/"+all+"/revoke", nil).Is(404)
	made := h.Send(m, "POST", "/v1/tokens", apitest.Obj{"name": "mine", "role": "reader", "yards": []string{"north"}}).Is(201)
	h.Tokens["mine"] = made.At("/secret").(string)
	h.Send("mine", "GET", "/v1/rigs/N01", nil).Is(200)
	h.Send(m, "POST", "/v1/tokens/"+made.At("/token").(string)+"/revoke", apitest.Obj{"reason": "lost"}).Is(200).Has("/revoked", true)
	h.Send("mine", "GET", "/v1/rigs/N01", nil).Is(401)

	// A part that moved away shows its stays, but not where else.
	h.Send("manager", "POST", "/v1/rigs/S01/parts/S01-pump/remove", apitest.Obj{"reason": "lent"}).Is(200)
	h.Send("manager", "POST", "/v1/rigs/N01/parts/N01-pump/remove", apitest.Obj{"reason": "worn"}).Is(200)
	h.Send("manager", "POST", "/v1/rigs/N01/parts", apitest.Obj{"part": "S01-pump", "position": "pump"}).Is(201)
	h.Send(m, "GET", "/v1/parts/S01-pump", nil).Is(200).Has("/stays/0/elsewhere", true).Has("/stays/0/rig", nil).Has("/stays/1/rig", "N01")
}

// The document names every route and every query parameter, and no others.
func TestDocumentAndRoutesAreTheSame(t *testing.T) {
	h := apitest.New(t)
	var doc struct {
		Paths map[string]map[string]struct {
			Roles      []string `yaml:"x-roles"`
			Parameters []struct {
				Ref string `yaml:"$ref"`
			} `yaml:"parameters"`
		} `yaml:"paths"`
		Components struct {
			Parameters map[string]struct {
				Name string `yaml:"name"`
				In   string `yaml:"in"`
			} `yaml:"parameters"`
			Schemas map[string]yaml.Node `yaml:"schemas"`
		} `yaml:"components"`
	}
	// A path's own parameters are a list, not an operation.
	text := regexp.MustCompile(`(?m)^    parameters:\n(      - .*\n)+`).ReplaceAll(document.OpenAPI, nil)
	if err := yaml.Unmarshal(text, &doc); err != nil {
		t.Fatal(err)
	}
	param := regexp.MustCompile(`:(\w+)`)
	pages := map[string]bool{}
	for _, p := range console.New(console.Options{Fleet: h.Fleet}).Routes() {
		pages[p.Path] = true
	}
	served := map[string]*api.Row{}
	for _, r := range h.API.Served() {
		if pages[r.Path] {
			continue // for people; the document is for programs
		}
		served[r.Method+" "+param.ReplaceAllString(r.Path, "{$1}")] = nil
	}
	for _, r := range h.API.Table() {
		served[r.Method+" "+param.ReplaceAllString(r.Path, "{$1}")] = &r
	}
	for path, ops := range doc.Paths {
		for method, op := range ops {
			name := strings.ToUpper(method) + " " + path
			r, known := served[name]
			if !known {
				t.Errorf("the document has %s, the program does not", name)
			}
			delete(served, name)
			if r == nil {
				continue
			}
			var roles, query []string
			for _, role := range r.Roles {
				roles = append(roles, string(role))
			}
			if !slices.Equal(roles, op.Roles) {
				t.Errorf("%s is for %v, the document says %v", name, roles, op.Roles)
			}
			for _, p := range op.Parameters {
				q := doc.Components.Parameters[strings.TrimPrefix(p.Ref, "#/components/parameters/")]
				if q.In == "query" && q.Name != "after_commit" {
					query = append(query, q.Name)
				}
			}
			slices.Sort(query)
			want := slices.Sorted(slices.Values(r.Query))
			if !slices.Equal(query, want) {
				t.Errorf("%s takes %v, the document says %v", name, want, query)
			}
		}
	}
	for name := range served {
		t.Errorf("the program has %s, the document does not", name)
	}
	for _, k := range call.Kinds {
		if !bytes.Contains(document.OpenAPI, []byte("- "+k.URI+"\n")) {
			t.Errorf("the document does not know %s", k.URI)
		}
	}
	v, err := apitest.Contract()
	if err != nil {
		t.Fatal(err)
	}
	if ok, errs := v.ValidateDocument(); !ok {
		for _, e := range errs {
			t.Errorf("the document is no OpenAPI 3.1: %s %s %v", e.Message, e.Reason, e.SchemaValidationErrors)
		}
	}
}

func TestServiceEndpoints(t *testing.T) {
	h := apitest.New(t)
	h.Register("T01", "north")
	h.Send("", "GET", "/healthz", nil).Is(200).Has("/status", "up").Has("/version", "test")
	h.Send("", "GET", "/readyz", nil).Is(200).Has("/ready", true).Has("/checks/0/check", "ledger")
	h.Serve(func(o *api.Options) {
		o.Ready = func() []api.Check { return []api.Check{{Name: "nats", Err: os.ErrClosed}} }
	})
	h.Send("", "GET", "/readyz", nil).Is(503).Has("/ready", false).Has("/checks/1/check", "nats").Has("/checks/1/ok", false)
	h.Send("reader", "GET", "/v1/ledger", nil).Is(200).Has("/commit", int(h.Fleet.Head().N)).Has("/hash", h.Fleet.Head().Hash.String())
	h.Send("reader", "GET", "/v1/classes", nil).Is(200).Has("/classes/2/name", "trailed")
	h.Send("reader", "GET", "/v1/plans", nil).Is(200).Has("/plans/2/plan", "trailed-boom").Has("/plans/2/rigs", 1)
	p := h.Send("reader", "GET", "/v1/plans/trailed-boom", nil).Is(200).Has("/version", 1).Has("/tasks/0/every/hours", 500).Has("/tasks/0/every/months", 12)
	h.Send("reader", "GET", "/v1/plans/trailed-boom?version=2", nil).Is(404)
	next := strings.Replace(p.At("/text").(string), "version: 1\n", "version: 2\n", 1)
	h.Send("manager", "POST", "/v1/plans", []byte(next), "Content-Type", "application/yaml").Is(201).Has("/version", 2).Has("/versions/1", 2)
	h.Send("manager", "POST", "/v1/plans", apitest.Obj{"text": next}).Is(200)
	h.Send("reader", "GET", "/v1/plans/trailed-boom?version=1", nil).Is(200).Has("/version", 1)

	for path, want := range map[string]string{
		"/metrics":      "rigledger_facts_total{kind=\"rig.registered\"} 1",
		"/openapi.yaml": "openapi: 3.1.0",
	} {
		a := h.Send("", "GET", path, nil).Is(200)
		if !strings.Contains(string(a.Body), want) {
			t.Errorf("%s does not say %s", path, want)
		}
		for _, m := range []string{"commit_number", "desk_waiting", "desk_conflicts_total", "rigs 1", "items_open", "quarantine_open", "http_request_seconds_bucket{"} {
			if path == "/metrics" && !strings.Contains(string(a.Body), "rigledger_"+m) {
				t.Errorf("no metric rigledger_%s", m)
			}
		}
	}
	r, _ := http.NewRequest("HEAD", h.URL+"/v1/rigs/T01", nil)
	r.Header.Set("Authorization", "Bearer "+h.Tokens["reader"])
	a, err := http.DefaultClient.Do(r)
	if err != nil {
		t.Fatal(err)
	}
	defer a.Body.Close()
	if body, _ := io.ReadAll(a.Body); a.StatusCode != 200 || len(body) != 0 || a.Header.Get("ETag") == "" {
		t.Fatalf("HEAD answers %d with %d bytes", a.StatusCode, len(body))
	}
}
