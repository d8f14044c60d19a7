package api_test

import (
	"slices"
	"strings"
	"testing"
	"time"

	"rigledger/api/apitest"
)

// A rig from registration over readings, raising, the workshop and the next
// cycle. Suction filter: every 10 h, grace 10 % (common practice, trailed-boom plan).
func TestLifeOfARig(t *testing.T) {
	h := apitest.New(t)
	made := h.Register("T01", "north")
	if got := made.Header.Get("Location"); got != "/v1/rigs/T01" {
		t.Fatalf("Location is %q", got)
	}
	made.Has("/rig", "T01").Has("/yard", "north").Has("/width_m", 24).Has("/tank_l", 3500)
	made.Has("/totals/pump/hours", 0).Has("/plan/plan", "trailed-boom").Has("/fitness/state", "fit")
	if h.Raise() == 0 {
		t.Fatal("tasks of the season were not raised")
	}

	h.Send("workshop", "POST", "/v1/rigs/T01/readings", apitest.Reading(h.Now().Add(-time.Hour), 12.5, 88.4)).Is(200).
		Has("/repeat", false).Has("/quarantined/0", nil)
	rig := h.Send("reader", "GET", "/v1/rigs/T01", nil).Is(200)
	rig.Has("/totals/pump/hours", 12.5).Has("/totals/area/hectares", 88.4).Has("/totals/pump/read_at", "2026-05-04T05:00:00Z")
	rig.Has("/fitness/state", "fit").Has("/next_due/0/status", "overdue")
	if n := len(rig.List("/next_due")); n != 10 {
		t.Fatalf("%d lines of what is next, want 10", n)
	}

	h.Raise()
	due := h.Send("reader", "GET", "/v1/items?status=due,overdue&yard=north&task=suction-filter", nil).Is(200)
	due.Has("/items/0/item", apitest.FilterItem+"1").Has("/items/0/rig", "T01").Has("/items/0/part", "T01-filter-suction").
		Has("/items/0/task", "suction-filter").Has("/items/0/status", "overdue").Has("/items/0/stage", "raised").
		Has("/items/0/due/hours", 10).Has("/items/0/remaining/hours", -2.5)
	h.Send("reader", "GET", "/v1/items?status=due&task=suction-filter", nil).Is(200).Has("/items/0", nil)
	h.Send("reader", "GET", "/v1/items?yard=south", nil).Is(200).Has("/items/0", nil)

	item := "/v1/items/" + apitest.FilterItem + "1"
	one := h.Send("reader", "GET", item, nil).Is(200)
	if c := one.Names("/cautions", "kind"); !slices.Equal(c, []string{"any", "contaminated"}) {
		t.Fatalf("cautions are %v", c)
	}
	h.Send("workshop", "POST", item+"/book", apitest.Obj{"date": "2026-05-04", "for": "A. Example"}).Is(200).Has("/stage", "booked").Has("/booked_on", "2026-05-04")
	h.Send("workshop", "POST", item+"/start", apitest.Obj{"by": "A. Example", "cautions_read": false}).Is(422)
	h.Send("workshop", "POST", item+"/start", apitest.Obj{"by": "A. Example", "cautions_read": true}).Is(200).Has("/stage", "in-hand").Has("/worker", "A. Example")
	h.Pass(time.Hour)
	h.Send("workshop", "POST", item+"/finish", apitest.Obj{
		"at": "2026-05-04T06:30:00Z", "by": "A. Example", "findings": "mesh whole", "minutes": 20,
		"parts": []apitest.Obj{{"sku": "SEAL-FILTER", "count": 1}}, "cost": apitest.Obj{"amount": "12.50", "currency": "EUR"},
		"counters": []apitest.Obj{{"meter": "pump", "value": 12.5, "unit": "HUR"}},
	}).Is(200).Has("/stage", "done").Has("/finished/findings", "mesh whole").Has("/finished/parts/0/sku", "SEAL-FILTER").
		Has("/status", nil).Has("/ended_at", "2026-05-04T06:30:00Z").Has("/ended_by", "workshop")
	h.Send("workshop", "POST", item+"/finish", apitest.Obj{"by": "A. Example"}).Is(409)

	// The next cycle counts from the hours at which it was done: due at 22.5 h, soon from 5 h before.
	h.Pass(10 * time.Hour)
	h.Send("workshop", "POST", "/v1/rigs/T01/readings", apitest.Reading(h.Now(), 18, 120)).Is(200)
	h.Raise()
	h.Send("reader", "GET", "/v1/items/"+apitest.FilterItem+"2", nil).Is(200).Has("/cycle", 2).Has("/status", "soon").Has("/due/hours", 22.5).Has("/remaining/hours", 4.5)
	h.Send("reader", "GET", "/v1/items?stage=done&rig=T01", nil).Is(200).Has("/items/0/item", apitest.FilterItem+"1").Has("/items/1", nil)
	h.Send("reader", "GET", "/v1/parts/T01-filter-suction", nil).Is(200).Has("/totals/hours", 18).Has("/tasks/0/done", 1)

	kinds := h.Send("reader", "GET", "/v1/rigs/T01/timeline?limit=500", nil).Is(200).Names("/timeline", "kind")
	if kinds[0] != "item.raised" || kinds[len(kinds)-1] != "rig.registered" || !slices.Contains(kinds, "item.finished") {
		t.Fatalf("timeline is %v", kinds)
	}
}

