package api_test

import (
	"context"
	"net/http"
	"strings"
	"sync"
	"testing"
	"time"

	"rigledger/api/apitest"
	"rigledger/events"
	"rigledger/fleet"
)

func TestIdempotencyKeyCarriesOutOnce(t *testing.T) {
	h := apitest.New(t)
	body := apitest.RigBody("T01", "north")
	first := h.Send("manager", "POST", "/v1/rigs", body, "Idempotency-Key", "k-1").Is(201)
	head := h.Fleet.Head().N
	h.Send("manager", "PATCH", "/v1/rigs/T01", apitest.Obj{"name": "Renamed"}, "If-Match", "*").Is(200)
	again := h.Send("manager", "POST", "/v1/rigs", body, "Idempotency-Key", "k-1").Is(201).Has("/name", "Renamed")
	if again.Header.Get("Idempotency-Replayed") != "true" || first.Header.Get("Idempotency-Replayed") != "" {
		t.Fatal("the replay does not say so")
	}
	if h.Fleet.Head().N != head+1 {
		t.Fatal("the replay wrote something")
	}
	h.Send("manager", "POST", "/v1/rigs", apitest.RigBody("T02", "north"), "Idempotency-Key", "k-1").Is(422).Has("/type", "/problems/key-reused")
	h.Send("manager", "POST", "/v1/defects", apitest.Obj{"rig": "T01", "text": "x"}, "Idempotency-Key", "k-1").Is(422)
	h.Token("other", fleet.RoleManager, nil, "")
	h.Send("other", "POST", "/v1/rigs", body, "Idempotency-Key", "k-1").Is(409).Has("/type", "/problems/conflict") // another token's key is another key
	h.Send("manager", "POST", "/v1/rigs", body, "Idempotency-Key", "a b").Is(400)

	d := h.Send("operator", "POST", "/v1/defects", apitest.Obj{"rig": "T01", "text": "drip"}, "Idempotency-Key", "k-2").Is(201)
	e := h.Send("operator", "POST", "/v1/defects", apitest.Obj{"rig": "T01", "text": "drip"}, "Idempotency-Key", "k-2").Is(201)
	if d.At("/defect") != e.At("/defect") || e.Header.Get("Location") != "/v1/defects/"+d.At("/defect").(string) {
		t.Fatal("the replay shows another defect")
	}
	h.Send("manager", "POST", "/v1/tokens", apitest.Obj{"name": "x", "role": "reader"}, "Idempotency-Key", "k-3").Is(422).Has("/type", "/problems/key-unwelcome")
	h.Send("manager", "POST", "/v1/rigs/T01/credential", nil, "Idempotency-Key", "k-4").Is(422).Has("/type", "/problems/key-unwelcome")

	r := `{"id":"7:1","time":"2026-05-04T07:00:00Z","counters":[{"meter":"pump","value":1,"unit":"HUR"}]}` // an hour ahead
	h.Send("manager", "POST", "/v1/rigs/T01/readings", r, "Idempotency-Key", "k-5").Is(202)
	if a := h.Send("manager", "POST", "/v1/rigs/T01/readings", r, "Idempotency-Key", "k-5").Is(202); a.Header.Get("Idempotency-Replayed") != "true" {
		t.Fatal("the replay does not say so")
	}
	h.Send("manager", "POST", "/v1/rigs/T01/readings", apitest.Reading(h.Now(), 1, 1), "Idempotency-Key", "k-5").Is(422).Has("/type", "/problems/key-reused")

	for _, path := range []string{"/v1/rigs/T01/plan", "/v1/rigs/T01/retire"} {
		body := apitest.Obj{"plan": "mounted-boom"}
		if path == "/v1/rigs/T01/retire" {
			body = apitest.Obj{"reason": "sold"}
		}
		h.Send("manager", "POST", path, body, "Idempotency-Key", path).Is(200)
		if a := h.Send("manager", "POST", path, body, "Idempotency-Key", path).Is(200); a.Header.Get("Idempotency-Replayed") != "true" {
			t.Fatalf("%s: the replay does not say so", path)
		}
	}
}

// slow holds the desk until it is let go, so that a request is surely in flight.
type slow struct{ begun, let chan struct{} }

func (s slow) Touches() []string { return []string{"parts"} }

func (s slow) Decide(fleet.Deciding) ([]events.Entry, error) {
	select {
	case s.begun <- struct{}{}:
	default:
	}
	<-s.let
	return nil, nil
}

func TestSameKeyInFlightIsRefused(t *testing.T) {
	h := apitest.New(t)
	h.Register("T01", "north")
	begun, let := make(chan struct{}, 1), make(chan struct{})
	var wait sync.WaitGroup
	wait.Go(func() { _, _ = h.Fleet.Do(context.Background(), "test", slow{begun, let}, nil) })
	<-begun
	first := make(chan int, 1)
	body := `{"rig":"T01","text":"drip"}`
	ask := func() (*http.Response, error) {
		r, err := http.NewRequest("POST", h.URL+"/v1/defects", strings.NewReader(body))
		if err != nil {
			return nil, err
		}
		r.Header.Set("Authorization", "Bearer "+h.Tokens["operator"])
		r.Header.Set("Content-Type", "application/json")
		r.Header.Set("Idempotency-Key", "k")
		return http.DefaultClient.Do(r)
	}
	wait.Go(func() {
		a, err := ask()
		if err != nil {
			first <- 0
			return
		}
		a.Body.Close()
		first <- a.StatusCode
	})
	for until := time.Now().Add(5 * time.Second); h.Fleet.Waiting() == 0; { // its command waits behind the slow one
		if time.Now().After(until) {
			t.Fatal("the first request never came")
		}
		time.Sleep(time.Millisecond)
	}
	h.Send("operator", "POST", "/v1/defects", body, "Idempotency-Key", "k").Is(409).Has("/type", "/problems/key-in-flight")
	close(let)
	wait.Wait()
	if s := <-first; s != 201 {
		t.Fatalf("the first was answered %d", s)
	}
	h.Send("operator", "POST", "/v1/defects", body, "Idempotency-Key", "k").Is(201)
	if n := len(h.Send("operator", "GET", "/v1/defects", nil).Is(200).List("/defects")); n != 1 {
		t.Fatalf("%d defects, want 1", n)
	}
}

