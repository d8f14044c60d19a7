package api

import (
	"context"
	"net/http"
	"strings"
	"sync"
	"testing"
	"time"

	"rigledger/events"
	"rigledger/fleet"
)

func TestIdempotencyKeyCarriesOutOnce(t *testing.T) {
	h := newHouse(t)
	body := rigBody("T01", "north")
	first := h.send("manager", "POST", "/v1/rigs", body, "Idempotency-Key", "k-1").is(201)
	head := h.fleet.Head().N
	h.send("manager", "PATCH", "/v1/rigs/T01", obj{"name": "Renamed"}, "If-Match", "*").is(200)
	again := h.send("manager", "POST", "/v1/rigs", body, "Idempotency-Key", "k-1").is(201).has("/name", "Renamed")
	if again.header.Get("Idempotency-Replayed") != "true" || first.header.Get("Idempotency-Replayed") != "" {
		t.Fatal("the replay does not say so")
	}
	if h.fleet.Head().N != head+1 {
		t.Fatal("the replay wrote something")
	}
	h.send("manager", "POST", "/v1/rigs", rigBody("T02", "north"), "Idempotency-Key", "k-1").is(422).has("/type", "/problems/key-reused")
	h.send("manager", "POST", "/v1/defects", obj{"rig": "T01", "text": "x"}, "Idempotency-Key", "k-1").is(422)
	h.token("other", fleet.RoleManager, nil, "")
	h.send("other", "POST", "/v1/rigs", body, "Idempotency-Key", "k-1").is(409).has("/type", "/problems/conflict") // another token's key is another key
	h.send("manager", "POST", "/v1/rigs", body, "Idempotency-Key", "a b").is(400)

	d := h.send("operator", "POST", "/v1/defects", obj{"rig": "T01", "text": "drip"}, "Idempotency-Key", "k-2").is(201)
	e := h.send("operator", "POST", "/v1/defects", obj{"rig": "T01", "text": "drip"}, "Idempotency-Key", "k-2").is(201)
	if d.at("/defect") != e.at("/defect") || e.header.Get("Location") != "/v1/defects/"+d.at("/defect").(string) {
		t.Fatal("the replay shows another defect")
	}
	h.send("manager", "POST", "/v1/tokens", obj{"name": "x", "role": "reader"}, "Idempotency-Key", "k-3").is(422).has("/type", "/problems/key-unwelcome")
	h.send("manager", "POST", "/v1/rigs/T01/credential", nil, "Idempotency-Key", "k-4").is(422).has("/type", "/problems/key-unwelcome")

	r := `{"id":"7:1","time":"2026-05-04T07:00:00Z","counters":[{"meter":"pump","value":1,"unit":"HUR"}]}` // an hour ahead
	h.send("manager", "POST", "/v1/rigs/T01/readings", r, "Idempotency-Key", "k-5").is(202)
	if a := h.send("manager", "POST", "/v1/rigs/T01/readings", r, "Idempotency-Key", "k-5").is(202); a.header.Get("Idempotency-Replayed") != "true" {
		t.Fatal("the replay does not say so")
	}
	h.send("manager", "POST", "/v1/rigs/T01/readings", reading(h.now(), 1, 1), "Idempotency-Key", "k-5").is(422).has("/type", "/problems/key-reused")

	for _, path := range []string{"/v1/rigs/T01/plan", "/v1/rigs/T01/retire"} {
		body := obj{"plan": "mounted-boom"}
		if path == "/v1/rigs/T01/retire" {
			body = obj{"reason": "sold"}
		}
		h.send("manager", "POST", path, body, "Idempotency-Key", path).is(200)
		if a := h.send("manager", "POST", path, body, "Idempotency-Key", path).is(200); a.header.Get("Idempotency-Replayed") != "true" {
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
	h := newHouse(t)
	h.register("T01", "north")
	begun, let := make(chan struct{}, 1), make(chan struct{})
	var wait sync.WaitGroup
	wait.Go(func() { _, _ = h.fleet.Do(context.Background(), "test", slow{begun, let}, nil) })
	<-begun
	first := make(chan int, 1)
	body := `{"rig":"T01","text":"drip"}`
	ask := func() (*http.Response, error) {
		r, err := http.NewRequest("POST", h.url+"/v1/defects", strings.NewReader(body))
		if err != nil {
			return nil, err
		}
		r.Header.Set("Authorization", "Bearer "+h.tokens["operator"])
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
	for until := time.Now().Add(5 * time.Second); h.fleet.Waiting() == 0; { // its command waits behind the slow one
		if time.Now().After(until) {
			t.Fatal("the first request never came")
		}
		time.Sleep(time.Millisecond)
	}
	h.send("operator", "POST", "/v1/defects", body, "Idempotency-Key", "k").is(409).has("/type", "/problems/key-in-flight")
	close(let)
	wait.Wait()
	if s := <-first; s != 201 {
		t.Fatalf("the first was answered %d", s)
	}
	h.send("operator", "POST", "/v1/defects", body, "Idempotency-Key", "k").is(201)
	if n := len(h.send("operator", "GET", "/v1/defects", nil).is(200).list("/defects")); n != 1 {
		t.Fatalf("%d defects, want 1", n)
	}
}

func TestTags(t *testing.T) {
	h := newHouse(t)
	h.register("T01", "north")
	h.send("manager", "POST", "/v1/rigs/T01/readings", reading(h.now().Add(-time.Hour), 12.5, 88)).is(200)
	h.raise()
	item := "/v1/items/" + filterItem + "1"
	for _, path := range []string{"/v1/rigs/T01", item, "/v1/parts/T01-pump", "/v1/rigs/T01/usage"} {
		a := h.send("reader", "GET", path, nil).is(200)
		tag := a.header.Get("ETag")
		if tag == "" || tag[0] != '"' {
			t.Fatalf("%s: tag %q", path, tag)
		}
		b := h.send("reader", "GET", path, nil, "If-None-Match", `"x", `+tag).is(304)
		if len(b.body) != 0 || b.header.Get("ETag") != tag {
			t.Fatalf("%s: 304 with %q under %q", path, b.body, b.header.Get("ETag"))
		}
		h.pass(24 * time.Hour) // another date: days left are others
		if c := h.send("reader", "GET", path, nil, "If-None-Match", tag).is(200); c.header.Get("ETag") == tag {
			t.Fatalf("%s: the tag stayed while the date went on", path)
		}
	}
	seen := h.send("reader", "GET", item, nil).is(200).header.Get("ETag")
	h.send("workshop", "POST", item+"/book", obj{"date": "2026-06-01"}, "If-Match", seen).is(200)
	h.send("workshop", "POST", item+"/book", obj{"date": "2026-06-02"}, "If-Match", seen).is(412).has("/type", "/problems/stale")
	h.send("workshop", "POST", item+"/book", obj{"date": "2026-06-02"}, "If-Match", "W/"+seen).is(412)
	now := h.send("reader", "GET", item, nil).is(200).has("/booked_on", "2026-06-01").header.Get("ETag")
	h.send("workshop", "POST", item+"/book", obj{"date": "2026-06-02"}, "If-Match", seen+", "+now).is(200)
	h.send("workshop", "POST", item+"/start", obj{"by": "A", "cautions_read": true}, "If-Match", "*").is(200)

	rig := h.send("reader", "GET", "/v1/rigs/T01", nil).is(200).header.Get("ETag")
	h.send("manager", "PATCH", "/v1/rigs/T01", obj{"name": "A"}, "If-Match", rig).is(200)
	h.send("manager", "PATCH", "/v1/rigs/T01", obj{"name": "B"}, "If-Match", rig).is(412)
	h.send("manager", "PATCH", "/v1/rigs/T01", obj{"name": "B"}).is(428).has("/type", "/problems/unseen")
	h.send("manager", "PATCH", "/v1/rigs/T01", obj{"name": "B"}, "If-Match", "*").is(200)
	// A reading that comes in while somebody fills in the form is no reason to refuse it; another's change is.
	rig = h.send("manager", "GET", "/v1/rigs/T01", nil).is(200).header.Get("ETag")
	h.send("operator", "POST", "/v1/rigs/T01/readings", reading(h.now().Add(-time.Second), 22.5, 138)).is(200)
	if now := h.send("manager", "GET", "/v1/rigs/T01", nil).is(200).header.Get("ETag"); now == rig {
		t.Error("the reading did not change the tag")
	}
	h.send("manager", "PATCH", "/v1/rigs/T01", obj{"name": "C"}, "If-Match", rig).is(200)
	h.send("manager", "PATCH", "/v1/rigs/T01", obj{"name": "D"}, "If-Match", rig).is(412)
	h.send("manager", "PATCH", "/v1/rigs/T01", obj{"name": "D"}, "If-Match", `"999999"`).is(412)
	h.send("manager", "PATCH", "/v1/rigs/T01", obj{"name": "D"}, "If-Match", rig+`, `+h.send("manager", "GET", "/v1/rigs/T01", nil).header.Get("ETag")).is(200)
	d := h.send("operator", "POST", "/v1/defects", obj{"rig": "T01", "text": "drip"}).is(201)
	path := "/v1/defects/" + d.at("/defect").(string)
	h.send("workshop", "POST", path+"/clear", obj{"action": "x"}, "If-Match", `"1"`).is(412)
	h.send("workshop", "POST", path+"/clear", obj{"action": "x"}, "If-Match", d.header.Get("ETag")).is(200)
}
