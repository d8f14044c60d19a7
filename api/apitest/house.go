package apitest

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/pb33f/libopenapi"
	validator "github.com/pb33f/libopenapi-validator"
	"github.com/pb33f/libopenapi-validator/config"

	"rigledger/api"
	"rigledger/api/call"
	"rigledger/api/document"
	"rigledger/events"
	"rigledger/events/sqlitestore"
	"rigledger/fleet"
	"rigledger/fleet/plan"
)

// House is a whole service on a real ledger, with a clock that the test sets.
type House struct {
	T      testing.TB
	Fleet  *fleet.Fleet
	API    *api.API
	URL    string
	clock  *atomic.Int64
	raiser *fleet.Raiser
	Store  events.Store
	Tokens map[string]string // by name
}

// Zone is two hours ahead of UTC, so that local dates differ from UTC ones.
var Zone = time.FixedZone("yard", 2*3600)

// Morning is when tests begin.
var Morning = time.Date(2026, 5, 4, 6, 0, 0, 0, time.UTC)

// New opens a house; change, if any, says how its API is set up otherwise.
func New(t testing.TB, change ...func(o *api.Options)) *House {
	t.Helper()
	store, err := sqlitestore.Open(context.Background(), filepath.Join(t.TempDir(), "ledger.db"))
	if err != nil {
		t.Fatal(err)
	}
	h := &House{T: t, Store: store, clock: &atomic.Int64{}, Tokens: map[string]string{}}
	h.clock.Store(Morning.UnixMilli())
	now := func() time.Time { return time.UnixMilli(h.clock.Load()) }
	h.Fleet, err = fleet.Open(context.Background(), fleet.Options{Store: store, Zone: Zone, Now: now})
	if err != nil {
		t.Fatal(err)
	}
	h.raiser = fleet.NewRaiser(h.Fleet)
	t.Cleanup(func() {
		h.Fleet.Close()
		if err := store.Close(); err != nil {
			t.Error(err)
		}
	})
	h.Serve(change...)
	for _, s := range plan.StarterTexts() {
		h.Do(&fleet.PublishPlan{Text: string(s.Text)})
	}
	for _, r := range []fleet.Role{fleet.RoleManager, fleet.RoleWorkshop, fleet.RoleOperator, fleet.RoleReader} {
		h.Token(string(r), r, nil, "")
	}
	return h
}

// Serve puts another API before the same fleet, which has kept nothing yet, and has
// the house ask that one from now on.
func (h *House) Serve(change ...func(o *api.Options)) {
	h.T.Helper()
	o := api.Options{Fleet: h.Fleet, Version: "test"}
	for _, c := range change {
		c(&o)
	}
	h.API = api.New(o)
	server := httptest.NewServer(h.API)
	h.T.Cleanup(server.Close)
	h.URL = server.URL
}

// Do has the desk carry a command out.
func (h *House) Do(cmd fleet.Command) {
	h.T.Helper()
	if _, err := h.Fleet.Do(context.Background(), "test", cmd, nil); err != nil {
		h.T.Fatal(err)
	}
}

// Token makes a token and keeps it under a name.
func (h *House) Token(name string, role fleet.Role, yards []string, rig string) string {
	h.T.Helper()
	cmd, text := fleet.NewToken(name, role)
	cmd.Yards, cmd.Rig = yards, rig
	h.Do(cmd)
	h.Tokens[name] = text
	return text
}

// Now is what time it is for the fleet.
func (h *House) Now() time.Time { return time.UnixMilli(h.clock.Load()).UTC() }

// SetClock sets what time it is for the fleet.
func (h *House) SetClock(now time.Time) { h.clock.Store(now.UnixMilli()) }

// Pass lets time pass.
func (h *House) Pass(d time.Duration) { h.clock.Add(d.Milliseconds()) }

// Raise raises what is due and gives how many items that were.
func (h *House) Raise() int {
	h.T.Helper()
	n, err := h.raiser.Raise(context.Background())
	if err != nil {
		h.T.Fatal(err)
	}
	return n
}