// 12.5 h − 6.3 h is 6.2 h; the interpolation and the calendar of the zone
// (two hours ahead) are checked by hand.
func TestUsageByDayLeavesOutDaysWithout(t *testing.T) {
	h := apitest.New(t)
	h.Register("T01", "north")
	at := func(text string) time.Time {
		v, err := time.Parse(time.RFC3339, text)
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
	for _, r := range []apitest.Obj{
		apitest.Reading(at("2026-04-01T22:00:00Z"), 0, 0), // midnight of 2 April in the yard
		apitest.Reading(at("2026-04-02T21:59:00Z"), 6.2, 71),
		apitest.Reading(at("2026-04-05T06:00:00Z"), 6.2, 71),
		apitest.Reading(at("2026-04-05T08:00:00Z"), 7.7, 83.25),
	} {
		h.Send("operator", "POST", "/v1/rigs/T01/readings", r).Is(200)
	}
	u := h.Send("reader", "GET", "/v1/rigs/T01/usage?from=2026-04-01&to=2026-07-01&by=day", nil).Is(200)
	u.Has("/usage/0/from", "2026-04-02").Has("/usage/0/pump/hours", 6.2).Has("/usage/0/area/hectares", 71)
	u.Has("/usage/1/from", "2026-04-05").Has("/usage/1/pump/hours", 1.5).Has("/usage/1/area/hectares", 12.25).Has("/usage/2", nil)
	u.Has("/totals/pump/hours", 7.7)
	h.Send("reader", "GET", "/v1/rigs/T01/usage?from=2026-04-01&to=2026-07-01&by=month", nil).Is(200).
		Has("/usage/0/from", "2026-04-01").Has("/usage/0/to", "2026-05-01").Has("/usage/0/pump/hours", 7.7).Has("/usage/1", nil)
	h.Send("reader", "GET", "/v1/rigs/T01/usage?from=2026-03-30&to=2026-04-13&by=week", nil).Is(200).
		Has("/usage/0/from", "2026-03-30").Has("/usage/0/pump/hours", 7.7)
	h.Send("reader", "GET", "/v1/rigs/T01/usage?by=season", nil).Is(200).Has("/usage/0/pump/hours", 7.7)
	if bad := h.Send("reader", "GET", "/v1/rigs/T01/usage?from=2026-04-31&to=x&by=year", nil).Is(422).Bad(); bad != "from to by" {
		t.Fatalf("names %q", bad)
	}
	h.Send("reader", "GET", "/v1/rigs/T01/usage?from=1950-01-01", nil).Is(422)
	r := h.Send("reader", "GET", "/v1/rigs/T01/readings?meter=pump&from=2026-04-05", nil).Is(200)
	r.Has("/readings/0/total/hours", 6.2).Has("/readings/1/counter/hours", 7.7).Has("/readings/2", nil)
}

func TestSafetyTasksAreNeitherDeferredPastTheirLimitNorStruck(t *testing.T) {
	h := apitest.New(t)
	h.Register("T01", "north")
	// Wheel nuts are a safety task at 100 h (common practice, trailed-boom plan).
	h.Send("manager", "POST", "/v1/rigs/T01/readings", apitest.Reading(h.Now().Add(-time.Minute), 101, 100)).Is(200)
	h.Raise()
	item := "/v1/items/T01-wheel-left.wheel-nuts.1"
	h.Send("reader", "GET", "/v1/rigs/T01", nil).Is(200).Has("/fitness/state", "do not use")
	h.Send("reader", "GET", item, nil).Is(200).Has("/weight", "safety").Has("/status", "overdue")
	h.Send("workshop", "POST", item+"/defer", apitest.Obj{"reason": "busy", "limits": apitest.Obj{"hours": 150}}).Is(403).Has("/type", "/problems/rule-forbids")
	h.Send("manager", "POST", item+"/strike", apitest.Obj{"reason": "busy"}).Is(403).Has("/type", "/problems/rule-forbids")
	routine := "/v1/items/" + apitest.FilterItem + "1"
	h.Send("workshop", "POST", routine+"/defer", apitest.Obj{"reason": "rain", "until": "2026-05-10", "limits": apitest.Obj{"hours": 110}}).Is(200).
		Has("/deferral/until", "2026-05-10").Has("/deferral/limits/hours", 110).Has("/status", "soon").Has("/remaining/days", 6)
	h.Send("manager", "POST", routine+"/strike", apitest.Obj{"reason": "filter removed"}).Is(200).Has("/stage", "struck").Has("/struck_for", "filter removed")
	// Struck by mistake, and deferred too: back step by step, each named.
	h.Send("workshop", "POST", routine+"/return", apitest.Obj{"step": "struck", "reason": "x"}).Is(403)
	h.Send("manager", "POST", routine+"/return", apitest.Obj{"step": "deferred", "reason": "x"}).Is(409)
	h.Send("manager", "POST", routine+"/return", apitest.Obj{"step": "undone"}).Is(422).Has("/errors/0/pointer", "/step")
	h.Send("manager", "POST", routine+"/return", apitest.Obj{"step": "struck", "reason": "the filter is there"}, "If-Match", `"1"`).Is(412)
	h.Send("manager", "POST", routine+"/return", apitest.Obj{"step": "struck", "reason": "the filter is there"}).Is(200).
		Has("/stage", "raised").Has("/last_step", "deferred").Has("/status", "soon").Has("/struck_for", nil)
	h.Send("workshop", "POST", routine+"/return", apitest.Obj{"step": "deferred", "reason": "no rain"}).Is(200).Has("/last_step", nil).Has("/deferral", nil)
	h.Send("workshop", "POST", routine+"/return", apitest.Obj{"step": "deferred", "reason": "no rain"}).Is(409)
	h.Send("reader", "GET", "/v1/items?kind=safety&stage=open", nil).Is(200).Has("/items/0/weight", "safety")
	h.Send("reader", "GET", "/v1/rigs?state=do+not+use", nil).Is(200).Has("/rigs/0/rig", "T01")
	h.Send("reader", "GET", "/v1/rigs?state=fit", nil).Is(200).Has("/rigs/0", nil)
}

func TestWorkshopDayByYardWithPartsToPick(t *testing.T) {
	h := apitest.New(t)
	h.Register("T01", "north")
	h.Register("T02", "north")
	h.Register("S01", "south")
	for _, r := range []string{"T01", "T02"} {
		h.Send("manager", "POST", "/v1/rigs/"+r+"/readings", apitest.Reading(h.Now().Add(-time.Minute), 560, 100)).Is(200)
	}
	h.Raise()
	w := h.Send("reader", "GET", "/v1/workshop?date=2026-05-04", nil).Is(200).Has("/yards/0/yard", "north").Has("/yards/1/yard", "south").Has("/before_any_job/kind", "any")
	pick := map[string]float64{}
	for _, p := range w.List("/yards/0/pick") {
		pick[p.(map[string]any)["sku"].(string)] = p.(map[string]any)["count"].(float64)
	}
	// Two rigs, each with pump oil (2) and diaphragms with oil (2): 8 cans.
	if pick["OIL-PUMP-1L"] != 8 || pick["KIT-DIAPHRAGM"] != 2 {
		t.Fatalf("to pick: %v", pick)
	}
	statuses := w.Names("/yards/0/items", "status")
	if i := slices.Index(statuses, "due"); i < 0 || slices.Contains(statuses[i:], "overdue") {
		t.Fatalf("not the most pressing first: %v", statuses)
	}
	booked := "/v1/items/S01-boom.boom-pivots.1"
	// Boom pivots: every 50 h, and 45 h is inside the lead of 10 h (plan.doc: lead).
	h.Send("manager", "POST", "/v1/rigs/S01/readings", apitest.Reading(h.Now().Add(-time.Minute), 45, 10)).Is(200)
	h.Raise()
	h.Send("workshop", "POST", booked+"/book", apitest.Obj{"date": "2026-05-06"}).Is(200).Has("/status", "soon")
	on := func(day string) bool {
		w := h.Send("reader", "GET", "/v1/workshop?yard=south&date="+day, nil).Is(200)
		return slices.Contains(w.Names("/yards/0/items", "item"), "S01-boom.boom-pivots.1")
	}
	if on("2026-05-05") || !on("2026-05-06") || !on("2026-05-07") {
		t.Fatal("a booked job stands on the list from its day on")
	}
}

func TestPartMovesAndTakesItsHoursAlong(t *testing.T) {
	h := apitest.New(t)
	h.Register("T01", "north")
	h.Register("T02", "north")
	h.Send("manager", "POST", "/v1/rigs/T01/readings", apitest.Reading(h.Now().Add(-time.Hour), 40, 100)).Is(200)
	h.Send("workshop", "POST", "/v1/rigs/T02/parts", apitest.Obj{"part": "T01-pump", "position": "pump"}).Is(409)
	h.Send("workshop", "POST", "/v1/rigs/T01/parts/T01-pump/remove", apitest.Obj{"reason": "lent"}).Is(200).Has("/rig", nil).Has("/totals/hours", 40)
	h.Send("workshop", "POST", "/v1/rigs/T02/parts/T02-pump/remove", apitest.Obj{"reason": "worn", "scrapped": true}).Is(200).Has("/scrapped", true)
	h.Send("workshop", "POST", "/v1/rigs/T02/parts", apitest.Obj{"part": "T01-pump", "position": "pump"}).Is(201).Has("/rig", "T02").Has("/totals/hours", 40)
	h.Pass(2 * time.Hour)
	h.Send("manager", "POST", "/v1/rigs/T02/readings", apitest.Reading(h.Now(), 1.5, 10)).Is(200)
	p := h.Send("reader", "GET", "/v1/parts/T01-pump", nil).Is(200)
	if got := p.At("/totals/hours").(float64); got < 40 || got > 41.5 {
		t.Fatalf("the pump has %v h", got)
	}
	fitted := h.Send("workshop", "POST", "/v1/rigs/T01/parts", apitest.Obj{"position": "pump", "serial": "P-2", "carried": apitest.Obj{"hours": 100.25}}, "Idempotency-Key", "fit-1").Is(201)
	fitted.Has("/part", "T01-pump-2").Has("/carried/hours", 100.25).Has("/totals/hours", 100.25).Has("/kind", "diaphragm-pump")
	again := h.Send("workshop", "POST", "/v1/rigs/T01/parts", apitest.Obj{"position": "pump", "serial": "P-2", "carried": apitest.Obj{"hours": 100.25}}, "Idempotency-Key", "fit-1").Is(201)
	again.Has("/part", "T01-pump-2")
	if again.Header.Get("Location") != "/v1/parts/T01-pump-2" || again.Header.Get("Idempotency-Replayed") != "true" {
		t.Fatalf("the replay answered %v", again.Header)
	}
	h.Send("reader", "GET", "/v1/rigs/T01/parts?left=true", nil).Is(200).Has("/parts/0/part", "T01-pump")
}

func TestDefectStopsTheRigUntilItIsCleared(t *testing.T) {
	h := apitest.New(t)
	h.Register("T01", "north")
	d := h.Send("operator", "POST", "/v1/defects", apitest.Obj{"rig": "T01", "part": "boom", "text": "crack at the second hinge", "safety": true}).Is(201)
	d.Has("/part", "T01-boom").Has("/open", true).Has("/reported_by", "operator")
	id := d.At("/defect").(string)
	h.Send("reader", "GET", "/v1/rigs/T01", nil).Is(200).Has("/fitness/state", "do not use").Has("/fitness/reasons/0/defect", id).Has("/open_defects", 1)
	h.Send("reader", "GET", "/v1/defects?yard=north&safety=true", nil).Is(200).Has("/defects/0/defect", id)
	h.Send("operator", "POST", "/v1/defects/"+id+"/clear", apitest.Obj{"action": "looked away"}).Is(403)
	h.Send("workshop", "POST", "/v1/defects/"+id+"/clear", apitest.Obj{"action": "welded and checked"}).Is(200).Has("/open", false).Has("/cleared_by", "workshop")
	h.Send("reader", "GET", "/v1/rigs/T01", nil).Is(200).Has("/fitness/state", "fit")
	h.Send("reader", "GET", "/v1/defects", nil).Is(200).Has("/defects/0", nil)
	h.Send("reader", "GET", "/v1/defects?state=all", nil).Is(200).Has("/defects/0/defect", id)
}

func TestRigIsAmendedSwappedVoidedAndRetired(t *testing.T) {
	h := apitest.New(t)
	h.Register("T01", "north")
	h.Send("manager", "PATCH", "/v1/rigs/T01", apitest.Obj{"name": "High meadow", "width_m": 27.5}, "If-Match", "*").Is(200).Has("/name", "High meadow").Has("/width_m", 27.5).Has("/tank_l", 3500)
	h.Send("manager", "PATCH", "/v1/rigs/T01", apitest.Obj{}).Is(422)
	h.Send("workshop", "POST", "/v1/rigs/T01/meters", apitest.Obj{"meter": "water", "quantity": "volume", "value": 1200.5}).Is(201).Has("/totals/water/litres", 1200.5)
	first := apitest.Reading(h.Now().Add(-3*time.Hour), 100, 50)
	h.Send("manager", "POST", "/v1/rigs/T01/readings", first).Is(200)
	h.Send("workshop", "POST", "/v1/rigs/T01/meters/pump/swap", apitest.Obj{"at": h.Now().Add(-2 * time.Hour), "last": 100.5, "start": 0, "reason": "display broken"}).Is(200).
		Has("/totals/pump/hours", 100.5).Has("/meters/0/swaps", 1)
	h.Send("manager", "POST", "/v1/rigs/T01/readings", apitest.Reading(h.Now().Add(-time.Hour), 0.75, 55)).Is(200)
	h.Send("reader", "GET", "/v1/rigs/T01", nil).Is(200).Has("/totals/pump/hours", 101.25).Has("/meters/0/counter/hours", 0.75)
	h.Send("workshop", "POST", "/v1/rigs/T01/readings/void", apitest.Obj{"meter": "pump", "at": h.Now().Add(-time.Hour), "reason": "typed wrong"}).Is(200).Has("/totals/pump/hours", 100.5)
	h.Send("workshop", "POST", "/v1/rigs/T01/readings/void", apitest.Obj{"meter": "pump", "at": h.Now(), "reason": "typed wrong"}).Is(404)
	swapped := h.Now().Add(-2 * time.Hour)
	h.Send("workshop", "POST", "/v1/rigs/T01/meters/pump/unswap", apitest.Obj{"at": swapped, "reason": "the display was only cleaned"}).Is(200).
		Has("/totals/pump/hours", 100).Has("/meters/0/swaps", 0)
	h.Send("workshop", "POST", "/v1/rigs/T01/meters/pump/unswap", apitest.Obj{"at": swapped, "reason": "again"}).Is(404)
	h.Send("workshop", "POST", "/v1/rigs/T01/meters/pump/unswap", apitest.Obj{"at": "noon", "reason": "x"}).Is(422).Has("/errors/0/pointer", "/at")
	h.Send("workshop", "POST", "/v1/rigs/T01/meters/pump/swap", apitest.Obj{"at": swapped, "last": 100.5, "start": 0, "reason": "display broken"}).Is(200)
	h.Send("workshop", "POST", "/v1/rigs/T01/meters/none/swap", apitest.Obj{"start": 0, "reason": "x"}).Is(404)
	h.Send("manager", "POST", "/v1/rigs/T01/plan", apitest.Obj{"plan": "trailed-boom", "version": 9}).Is(422)
	h.Send("manager", "POST", "/v1/rigs/T01/plan", apitest.Obj{"plan": "mounted-boom"}).Is(200).Has("/plan/plan", "mounted-boom")
	cred := h.Send("manager", "POST", "/v1/rigs/T01/credential", nil).Is(201).Has("/user", "T01").Has("/inbox_prefix", "_INBOX_T01").Has("/subjects/publish/0", "rig.T01.reading")
	if rig, ok := h.Fleet.RigFor("T01", cred.At("/password").(string)); !ok || rig != "T01" {
		t.Fatal("the credential does not let the rig in")
	}
	line := h.Send("reader", "GET", "/v1/rigs/T01/timeline", nil).Is(200)
	if strings.Contains(string(line.Body), "hash") {
		t.Fatal("the timeline shows the hash of a password")
	}
	h.Send("manager", "POST", "/v1/rigs/T01/retire", apitest.Obj{"reason": "sold"}).Is(200).Has("/retired", true).Has("/fitness/state", "do not use")
	h.Send("manager", "POST", "/v1/rigs/T01/retire", apitest.Obj{"reason": "sold"}).Is(409)
	h.Send("reader", "GET", "/v1/rigs", nil).Is(200).Has("/rigs/0", nil)
	h.Send("reader", "GET", "/v1/rigs?retired=true", nil).Is(200).Has("/rigs/0/rig", "T01")
}

func TestSilentRigsAreFound(t *testing.T) {
	h := apitest.New(t)
	h.Register("T01", "north")
	h.Register("T02", "north")
	h.Send("manager", "POST", "/v1/rigs/T01/readings", apitest.Reading(h.Now(), 1, 1)).Is(200)
	h.Pass(5 * 24 * time.Hour)
	h.Send("manager", "POST", "/v1/rigs/T02/readings", apitest.Reading(h.Now(), 1, 1)).Is(200)
	h.Send("reader", "GET", "/v1/rigs?silent_days=3", nil).Is(200).Has("/rigs/0/rig", "T01").Has("/rigs/0/silent_days", 5).Has("/rigs/1", nil)
}

// A rig without an hour meter is estimated from its hectares, and that is marked.
func TestEstimatesAreMarked(t *testing.T) {
	h := apitest.New(t)
	body := apitest.RigBody("T01", "north")
	body["meters"] = []apitest.Obj{{"meter": "area", "quantity": "area", "value": 0}}
	h.Send("manager", "POST", "/v1/rigs", body).Is(201)
	h.Send("manager", "POST", "/v1/rigs/T01/readings", apitest.Obj{"id": "a", "time": h.Now().Add(-time.Hour), "counters": []apitest.Obj{{"meter": "area", "value": 400, "unit": "H18"}}}).Is(200)
	h.Raise()
	r := h.Send("reader", "GET", "/v1/rigs/T01", nil).Is(200).Has("/totals/area/hectares", 400).Has("/totals/pump", nil)
	if hours, ok := r.At("/estimates/hours").(float64); !ok || hours <= 0 {
		t.Fatalf("no estimate in %s", r.Body)
	}
	h.Send("reader", "GET", "/v1/items?task=suction-filter", nil).Is(200).Has("/items/0/estimated/0", "hours")
}