func TestTags(t *testing.T) {
	h := apitest.New(t)
	h.Register("T01", "north")
	h.Send("manager", "POST", "/v1/rigs/T01/readings", apitest.Reading(h.Now().Add(-time.Hour), 12.5, 88)).Is(200)
	h.Raise()
	item := "/v1/items/" + apitest.FilterItem + "1"
	for _, path := range []string{"/v1/rigs/T01", item, "/v1/parts/T01-pump", "/v1/rigs/T01/usage"} {
		a := h.Send("reader", "GET", path, nil).Is(200)
		tag := a.Header.Get("ETag")
		if tag == "" || tag[0] != '"' {
			t.Fatalf("%s: tag %q", path, tag)
		}
		b := h.Send("reader", "GET", path, nil, "If-None-Match", `"x", `+tag).Is(304)
		if len(b.Body) != 0 || b.Header.Get("ETag") != tag {
			t.Fatalf("%s: 304 with %q under %q", path, b.Body, b.Header.Get("ETag"))
		}
		h.Pass(24 * time.Hour) // another date: days left are others
		if c := h.Send("reader", "GET", path, nil, "If-None-Match", tag).Is(200); c.Header.Get("ETag") == tag {
			t.Fatalf("%s: the tag stayed while the date went on", path)
		}
	}
	seen := h.Send("reader", "GET", item, nil).Is(200).Header.Get("ETag")
	h.Send("workshop", "POST", item+"/book", apitest.Obj{"date": "2026-06-01"}, "If-Match", seen).Is(200)
	h.Send("workshop", "POST", item+"/book", apitest.Obj{"date": "2026-06-02"}, "If-Match", seen).Is(412).Has("/type", "/problems/stale")
	h.Send("workshop", "POST", item+"/book", apitest.Obj{"date": "2026-06-02"}, "If-Match", "W/"+seen).Is(412)
	now := h.Send("reader", "GET", item, nil).Is(200).Has("/booked_on", "2026-06-01").Header.Get("ETag")
	h.Send("workshop", "POST", item+"/book", apitest.Obj{"date": "2026-06-02"}, "If-Match", seen+", "+now).Is(200)
	h.Send("workshop", "POST", item+"/start", apitest.Obj{"by": "A", "cautions_read": true}, "If-Match", "*").Is(200)

	rig := h.Send("reader", "GET", "/v1/rigs/T01", nil).Is(200).Header.Get("ETag")
	h.Send("manager", "PATCH", "/v1/rigs/T01", apitest.Obj{"name": "A"}, "If-Match", rig).Is(200)
	h.Send("manager", "PATCH", "/v1/rigs/T01", apitest.Obj{"name": "B"}, "If-Match", rig).Is(412)
	h.Send("manager", "PATCH", "/v1/rigs/T01", apitest.Obj{"name": "B"}).Is(428).Has("/type", "/problems/unseen")
	h.Send("manager", "PATCH", "/v1/rigs/T01", apitest.Obj{"name": "B"}, "If-Match", "*").Is(200)
	// A reading that comes in while somebody fills in the form is no reason to refuse it; another's change is.
	rig = h.Send("manager", "GET", "/v1/rigs/T01", nil).Is(200).Header.Get("ETag")
	h.Send("operator", "POST", "/v1/rigs/T01/readings", apitest.Reading(h.Now().Add(-time.Second), 22.5, 138)).Is(200)
	if now := h.Send("manager", "GET", "/v1/rigs/T01", nil).Is(200).Header.Get("ETag"); now == rig {
		t.Error("the reading did not change the tag")
	}
	h.Send("manager", "PATCH", "/v1/rigs/T01", apitest.Obj{"name": "C"}, "If-Match", rig).Is(200)
	h.Send("manager", "PATCH", "/v1/rigs/T01", apitest.Obj{"name": "D"}, "If-Match", rig).Is(412)
	h.Send("manager", "PATCH", "/v1/rigs/T01", apitest.Obj{"name": "D"}, "If-Match", `"999999"`).Is(412)
	h.Send("manager", "PATCH", "/v1/rigs/T01", apitest.Obj{"name": "D"}, "If-Match", rig+`, `+h.Send("manager", "GET", "/v1/rigs/T01", nil).Header.Get("ETag")).Is(200)
	d := h.Send("operator", "POST", "/v1/defects", apitest.Obj{"rig": "T01", "text": "drip"}).Is(201)
	path := "/v1/defects/" + d.At("/defect").(string)
	h.Send("workshop", "POST", path+"/clear", apitest.Obj{"action": "x"}, "If-Match", `"1"`).Is(412)
	h.Send("workshop", "POST", path+"/clear", apitest.Obj{"action": "x"}, "If-Match", d.Header.Get("ETag")).Is(200)
}
