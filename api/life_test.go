package api

import (
	"slices"
	"strings"
	"testing"
	"time"
)

// A rig from registration over readings, raising, the workshop and the next
// cycle. Suction filter: every 10 h, grace 10 % (common practice, trailed-boom plan).
func TestLifeOfARig(t *testing.T) {
	h := newHouse(t)
	made := h.register("T01", "north")
	if got := made.header.Get("Location"); got != "/v1/rigs/T01" {
		t.Fatalf("Location is %q", got)
	}
	made.has("/rig", "T01").has("/yard", "north").has("/width_m", 24).has("/tank_l", 3500)
	made.has("/totals/pump/hours", 0).has("/plan/plan", "trailed-boom").has("/fitness/state", "fit")
	if h.raise() == 0 {
		t.Fatal("tasks of the season were not raised")
	}

	h.send("workshop", "POST", "/v1/rigs/T01/readings", reading(h.now().Add(-time.Hour), 12.5, 88.4)).is(200).
		has("/repeat", false).has("/quarantined/0", nil)
	rig := h.send("reader", "GET", "/v1/rigs/T01", nil).is(200)
	rig.has("/totals/pump/hours", 12.5).has("/totals/area/hectares", 88.4).has("/totals/pump/read_at", "2026-05-04T05:00:00Z")
	rig.has("/fitness/state", "fit").has("/next_due/0/status", "overdue")
	if n := len(rig.list("/next_due")); n != 10 {
		t.Fatalf("%d lines of what is next, want 10", n)
	}

	h.raise()
	due := h.send("reader", "GET", "/v1/items?status=due,overdue&yard=north&task=suction-filter", nil).is(200)
	due.has("/items/0/item", filterItem+"1").has("/items/0/rig", "T01").has("/items/0/part", "T01-filter-suction").
		has("/items/0/task", "suction-filter").has("/items/0/status", "overdue").has("/items/0/stage", "raised").
		has("/items/0/due/hours", 10).has("/items/0/remaining/hours", -2.5)
	h.send("reader", "GET", "/v1/items?status=due&task=suction-filter", nil).is(200).has("/items/0", nil)
	h.send("reader", "GET", "/v1/items?yard=south", nil).is(200).has("/items/0", nil)

	item := "/v1/items/" + filterItem + "1"
	one := h.send("reader", "GET", item, nil).is(200)
	if c := one.names("/cautions", "kind"); !slices.Equal(c, []string{"any", "contaminated"}) {
		t.Fatalf("cautions are %v", c)
	}
	h.send("workshop", "POST", item+"/book", obj{"date": "2026-05-04", "for": "A. Example"}).is(200).has("/stage", "booked").has("/booked_on", "2026-05-04")
	h.send("workshop", "POST", item+"/start", obj{"by": "A. Example", "cautions_read": false}).is(422)
	h.send("workshop", "POST", item+"/start", obj{"by": "A. Example", "cautions_read": true}).is(200).has("/stage", "in-hand").has("/worker", "A. Example")
	h.pass(time.Hour)
	h.send("workshop", "POST", item+"/finish", obj{
		"at": "2026-05-04T06:30:00Z", "by": "A. Example", "findings": "mesh whole", "minutes": 20,
		"parts": []obj{{"sku": "SEAL-FILTER", "count": 1}}, "cost": obj{"amount": "12.50", "currency": "EUR"},
		"counters": []obj{{"meter": "pump", "value": 12.5, "unit": "HUR"}},
	}).is(200).has("/stage", "done").has("/finished/findings", "mesh whole").has("/finished/parts/0/sku", "SEAL-FILTER").
		has("/status", nil).has("/ended_at", "2026-05-04T06:30:00Z").has("/ended_by", "workshop")
	h.send("workshop", "POST", item+"/finish", obj{"by": "A. Example"}).is(409)

	// The next cycle counts from the hours at which it was done: due at 22.5 h, soon from 5 h before.
	h.pass(10 * time.Hour)
	h.send("workshop", "POST", "/v1/rigs/T01/readings", reading(h.now(), 18, 120)).is(200)
	h.raise()
	h.send("reader", "GET", "/v1/items/"+filterItem+"2", nil).is(200).has("/cycle", 2).has("/status", "soon").has("/due/hours", 22.5).has("/remaining/hours", 4.5)
	h.send("reader", "GET", "/v1/items?stage=done&rig=T01", nil).is(200).has("/items/0/item", filterItem+"1").has("/items/1", nil)
	h.send("reader", "GET", "/v1/parts/T01-filter-suction", nil).is(200).has("/totals/hours", 18).has("/tasks/0/done", 1)

	kinds := h.send("reader", "GET", "/v1/rigs/T01/timeline?limit=500", nil).is(200).names("/timeline", "kind")
	if kinds[0] != "item.raised" || kinds[len(kinds)-1] != "rig.registered" || !slices.Contains(kinds, "item.finished") {
		t.Fatalf("timeline is %v", kinds)
	}
}

