package planning_test

import (
	"fmt"
	"testing"
	"time"

	"rigledger/api/apitest"
)

func TestBookingsMoveAForecastAndSupposingWritesNothing(t *testing.T) {
	h := apitest.New(t)
	h.Register("T01", "north")
	h.Register("T02", "south")
	start := h.Now().AddDate(0, 0, -60)
	for d := range 30 { // 4 h on every second day
		at := start.AddDate(0, 0, 2*d)
		body := apitest.Reading(at, float64(4*d), float64(60*d))
		h.Send("manager", "POST", "/v1/rigs/T01/readings", body).Is(200)
	}
	h.Raise()
	const key = "pump-valves"
	p50 := func(a apitest.Answer) string {
		t.Helper()
		for i := range a.List("/tasks") {
			if a.At(fmt.Sprintf("/tasks/%d/task", i)) == key {
				day, _ := a.At(fmt.Sprintf("/tasks/%d/p50", i)).(string)
				return day
			}
		}
		t.Fatalf("no forecast for %s", key)
		return ""
	}
	plain := h.Send("reader", "GET", "/v1/rigs/T01/forecast", nil).Is(200).Has("/rig", "T01")
	head := h.Fleet.Head().N
	from, to := h.Now().AddDate(0, 0, 1).Format(time.DateOnly), h.Now().AddDate(0, 0, 100).Format(time.DateOnly)
	busy := apitest.Obj{"from": from, "to": to, "hours": 900}
	supposed := h.Send("reader", "POST", "/v1/forecast", apitest.Obj{"rig": "T01", "bookings": []apitest.Obj{busy}}).Is(200)
	if p50(supposed) >= p50(plain) && p50(plain) != "" {
		t.Errorf("900 h more: %s, without %s", p50(supposed), p50(plain))
	}
	if got := h.Fleet.Head().N; got != head {
		t.Errorf("supposing wrote commit %d", got)
	}
	h.Send("reader", "POST", "/v1/forecast", apitest.Obj{"rig": "T01", "bookings": []apitest.Obj{{"from": "soon"}}, "intervals": []apitest.Obj{{"task": "none"}}}).Is(422)
	made := h.Send("manager", "POST", "/v1/bookings", apitest.Obj{"rig": "T01", "from": from, "to": to, "hours": 900, "note": "river fields"}, "Idempotency-Key", "b1").Is(201)
	id := made.At("/booking").(string)
	h.Send("manager", "POST", "/v1/bookings", apitest.Obj{"rig": "T01", "from": from, "to": to, "hours": 900, "note": "river fields"}, "Idempotency-Key", "b1").Is(201).Has("/booking", id)
	if got := p50(h.Send("reader", "GET", "/v1/rigs/T01/forecast", nil).Is(200)); got != p50(supposed) {
		t.Errorf("booked %s, supposed %s", got, p50(supposed))
	}
	h.Send("reader", "GET", "/v1/bookings?rig=T01", nil).Is(200).Has("/bookings/0/booking", id)
	h.Send("reader", "GET", "/v1/bookings/"+id, nil).Is(200).Has("/hours", 900)
	if n := len(h.Send("reader", "GET", "/v1/forecast?yard=north&days=42", nil).Is(200).List("/tasks")); n == 0 {
		t.Error("nothing falls due in six weeks of work")
	}
	h.Send("manager", "POST", "/v1/bookings/"+id+"/cancel", apitest.Obj{"reason": "sold"}, "If-Match", made.Header.Get("ETag")).Is(200).Has("/cancelled", true)
	h.Send("manager", "POST", "/v1/bookings/"+id+"/cancel", apitest.Obj{}).Is(409)
	h.Send("manager", "POST", "/v1/rigs/T01/work-changed", apitest.Obj{"date": "2026-05-01", "note": "orchards"}).Is(200)
	h.Token("north only", "manager", []string{"north"}, "")
	h.Send("north only", "POST", "/v1/bookings", apitest.Obj{"rig": "T02", "from": from, "hours": 5}).Is(422)
	h.Send("north only", "GET", "/v1/rigs/T02/forecast", nil).Is(404)
	h.Send("north only", "POST", "/v1/forecast", apitest.Obj{"rig": "T02"}).Is(422)
}

func TestAClassIsPublishedAndListed(t *testing.T) {
	h := apitest.New(t)
	text := "class: small\ntitle: Small sprayer\nsource: common practice\nplan: trailed-boom\nlimits: {max_km_h: 20, max_hours_per_day: 24, max_width_m: 60}\n" +
		"season: {from: \"09-01\", to: \"04-30\"}\nparts:\n  - {part: pump, kind: diaphragm-pump, title: Diaphragm pump}\n"
	h.Send("manager", "POST", "/v1/classes", apitest.Obj{"text": "class: small\n"}).Is(422)
	h.Send("manager", "POST", "/v1/classes", apitest.Obj{"text": text}).Is(200)
	names := h.Send("reader", "GET", "/v1/classes", nil).Is(200).Names("/classes", "name")
	if fmt.Sprint(names) != "[mounted self-propelled small trailed]" {
		t.Errorf("classes %v", names)
	}
}
