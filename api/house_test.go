package api

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

	"rigledger/events"
	"rigledger/events/sqlitestore"
	"rigledger/fleet"
	"rigledger/fleet/plan"
)

// house is a whole service on a real ledger, with a clock that the test sets.
type house struct {
	t      testing.TB
	fleet  *fleet.Fleet
	api    *API
	url    string
	clock  *atomic.Int64
	raiser *fleet.Raiser
	store  events.Store
	tokens map[string]string // by name
}

// theZone is two hours ahead of UTC, so that local dates differ from UTC ones.
var theZone = time.FixedZone("yard", 2*3600)

// theMorning is when tests begin.
var theMorning = time.Date(2026, 5, 4, 6, 0, 0, 0, time.UTC)

// newHouse opens a house; change, if any, says how its API is set up otherwise.
func newHouse(t testing.TB, change ...func(o *Options)) *house {
	t.Helper()
	store, err := sqlitestore.Open(context.Background(), filepath.Join(t.TempDir(), "ledger.db"))
	if err != nil {
		t.Fatal(err)
	}
	h := &house{t: t, store: store, clock: &atomic.Int64{}, tokens: map[string]string{}}
	h.clock.Store(theMorning.UnixMilli())
	now := func() time.Time { return time.UnixMilli(h.clock.Load()) }
	h.fleet, err = fleet.Open(context.Background(), fleet.Options{Store: store, Zone: theZone, Now: now})
	if err != nil {
		t.Fatal(err)
	}
	h.raiser = fleet.NewRaiser(h.fleet)
	t.Cleanup(func() {
		h.fleet.Close()
		if err := store.Close(); err != nil {
			t.Error(err)
		}
	})
	h.serve(change...)
	for _, s := range plan.StarterTexts() {
		h.do(&fleet.PublishPlan{Text: string(s.Text)})
	}
	for _, r := range []fleet.Role{fleet.RoleManager, fleet.RoleWorkshop, fleet.RoleOperator, fleet.RoleReader} {
		h.token(string(r), r, nil, "")
	}
	return h
}

// serve puts another API before the same fleet, which has kept nothing yet, and has
// the house ask that one from now on.
func (h *house) serve(change ...func(o *Options)) {
	h.t.Helper()
	o := Options{Fleet: h.fleet, Version: "test"}
	for _, c := range change {
		c(&o)
	}
	h.api = New(o)
	server := httptest.NewServer(h.api)
	h.t.Cleanup(server.Close)
	h.url = server.URL
}

func (h *house) do(cmd fleet.Command) {
	h.t.Helper()
	if _, err := h.fleet.Do(context.Background(), "test", cmd, nil); err != nil {
		h.t.Fatal(err)
	}
}

// token makes a token and keeps it under a name.
func (h *house) token(name string, role fleet.Role, yards []string, rig string) string {
	h.t.Helper()
	cmd, text := fleet.NewToken(name, role)
	cmd.Yards, cmd.Rig = yards, rig
	h.do(cmd)
	h.tokens[name] = text
	return text
}

func (h *house) now() time.Time { return time.UnixMilli(h.clock.Load()).UTC() }

func (h *house) pass(d time.Duration) { h.clock.Add(d.Milliseconds()) }

func (h *house) raise() int {
	h.t.Helper()
	n, err := h.raiser.Raise(context.Background())
	if err != nil {
		h.t.Fatal(err)
	}
	return n
}

// answer is what came back.
type answer struct {
	t      testing.TB
	status int
	header http.Header
	body   []byte
}