// Answer is what came back.
type Answer struct {
	t      testing.TB
	Status int
	Header http.Header
	Body   []byte
}

// Contract is the contract, checked once; every call of every test goes
// through it.
var Contract = sync.OnceValues(func() (validator.Validator, error) {
	doc, err := libopenapi.NewDocument(document.OpenAPI)
	if err != nil {
		return nil, err
	}
	v, errs := validator.NewValidator(doc, config.WithFormatAssertions(), config.WithStrictMode(),
		config.WithStrictIgnoredHeadersExtra("X-Content-Type-Options", "X-Frame-Options", "Referrer-Policy", "Content-Security-Policy", "Cross-Origin-Resource-Policy", "X-Request-Id"),
		config.WithStrictIgnorePaths("$.body.totals.*", "$.body.*[*].totals.*", "$.body.usage[*].*", "$.body.values.*", "$.body.timeline[*].fact.**", "$.body.facts[*].entry.fact.**", "$.body.facts[*].fact.**", "$.body.limits.*", "$.body.position.*", "$.body.basis.*", "$.body.sheet.looked.*"))
	if len(errs) > 0 {
		return nil, fmt.Errorf("%v", errs)
	}
	return v, nil
})

// Send makes a request as the named token and checks request and answer
// against the document. Requests that are refused are meant to be wrong, so of
// those only the answer is checked.
func (h *House) Send(as, method, path string, body any, headers ...string) Answer {
	h.T.Helper()
	var raw []byte
	kind := "application/json"
	switch b := body.(type) {
	case nil:
		kind = ""
	case []byte:
		raw = b
	case string:
		raw = []byte(b)
	default:
		var err error
		if raw, err = json.Marshal(b); err != nil {
			h.T.Fatal(err)
		}
	}
	make := func() *http.Request {
		r, err := http.NewRequest(method, h.URL+path, bytes.NewReader(raw))
		if err != nil {
			h.T.Fatal(err)
		}
		if kind != "" {
			r.Header.Set("Content-Type", kind)
		}
		if as != "" {
			r.Header.Set("Authorization", "Bearer "+h.Tokens[as])
		}
		for i := 0; i+1 < len(headers); i += 2 {
			if headers[i+1] == "" {
				r.Header.Del(headers[i])
			} else {
				r.Header.Set(headers[i], headers[i+1])
			}
		}
		return r
	}
	response, err := http.DefaultClient.Do(make())
	if err != nil {
		h.T.Fatal(err)
	}
	defer response.Body.Close()
	a := Answer{t: h.T, Status: response.StatusCode, Header: response.Header}
	if a.Body, err = io.ReadAll(response.Body); err != nil {
		h.T.Fatal(err)
	}
	h.check(make, response, a, len(raw) > 0)
	return a
}

func (h *House) check(make func() *http.Request, response *http.Response, a Answer, hasBody bool) {
	h.T.Helper()
	v, err := Contract()
	if err != nil {
		h.T.Fatal(err)
	}
	r := make()
	if a.Status >= 400 {
		if got := a.Header.Get("Content-Type"); got != "application/problem+json" && r.URL.Path != "/readyz" {
			h.T.Errorf("%s %s: a refusal of type %q", r.Method, r.URL.Path, got)
		}
	}
	if a.Header.Get("Rigledger-Commit") == "" && strings.HasPrefix(r.URL.Path, "/v1/") {
		h.T.Errorf("%s %s: no Rigledger-Commit", r.Method, r.URL.Path)
	}
	if strings.Contains(string(a.Body), "/problems/no-such-") {
		return // not in the document, by its nature
	}
	response.Body = io.NopCloser(bytes.NewReader(a.Body))
	if ok, errs := v.ValidateHttpResponse(r, response); !ok {
		for _, e := range errs {
			h.T.Errorf("%s %s answered %d against the document: %s: %s %v\n%s", r.Method, r.URL.Path, a.Status, e.Message, e.Reason, e.SchemaValidationErrors, call.Clip(string(a.Body), 600))
		}
	}
	if a.Status < 400 {
		if ok, errs := v.ValidateHttpRequest(make()); !ok {
			for _, e := range errs {
				h.T.Errorf("%s %s was sent against the document: %s: %s %v", r.Method, r.URL.RequestURI(), e.Message, e.Reason, e.SchemaValidationErrors)
			}
		}
	}
}

