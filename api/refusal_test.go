package api_test

import (
	"encoding/json"
	"fmt"
	"net/http"
	"strings"
	"testing"
	"time"

	"rigledger/api"
	"rigledger/api/apitest"
	"rigledger/api/call"
)

func TestBadInputNamesEveryField(t *testing.T) {
	h := apitest.New(t)
	h.Register("T01", "north")
	post := func(path, body string, status int, bad string) {
		t.Helper()
		a := h.Send("manager", "POST", path, body).Is(status)
		if got := a.Bad(); got != bad {
			t.Errorf("%s %s names %q, want %q: %s", path, body, got, bad, a.Body)
		}
	}
	post("/v1/rigs", `{"rig":"T 2","name":"","class":"boat","yard":"n/1","width_m":0,"tank_l":-1,"first_use":"2026-02-30","meters":[{"meter":"p","quantity":"time"}],"plan":"none"}`,
		422, "/rig /name /yard /class /width_m /tank_l /first_use /meters/0/quantity /plan")
	post("/v1/rigs", `{"rig":5,"name":null,"colour":"red","width_m":"24","meters":{},"rig":"T02"}`, 422, "/rig /name /colour /width_m /meters /rig")
	post("/v1/rigs", `{"rig":"T02","meters":[{"meter":"p","valeu":1,"at":"yesterday"}]}`, 422, "/meters/0/valeu /meters/0/at")
	post("/v1/rigs", `{"a/b~c":1}`, 422, "/a~1b~0c")
	post("/v1/rigs", `{"rig":"T02"`, 400, "")
	post("/v1/rigs", `{"rig":"T02"} {}`, 400, "")
	post("/v1/rigs", ``, 400, "")
	post("/v1/rigs", `{"meters":`+strings.Repeat("[", 2000)+strings.Repeat("]", 2000)+`}`, 400, "")
	post("/v1/rigs/T01/readings", `{"id":"","time":"2026-05-04","counters":[{"meter":"pump","value":"1","unit":"HUR"}]}`, 422, "/time /counters/0/value")
	post("/v1/rigs/T01/readings", `{"id":"a b","counters":[{"meter":"p.q","value":-1,"unit":"KGM"},{"meter":"p.q","value":1,"unit":"HUR"}]}`, 422,
		"/id /time /counters/0/meter /counters/0/value /counters/0/unit /counters/1/meter")
	post("/v1/rigs/T01/readings", `[{"id":"a","time":"2026-05-04T05:00:00Z","counters":[]}]`, 422, "/0/counters")
	post("/v1/rigs/T01/readings", `[]`, 422, "")
	post("/v1/rigs/T01/readings", `{"id":"a","time":"2026-05-04T05:00:00Z","counters":[{"meter":"pump","value":1e999,"unit":"HUR"}]}`, 422, "/counters/0/value")
	post("/v1/defects", `{"rig":"T99","text":""}`, 422, "/text /rig")
	post("/v1/tokens", `{"name":"","role":"king","yards":["n s"],"rig":"T01","expires":"2020-01-01T00:00:00Z"}`, 422, "/name /role /yards/0 /rig /expires")
	post("/v1/plans", `{"text":"plan: x\nversion: zero\n"}`, 422, "/text /text /text /text /text")
	h.Send("manager", "POST", "/v1/rigs", `{}`, "Content-Type", "text/plain").Is(415)
	h.Send("manager", "POST", "/v1/rigs", `{}`, "Content-Type", "").Is(415)
	h.Send("manager", "POST", "/v1/rigs", `{"name":"`+strings.Repeat("x", api.MaxBody)+`"}`).Is(413)
	h.Send("reader", "GET", "/v1/rigs?yrad=north&limit=0&cursor=%21", nil).Is(422).Has("/errors/0/parameter", "yrad")
	h.Send("reader", "GET", "/v1/rigs?limit=1&limit=2", nil).Is(422)
	h.Send("reader", "GET", "/v1/rigs?%zz", nil).Is(400)
	h.Send("reader", "GET", "/v1/items?status=late", nil).Is(422).Has("/errors/0/parameter", "status")
}