// document is the contract, checked once; every call of every test goes
// through it.
var document = sync.OnceValues(func() (validator.Validator, error) {
	doc, err := libopenapi.NewDocument(openapiText)
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

// send makes a request as the named token and checks request and answer
// against the document. Requests that are refused are meant to be wrong, so of
// those only the answer is checked.
func (h *house) send(as, method, path string, body any, headers ...string) answer {
	h.t.Helper()
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
			h.t.Fatal(err)
		}
	}
	make := func() *http.Request {
		r, err := http.NewRequest(method, h.url+path, bytes.NewReader(raw))
		if err != nil {
			h.t.Fatal(err)
		}
		if kind != "" {
			r.Header.Set("Content-Type", kind)
		}
		if as != "" {
			r.Header.Set("Authorization", "Bearer "+h.tokens[as])
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
		h.t.Fatal(err)
	}
	defer response.Body.Close()
	a := answer{t: h.t, status: response.StatusCode, header: response.Header}
	if a.body, err = io.ReadAll(response.Body); err != nil {
		h.t.Fatal(err)
	}
	h.check(make, response, a, len(raw) > 0)
	return a
}

func (h *house) check(make func() *http.Request, response *http.Response, a answer, hasBody bool) {
	h.t.Helper()
	v, err := document()
	if err != nil {
		h.t.Fatal(err)
	}
	r := make()
	if a.status >= 400 {
		if got := a.header.Get("Content-Type"); got != "application/problem+json" && r.URL.Path != "/readyz" {
			h.t.Errorf("%s %s: a refusal of type %q", r.Method, r.URL.Path, got)
		}
	}
	if a.header.Get("Rigledger-Commit") == "" && strings.HasPrefix(r.URL.Path, "/v1/") {
		h.t.Errorf("%s %s: no Rigledger-Commit", r.Method, r.URL.Path)
	}
	if strings.Contains(string(a.body), "/problems/no-such-") {
		return // not in the document, by its nature
	}
	response.Body = io.NopCloser(bytes.NewReader(a.body))
	if ok, errs := v.ValidateHttpResponse(r, response); !ok {
		for _, e := range errs {
			h.t.Errorf("%s %s answered %d against the document: %s: %s %v\n%s", r.Method, r.URL.Path, a.status, e.Message, e.Reason, e.SchemaValidationErrors, clip(string(a.body), 600))
		}
	}
	if a.status < 400 {
		if ok, errs := v.ValidateHttpRequest(make()); !ok {
			for _, e := range errs {
				h.t.Errorf("%s %s was sent against the document: %s: %s %v", r.Method, r.URL.RequestURI(), e.Message, e.Reason, e.SchemaValidationErrors)
			}
		}
	}
}

// is fails the test unless the status is as wanted.
func (a answer) is(status int) answer {
	a.t.Helper()
	if a.status != status {
		a.t.Fatalf("answered %d, want %d: %s", a.status, status, clip(string(a.body), 2000))
	}
	return a
}

// at reads a value of the answer by JSON pointer, nil when it is not there.
func (a answer) at(pointer string) any {
	a.t.Helper()
	var doc any
	if err := json.Unmarshal(a.body, &doc); err != nil {
		a.t.Fatalf("%v: %s", err, a.body)
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

// has fails the test unless the value at a pointer is as wanted.
func (a answer) has(pointer string, want any) answer {
	a.t.Helper()
	if n, ok := want.(int); ok {
		want = float64(n)
	}
	if got := a.at(pointer); got != want {
		a.t.Fatalf("%s is %v, want %v in %s", pointer, got, want, clip(string(a.body), 3000))
	}
	return a
}

func (a answer) list(pointer string) []any {
	a.t.Helper()
	l, ok := a.at(pointer).([]any)
	if !ok {
		a.t.Fatalf("%s is no list in %s", pointer, clip(string(a.body), 1000))
	}
	return l
}

// names gives one member of each entry of a list.
func (a answer) names(pointer, member string) []string {
	a.t.Helper()
	var out []string
	for _, e := range a.list(pointer) {
		out = append(out, fmt.Sprint(e.(map[string]any)[member]))
	}
	return out
}

// bad gives the pointers and parameters that a refusal names.
func (a answer) bad() string {
	a.t.Helper()
	var doc problemDoc
	if err := json.Unmarshal(a.body, &doc); err != nil {
		a.t.Fatal(err)
	}
	var out []string
	for _, e := range doc.Errors {
		out = append(out, e.Pointer+e.Parameter)
	}
	return strings.Join(out, " ")
}

// filterItem is an item of the rig T01 before the number of its cycle: the one of the
// suction filter, which comes first.
const filterItem = "T01-filter-suction.suction-filter."

type obj = map[string]any

// rig is a body to register one with.
func rigBody(code, yard string) obj {
	return obj{
		"rig": code, "name": "Low meadow", "class": "trailed", "yard": yard, "width_m": 24, "tank_l": 3500, "first_use": "2025-03-01",
		"meters": []obj{{"meter": "pump", "quantity": "hours", "value": 0}, {"meter": "area", "quantity": "area", "value": 0}},
		"plan":   "trailed-boom",
	}
}

func (h *house) register(code, yard string) answer {
	h.t.Helper()
	return h.send("manager", "POST", "/v1/rigs", rigBody(code, yard)).is(201)
}

var sent atomic.Int64

// reading is a body with the pump's hours and the area's hectares.
func reading(at time.Time, hours, hectares float64) obj {
	return obj{"id": fmt.Sprintf("r-%d", sent.Add(1)), "time": at.UTC().Format(time.RFC3339Nano), "counters": []obj{
		{"meter": "pump", "value": hours, "unit": "HUR"}, {"meter": "area", "value": hectares, "unit": "H18"},
	}}
}