// Is fails the test unless the status is as wanted.
func (a Answer) Is(status int) Answer {
	a.t.Helper()
	if a.Status != status {
		a.t.Fatalf("answered %d, want %d: %s", a.Status, status, call.Clip(string(a.Body), 2000))
	}
	return a
}

// At reads a value of the answer by JSON pointer, nil when it is not there.
func (a Answer) At(pointer string) any {
	a.t.Helper()
	var doc any
	if err := json.Unmarshal(a.Body, &doc); err != nil {
		a.t.Fatalf("%v: %s", err, a.Body)
	}
	for _, step := range strings.Split(strings.TrimPrefix(pointer, "/"), "/") {
		switch at := doc.(type) {
		case map[string]any:
			doc = at[step]
		case []any:
			var i int
			if _, err := fmt.Sscanf(step, "%d", &i); err != nil || i >= len(at) {
				return nil
			}
			doc = at[i]
		default:
			return nil
		}
	}
	return doc
}

// Has fails the test unless the value at a pointer is as wanted.
func (a Answer) Has(pointer string, want any) Answer {
	a.t.Helper()
	if n, ok := want.(int); ok {
		want = float64(n)
	}
	if got := a.At(pointer); got != want {
		a.t.Fatalf("%s is %v, want %v in %s", pointer, got, want, call.Clip(string(a.Body), 3000))
	}
	return a
}

// List is a list in the answer.
func (a Answer) List(pointer string) []any {
	a.t.Helper()
	l, ok := a.At(pointer).([]any)
	if !ok {
		a.t.Fatalf("%s is no list in %s", pointer, call.Clip(string(a.Body), 1000))
	}
	return l
}

// Names gives one member of each entry of a list.
func (a Answer) Names(pointer, member string) []string {
	a.t.Helper()
	var out []string
	for _, e := range a.List(pointer) {
		out = append(out, fmt.Sprint(e.(map[string]any)[member]))
	}
	return out
}

// Bad gives the pointers and parameters that a refusal names.
func (a Answer) Bad() string {
	a.t.Helper()
	var doc call.ProblemDoc
	if err := json.Unmarshal(a.Body, &doc); err != nil {
		a.t.Fatal(err)
	}
	var out []string
	for _, e := range doc.Errors {
		out = append(out, e.Pointer+e.Parameter)
	}
	return strings.Join(out, " ")
}

// FilterItem is an item of the rig T01 before the number of its cycle: the one of the
// suction filter, which comes first.
const FilterItem = "T01-filter-suction.suction-filter."

// Obj is a JSON object to send.
type Obj = map[string]any

// RigBody is a body to register one with.
func RigBody(code, yard string) Obj {
	return Obj{
		"rig": code, "name": "Low meadow", "class": "trailed", "yard": yard, "width_m": 24, "tank_l": 3500, "first_use": "2025-03-01",
		"meters": []Obj{{"meter": "pump", "quantity": "hours", "value": 0}, {"meter": "area", "quantity": "area", "value": 0}},
		"plan":   "trailed-boom",
	}
}

// Register registers a rig as RigBody has it.
func (h *House) Register(code, yard string) Answer {
	h.T.Helper()
	return h.Send("manager", "POST", "/v1/rigs", RigBody(code, yard)).Is(201)
}

var sent atomic.Int64

// Reading is a body with the pump's hours and the area's hectares.
func Reading(at time.Time, hours, hectares float64) Obj {
	return Obj{"id": fmt.Sprintf("r-%d", sent.Add(1)), "time": at.UTC().Format(time.RFC3339Nano), "counters": []Obj{
		{"meter": "pump", "value": hours, "unit": "HUR"}, {"meter": "area", "value": hectares, "unit": "H18"},
	}}
}
