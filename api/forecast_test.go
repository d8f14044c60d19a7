package api

import (
	"fmt"
	"testing"
	"time"
)

func TestBookingsMoveAForecastAndSupposingWritesNothing(t *testing.T) {
	h := newHouse(t)
	h.register("T01", "north")
	h.register("T02", "south")
	start := h.now().AddDate(0, 0, -60)
	for d := range 30 { // 4 h on every second day
		at := start.AddDate(0, 0, 2*d)
		body := reading(at, float64(4*d), float64(60*d))
		h.send("manager", "POST", "/v1/rigs/T01/readings", body).is(200)
	}
	h.raise()
	const key = "pump-valves"
	p50 := func(a answer) string {
		t.Helper()
		for i := range a.list("/tasks") {
			if a.at(fmt.Sprintf("/tasks/%d/task", i)) == key {
				day, _ := a.at(fmt.Sprintf("/tasks/%d/p50", i)).(string)
				return day
			}
		}
		t.Fatalf("no forecast for %s", key)
		return ""
	}
	plain := h.send("reader", "GET", "/v1/rigs/T01/forecast", nil).is(200).has("/rig", "T01")
	head := h.fleet.Head().N
	from, to := h.now().AddDate(0, 0, 1).Format(time.DateOnly), h.now().AddDate(0, 0, 100).Format(time.DateOnly)
	busy := obj{"from": from, "to": to, "hours": 900}
	supposed := h.send("reader", "POST", "/v1/forecast", obj{"rig": "T01", "bookings": []obj{busy}}).is(200)
	if p50(supposed) >= p50(plain) && p50(plain) != "" {
		t.Errorf("900 h more: %s, without %s", p50(supposed), p50(plain))
	}
	if got := h.fleet.Head().N; got != head {
		t.Errorf("supposing wrote commit %d", got)
	}
	h.send("reader", "POST", "/v1/forecast", obj{"rig": "T01", "bookings": []obj{{"from": "soon"}}, "intervals": []obj{{"task": "none"}}}).is(422)
	made := h.send("manager", "POST", "/v1/bookings", obj{"rig": "T01", "from": from, "to": to, "hours": 900, "note": "river fields"}, "Idempotency-Key", "b1").is(201)
	id := made.at("/booking").(string)
	h.send("manager", "POST", "/v1/bookings", obj{"rig": "T01", "from": from, "to": to, "hours": 900, "note": "river fields"}, "Idempotency-Key", "b1").is(201).has("/booking", id)
	if got := p50(h.send("reader", "GET", "/v1/rigs/T01/forecast", nil).is(200)); got != p50(supposed) {
		t.Errorf("booked %s, supposed %s", got, p50(supposed))
	}
	h.send("reader", "GET", "/v1/bookings?rig=T01", nil).is(200).has("/bookings/0/booking", id)
	h.send("reader", "GET", "/v1/bookings/"+id, nil).is(200).has("/hours", 900)
	if n := len(h.send("reader", "GET", "/v1/forecast?yard=north&days=42", nil).is(200).list("/tasks")); n == 0 {
		t.Error("nothing falls due in six weeks of work")
	}
	h.send("manager", "POST", "/v1/bookings/"+id+"/cancel", obj{"reason": "sold"}, "If-Match", made.header.Get("ETag")).is(200).has("/cancelled", true)
	h.send("manager", "POST", "/v1/bookings/"+id+"/cancel", obj{}).is(409)
	h.send("manager", "POST", "/v1/rigs/T01/work-changed", obj{"date": "2026-05-01", "note": "orchards"}).is(200)
	h.token("north only", "manager", []string{"north"}, "")
	h.send("north only", "POST", "/v1/bookings", obj{"rig": "T02", "from": from, "hours": 5}).is(422)
	h.send("north only", "GET", "/v1/rigs/T02/forecast", nil).is(404)
	h.send("north only", "POST", "/v1/forecast", obj{"rig": "T02"}).is(422)
}

func TestAClassIsPublishedAndListed(t *testing.T) {
	h := newHouse(t)
	text := "class: small\ntitle: Small sprayer\nsource: common practice\nplan: trailed-boom\nlimits: {max_km_h: 20, max_hours_per_day: 24, max_width_m: 60}\n" +
		"season: {from: \"09-01\", to: \"04-30\"}\nparts:\n  - {part: pump, kind: diaphragm-pump, title: Diaphragm pump}\n"
	h.send("manager", "POST", "/v1/classes", obj{"text": "class: small\n"}).is(422)
	h.send("manager", "POST", "/v1/classes", obj{"text": text}).is(200)
	names := h.send("reader", "GET", "/v1/classes", nil).is(200).names("/classes", "name")
	if fmt.Sprint(names) != "[mounted self-propelled small trailed]" {
		t.Errorf("classes %v", names)
	}
}