func TestRefusalsAreProblems(t *testing.T) {
	h := apitest.New(t)
	h.Register("T01", "north")
	for name, c := range map[string]struct {
		as, method, path string
		status           int
		kind             string
	}{
		"no such address":       {"manager", "GET", "/v2", 404, "/problems/no-such-address"},
		"no such method":        {"manager", "DELETE", "/v1/rigs/T01", 405, "/problems/no-such-method"},
		"no such rig":           {"manager", "GET", "/v1/rigs/T99", 404, "/problems/not-found"},
		"no token":              {"", "GET", "/v1/rigs", 401, "/problems/unauthorized"},
		"a token nobody issued": {"nobody", "GET", "/v1/rigs", 401, "/problems/unauthorized"},
		"a commit not here yet": {"reader", "GET", "/v1/ledger?after_commit=x", 422, "/problems/invalid"},
	} {
		t.Run(name, func(t *testing.T) {
			h.T = t
			a := h.Send(c.as, c.method, c.path, nil).Is(c.status).Has("/type", c.kind).Has("/status", c.status)
			if a.At("/request") != a.Header.Get("X-Request-Id") {
				t.Error("the problem does not name its request")
			}
			if c.status == 401 && a.Header.Get("WWW-Authenticate") == "" {
				t.Error("no WWW-Authenticate")
			}
			if c.status == 405 && a.Header.Get("Allow") == "" {
				t.Error("no Allow")
			}
		})
	}
	h.T = t
	revoked := h.Send("manager", "POST", "/v1/tokens", apitest.Obj{"name": "short", "role": "reader", "expires": h.Now().Add(time.Hour)}).Is(201)
	h.Tokens["short"] = revoked.At("/secret").(string)
	h.Send("short", "GET", "/v1/rigs", nil).Is(200)
	h.Pass(2 * time.Hour)
	h.Send("short", "GET", "/v1/rigs", nil).Is(401)
}

func TestAfterCommitWaits(t *testing.T) {
	h := apitest.New(t)
	head := h.Fleet.Head().N
	got := make(chan int, 1)
	r, err := http.NewRequest("GET", fmt.Sprintf("%s/v1/ledger?after_commit=%d", h.URL, head+1), nil)
	if err != nil {
		t.Fatal(err)
	}
	r.Header.Set("Authorization", "Bearer "+h.Tokens["reader"])
	go func() {
		a, err := http.DefaultClient.Do(r)
		if err != nil {
			got <- 0
			return
		}
		a.Body.Close()
		got <- a.StatusCode
	}()
	select {
	case s := <-got:
		t.Fatalf("answered %d before the commit was there", s)
	case <-time.After(50 * time.Millisecond):
	}
	h.Register("T01", "north")
	if s := <-got; s != 200 {
		t.Fatalf("answered %d", s)
	}
	began := time.Now()
	a := h.Send("reader", "GET", "/v1/ledger?after_commit=99999", nil).Is(503).Has("/type", "/problems/behind")
	if took := time.Since(began); took < 5*time.Second || a.Header.Get("Retry-After") == "" {
		t.Fatalf("waited %v, Retry-After %q", took, a.Header.Get("Retry-After"))
	}
}

func TestPanicsBecomeProblems(t *testing.T) {
	h := apitest.New(t)
	h.API.Mount("/broken", func(*call.Call) error { panic("on purpose") })
	r, _ := http.NewRequest("GET", h.URL+"/broken", nil)
	r.Header.Set("Authorization", "Bearer "+h.Tokens["reader"])
	a, err := http.DefaultClient.Do(r)
	if err != nil {
		t.Fatal(err)
	}
	defer a.Body.Close()
	var doc call.ProblemDoc
	if err := json.NewDecoder(a.Body).Decode(&doc); err != nil || a.StatusCode != 500 || doc.Type != "/problems/internal" || strings.Contains(doc.Detail, "purpose") {
		t.Fatalf("answered %d %+v %v", a.StatusCode, doc, err)
	}
}