// 12.5 h − 6.3 h is 6.2 h; the interpolation and the calendar of the zone
// (two hours ahead) are checked by hand.
func TestUsageByDayLeavesOutDaysWithout(t *testing.T) {
	h := newHouse(t)
	h.register("T01", "north")
	at := func(text string) time.Time {
		v, err := time.Parse(time.RFC3339, text)
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
	for _, r := range []obj{
		reading(at("2026-04-01T22:00:00Z"), 0, 0), // midnight of 2 April in the yard
		reading(at("2026-04-02T21:59:00Z"), 6.2, 71),
		reading(at("2026-04-05T06:00:00Z"), 6.2, 71),
		reading(at("2026-04-05T08:00:00Z"), 7.7, 83.25),
	} {
		h.send("operator", "POST", "/v1/rigs/T01/readings", r).is(200)
	}
	u := h.send("reader", "GET", "/v1/rigs/T01/usage?from=2026-04-01&to=2026-07-01&by=day", nil).is(200)
	u.has("/usage/0/from", "2026-04-02").has("/usage/0/pump/hours", 6.2).has("/usage/0/area/hectares", 71)
	u.has("/usage/1/from", "2026-04-05").has("/usage/1/pump/hours", 1.5).has("/usage/1/area/hectares", 12.25).has("/usage/2", nil)
	u.has("/totals/pump/hours", 7.7)
	h.send("reader", "GET", "/v1/rigs/T01/usage?from=2026-04-01&to=2026-07-01&by=month", nil).is(200).
		has("/usage/0/from", "2026-04-01").has("/usage/0/to", "2026-05-01").has("/usage/0/pump/hours", 7.7).has("/usage/1", nil)
	h.send("reader", "GET", "/v1/rigs/T01/usage?from=2026-03-30&to=2026-04-13&by=week", nil).is(200).
		has("/usage/0/from", "2026-03-30").has("/usage/0/pump/hours", 7.7)
	h.send("reader", "GET", "/v1/rigs/T01/usage?by=season", nil).is(200).has("/usage/0/pump/hours", 7.7)
	if bad := h.send("reader", "GET", "/v1/rigs/T01/usage?from=2026-04-31&to=x&by=year", nil).is(422).bad(); bad != "from to by" {
		t.Fatalf("names %q", bad)
	}
	h.send("reader", "GET", "/v1/rigs/T01/usage?from=1950-01-01", nil).is(422)
	r := h.send("reader", "GET", "/v1/rigs/T01/readings?meter=pump&from=2026-04-05", nil).is(200)
	r.has("/readings/0/total/hours", 6.2).has("/readings/1/counter/hours", 7.7).has("/readings/2", nil)
}

func TestSafetyTasksAreNeitherDeferredPastTheirLimitNorStruck(t *testing.T) {
	h := newHouse(t)
	h.register("T01", "north")
	// Wheel nuts are a safety task at 100 h (common practice, trailed-boom plan).
	h.send("manager", "POST", "/v1/rigs/T01/readings", reading(h.now().Add(-time.Minute), 101, 100)).is(200)
	h.raise()
	item := "/v1/items/T01-wheel-left.wheel-nuts.1"
	h.send("reader", "GET", "/v1/rigs/T01", nil).is(200).has("/fitness/state", "do not use")
	h.send("reader", "GET", item, nil).is(200).has("/weight", "safety").has("/status", "overdue")
	h.send("workshop", "POST", item+"/defer", obj{"reason": "busy", "limits": obj{"hours": 150}}).is(403).has("/type", "/problems/rule-forbids")
	h.send("manager", "POST", item+"/strike", obj{"reason": "busy"}).is(403).has("/type", "/problems/rule-forbids")
	routine := "/v1/items/" + filterItem + "1"
	h.send("workshop", "POST", routine+"/defer", obj{"reason": "rain", "until": "2026-05-10", "limits": obj{"hours": 110}}).is(200).
		has("/deferral/until", "2026-05-10").has("/deferral/limits/hours", 110).has("/status", "soon").has("/remaining/days", 6)
	h.send("manager", "POST", routine+"/strike", obj{"reason": "filter removed"}).is(200).has("/stage", "struck").has("/struck_for", "filter removed")
	// Struck by mistake, and deferred too: back step by step, each named.
	h.send("workshop", "POST", routine+"/return", obj{"step": "struck", "reason": "x"}).is(403)
	h.send("manager", "POST", routine+"/return", obj{"step": "deferred", "reason": "x"}).is(409)
	h.send("manager", "POST", routine+"/return", obj{"step": "undone"}).is(422).has("/errors/0/pointer", "/step")
	h.send("manager", "POST", routine+"/return", obj{"step": "struck", "reason": "the filter is there"}, "If-Match", `"1"`).is(412)
	h.send("manager", "POST", routine+"/return", obj{"step": "struck", "reason": "the filter is there"}).is(200).
		has("/stage", "raised").has("/last_step", "deferred").has("/status", "soon").has("/struck_for", nil)
	h.send("workshop", "POST", routine+"/return", obj{"step": "deferred", "reason": "no rain"}).is(200).has("/last_step", nil).has("/deferral", nil)
	h.send("workshop", "POST", routine+"/return", obj{"step": "deferred", "reason": "no rain"}).is(409)
	h.send("reader", "GET", "/v1/items?kind=safety&stage=open", nil).is(200).has("/items/0/weight", "safety")
	h.send("reader", "GET", "/v1/rigs?state=do+not+use", nil).is(200).has("/rigs/0/rig", "T01")
	h.send("reader", "GET", "/v1/rigs?state=fit", nil).is(200).has("/rigs/0", nil)
}

func TestWorkshopDayByYardWithPartsToPick(t *testing.T) {
	h := newHouse(t)
	h.register("T01", "north")
	h.register("T02", "north")
	h.register("S01", "south")
	for _, r := range []string{"T01", "T02"} {
		h.send("manager", "POST", "/v1/rigs/"+r+"/readings", reading(h.now().Add(-time.Minute), 560, 100)).is(200)
	}
	h.raise()
	w := h.send("reader", "GET", "/v1/workshop?date=2026-05-04", nil).is(200).has("/yards/0/yard", "north").has("/yards/1/yard", "south").has("/before_any_job/kind", "any")
	pick := map[string]float64{}
	for _, p := range w.list("/yards/0/pick") {
		pick[p.(map[string]any)["sku"].(string)] = p.(map[string]any)["count"].(float64)
	}
	// Two rigs, each with pump oil (2) and diaphragms with oil (2): 8 cans.
	if pick["OIL-PUMP-1L"] != 8 || pick["KIT-DIAPHRAGM"] != 2 {
		t.Fatalf("to pick: %v", pick)
	}
	statuses := w.names("/yards/0/items", "status")
	if i := slices.Index(statuses, "due"); i < 0 || slices.Contains(statuses[i:], "overdue") {
		t.Fatalf("not the most pressing first: %v", statuses)
	}
	booked := "/v1/items/S01-boom.boom-pivots.1"
	// Boom pivots: every 50 h, and 45 h is inside the lead of 10 h (plan.doc: lead).
	h.send("manager", "POST", "/v1/rigs/S01/readings", reading(h.now().Add(-time.Minute), 45, 10)).is(200)
	h.raise()
	h.send("workshop", "POST", booked+"/book", obj{"date": "2026-05-06"}).is(200).has("/status", "soon")
	on := func(day string) bool {
		w := h.send("reader", "GET", "/v1/workshop?yard=south&date="+day, nil).is(200)
		return slices.Contains(w.names("/yards/0/items", "item"), "S01-boom.boom-pivots.1")
	}
	if on("2026-05-05") || !on("2026-05-06") || !on("2026-05-07") {
		t.Fatal("a booked job stands on the list from its day on")
	}
}

func TestPartMovesAndTakesItsHoursAlong(t *testing.T) {
	h := newHouse(t)
	h.register("T01", "north")
	h.register("T02", "north")
	h.send("manager", "POST", "/v1/rigs/T01/readings", reading(h.now().Add(-time.Hour), 40, 100)).is(200)
	h.send("workshop", "POST", "/v1/rigs/T02/parts", obj{"part": "T01-pump", "position": "pump"}).is(409)
	h.send("workshop", "POST", "/v1/rigs/T01/parts/T01-pump/remove", obj{"reason": "lent"}).is(200).has("/rig", nil).has("/totals/hours", 40)
	h.send("workshop", "POST", "/v1/rigs/T02/parts/T02-pump/remove", obj{"reason": "worn", "scrapped": true}).is(200).has("/scrapped", true)
	h.send("workshop", "POST", "/v1/rigs/T02/parts", obj{"part": "T01-pump", "position": "pump"}).is(201).has("/rig", "T02").has("/totals/hours", 40)
	h.pass(2 * time.Hour)
	h.send("manager", "POST", "/v1/rigs/T02/readings", reading(h.now(), 1.5, 10)).is(200)
	p := h.send("reader", "GET", "/v1/parts/T01-pump", nil).is(200)
	if got := p.at("/totals/hours").(float64); got < 40 || got > 41.5 {
		t.Fatalf("the pump has %v h", got)
	}
	fitted := h.send("workshop", "POST", "/v1/rigs/T01/parts", obj{"position": "pump", "serial": "P-2", "carried": obj{"hours": 100.25}}, "Idempotency-Key", "fit-1").is(201)
	fitted.has("/part", "T01-pump-2").has("/carried/hours", 100.25).has("/totals/hours", 100.25).has("/kind", "diaphragm-pump")
	again := h.send("workshop", "POST", "/v1/rigs/T01/parts", obj{"position": "pump", "serial": "P-2", "carried": obj{"hours": 100.25}}, "Idempotency-Key", "fit-1").is(201)
	again.has("/part", "T01-pump-2")
	if again.header.Get("Location") != "/v1/parts/T01-pump-2" || again.header.Get("Idempotency-Replayed") != "true" {
		t.Fatalf("the replay answered %v", again.header)
	}
	h.send("reader", "GET", "/v1/rigs/T01/parts?left=true", nil).is(200).has("/parts/0/part", "T01-pump")
}

func TestDefectStopsTheRigUntilItIsCleared(t *testing.T) {
	h := newHouse(t)
	h.register("T01", "north")
	d := h.send("operator", "POST", "/v1/defects", obj{"rig": "T01", "part": "boom", "text": "crack at the second hinge", "safety": true}).is(201)
	d.has("/part", "T01-boom").has("/open", true).has("/reported_by", "operator")
	id := d.at("/defect").(string)
	h.send("reader", "GET", "/v1/rigs/T01", nil).is(200).has("/fitness/state", "do not use").has("/fitness/reasons/0/defect", id).has("/open_defects", 1)
	h.send("reader", "GET", "/v1/defects?yard=north&safety=true", nil).is(200).has("/defects/0/defect", id)
	h.send("operator", "POST", "/v1/defects/"+id+"/clear", obj{"action": "looked away"}).is(403)
	h.send("workshop", "POST", "/v1/defects/"+id+"/clear", obj{"action": "welded and checked"}).is(200).has("/open", false).has("/cleared_by", "workshop")
	h.send("reader", "GET", "/v1/rigs/T01", nil).is(200).has("/fitness/state", "fit")
	h.send("reader", "GET", "/v1/defects", nil).is(200).has("/defects/0", nil)
	h.send("reader", "GET", "/v1/defects?state=all", nil).is(200).has("/defects/0/defect", id)
}

func TestRigIsAmendedSwappedVoidedAndRetired(t *testing.T) {
	h := newHouse(t)
	h.register("T01", "north")
	h.send("manager", "PATCH", "/v1/rigs/T01", obj{"name": "High meadow", "width_m": 27.5}, "If-Match", "*").is(200).has("/name", "High meadow").has("/width_m", 27.5).has("/tank_l", 3500)
	h.send("manager", "PATCH", "/v1/rigs/T01", obj{}).is(422)
	h.send("workshop", "POST", "/v1/rigs/T01/meters", obj{"meter": "water", "quantity": "volume", "value": 1200.5}).is(201).has("/totals/water/litres", 1200.5)
	first := reading(h.now().Add(-3*time.Hour), 100, 50)
	h.send("manager", "POST", "/v1/rigs/T01/readings", first).is(200)
	h.send("workshop", "POST", "/v1/rigs/T01/meters/pump/swap", obj{"at": h.now().Add(-2 * time.Hour), "last": 100.5, "start": 0, "reason": "display broken"}).is(200).
		has("/totals/pump/hours", 100.5).has("/meters/0/swaps", 1)
	h.send("manager", "POST", "/v1/rigs/T01/readings", reading(h.now().Add(-time.Hour), 0.75, 55)).is(200)
	h.send("reader", "GET", "/v1/rigs/T01", nil).is(200).has("/totals/pump/hours", 101.25).has("/meters/0/counter/hours", 0.75)
	h.send("workshop", "POST", "/v1/rigs/T01/readings/void", obj{"meter": "pump", "at": h.now().Add(-time.Hour), "reason": "typed wrong"}).is(200).has("/totals/pump/hours", 100.5)
	h.send("workshop", "POST", "/v1/rigs/T01/readings/void", obj{"meter": "pump", "at": h.now(), "reason": "typed wrong"}).is(404)
	swapped := h.now().Add(-2 * time.Hour)
	h.send("workshop", "POST", "/v1/rigs/T01/meters/pump/unswap", obj{"at": swapped, "reason": "the display was only cleaned"}).is(200).
		has("/totals/pump/hours", 100).has("/meters/0/swaps", 0)
	h.send("workshop", "POST", "/v1/rigs/T01/meters/pump/unswap", obj{"at": swapped, "reason": "again"}).is(404)
	h.send("workshop", "POST", "/v1/rigs/T01/meters/pump/unswap", obj{"at": "noon", "reason": "x"}).is(422).has("/errors/0/pointer", "/at")
	h.send("workshop", "POST", "/v1/rigs/T01/meters/pump/swap", obj{"at": swapped, "last": 100.5, "start": 0, "reason": "display broken"}).is(200)
	h.send("workshop", "POST", "/v1/rigs/T01/meters/none/swap", obj{"start": 0, "reason": "x"}).is(404)
	h.send("manager", "POST", "/v1/rigs/T01/plan", obj{"plan": "trailed-boom", "version": 9}).is(422)
	h.send("manager", "POST", "/v1/rigs/T01/plan", obj{"plan": "mounted-boom"}).is(200).has("/plan/plan", "mounted-boom")
	cred := h.send("manager", "POST", "/v1/rigs/T01/credential", nil).is(201).has("/user", "T01").has("/inbox_prefix", "_INBOX_T01").has("/subjects/publish/0", "rig.T01.reading")
	if rig, ok := h.fleet.RigFor("T01", cred.at("/password").(string)); !ok || rig != "T01" {
		t.Fatal("the credential does not let the rig in")
	}
	line := h.send("reader", "GET", "/v1/rigs/T01/timeline", nil).is(200)
	if strings.Contains(string(line.body), "hash") {
		t.Fatal("the timeline shows the hash of a password")
	}
	h.send("manager", "POST", "/v1/rigs/T01/retire", obj{"reason": "sold"}).is(200).has("/retired", true).has("/fitness/state", "do not use")
	h.send("manager", "POST", "/v1/rigs/T01/retire", obj{"reason": "sold"}).is(409)
	h.send("reader", "GET", "/v1/rigs", nil).is(200).has("/rigs/0", nil)
	h.send("reader", "GET", "/v1/rigs?retired=true", nil).is(200).has("/rigs/0/rig", "T01")
}

func TestSilentRigsAreFound(t *testing.T) {
	h := newHouse(t)
	h.register("T01", "north")
	h.register("T02", "north")
	h.send("manager", "POST", "/v1/rigs/T01/readings", reading(h.now(), 1, 1)).is(200)
	h.pass(5 * 24 * time.Hour)
	h.send("manager", "POST", "/v1/rigs/T02/readings", reading(h.now(), 1, 1)).is(200)
	h.send("reader", "GET", "/v1/rigs?silent_days=3", nil).is(200).has("/rigs/0/rig", "T01").has("/rigs/0/silent_days", 5).has("/rigs/1", nil)
}

// A rig without an hour meter is estimated from its hectares, and that is marked.
func TestEstimatesAreMarked(t *testing.T) {
	h := newHouse(t)
	body := rigBody("T01", "north")
	body["meters"] = []obj{{"meter": "area", "quantity": "area", "value": 0}}
	h.send("manager", "POST", "/v1/rigs", body).is(201)
	h.send("manager", "POST", "/v1/rigs/T01/readings", obj{"id": "a", "time": h.now().Add(-time.Hour), "counters": []obj{{"meter": "area", "value": 400, "unit": "H18"}}}).is(200)
	h.raise()
	r := h.send("reader", "GET", "/v1/rigs/T01", nil).is(200).has("/totals/area/hectares", 400).has("/totals/pump", nil)
	if hours, ok := r.at("/estimates/hours").(float64); !ok || hours <= 0 {
		t.Fatalf("no estimate in %s", r.body)
	}
	h.send("reader", "GET", "/v1/items?task=suction-filter", nil).is(200).has("/items/0/estimated/0", "hours")
}
