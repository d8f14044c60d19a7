package api

import (
	"strings"
	"testing"
	"time"
)

func TestOddReadingsAreHeldThenReleasedOrDismissed(t *testing.T) {
	h := newHouse(t)
	h.register("T01", "north")
	send := func(at time.Time, counters string) answer {
		t.Helper()
		return h.send("manager", "POST", "/v1/rigs/T01/readings", `{"id":"`+at.Format(time.RFC3339)+`","time":"`+at.Format(time.RFC3339)+`","counters":[`+counters+`]}`)
	}
	now := h.now()
	send(now.Add(-5*time.Hour), `{"meter":"pump","value":100,"unit":"HUR"}`).is(200)

	future := send(now.Add(11*time.Minute), `{"meter":"pump","value":100.5,"unit":"HUR"}`).is(202).has("/reason", "future").has("/repeat", false)
	falls := send(now.Add(-4*time.Hour), `{"meter":"pump","value":3,"unit":"HUR"}`).is(202).has("/reason", "falls")
	unknown := send(now.Add(-3*time.Hour), `{"meter":"winch","value":3,"unit":"HUR"}`).is(202).has("/reason", "unknown-meter")
	fast := send(now.Add(-2*time.Hour), `{"meter":"pump","value":150,"unit":"HUR"}`).is(202).has("/reason", "too-fast")
	unit := send(now.Add(-time.Hour), `{"meter":"pump","value":101,"unit":"KMT"}`).is(202).has("/reason", "bad-unit")
	send(now.Add(-4*time.Hour), `{"meter":"pump","value":3,"unit":"HUR"}`).is(202).has("/repeat", true)
	id := func(a answer) string { return "/v1/quarantine/" + a.at("/quarantined/0").(string) }

	if n := len(h.send("workshop", "GET", "/v1/quarantine", nil).is(200).list("/quarantine")); n != 5 {
		t.Fatalf("%d are held, want 5", n)
	}
	h.send("reader", "GET", "/v1/quarantine?reason=falls&yard=north&rig=T01", nil).is(200).has("/quarantine/0/counters/0/value", 3).has("/quarantine/1", nil)
	h.send("operator", "GET", "/v1/quarantine", nil).is(403)
	h.send("reader", "GET", "/v1/rigs/T01", nil).is(200).has("/totals/pump/hours", 100).has("/open_quarantine", 5)
	one := h.send("reader", "GET", id(falls), nil).is(200).has("/open", true)
	if p, _ := one.at("/payload").(string); !strings.Contains(p, `"value":3`) {
		t.Fatalf("the message is %q", p)
	}

	h.send("workshop", "POST", id(future)+"/release", obj{"how": "as_is", "reason": "clock"}).is(409)
	h.send("workshop", "POST", id(future)+"/release", obj{"how": "perhaps", "reason": ""}).is(422)
	h.send("workshop", "POST", id(fast)+"/release", obj{"how": "corrected", "reason": "typed wrong", "values": obj{"pump": 101.5}}).is(200).has("/outcome", "corrected")
	h.send("reader", "GET", "/v1/rigs/T01", nil).is(200).has("/totals/pump/hours", 101.5)
	h.send("workshop", "POST", id(unknown)+"/dismiss", obj{"reason": "no winch"}).is(200).has("/outcome", "dismissed").has("/outcome_by", "workshop")
	h.send("workshop", "POST", id(unknown)+"/dismiss", obj{"reason": "no winch"}).is(409)
	h.send("workshop", "POST", id(unknown)+"/reopen", obj{"reason": "there is a winch"}).is(200).has("/open", true).has("/outcome", nil)
	h.send("workshop", "POST", id(unknown)+"/reopen", obj{"reason": "there is a winch"}).is(409)
	h.send("workshop", "POST", id(fast)+"/reopen", obj{"reason": "x"}).is(409)
	h.send("workshop", "POST", id(unknown)+"/dismiss", obj{"reason": "there is none"}).is(200)
	h.send("workshop", "POST", id(unit)+"/release", obj{"how": "as_is", "reason": "x"}).is(409)
	h.send("reader", "GET", "/v1/quarantine?state=ended", nil).is(200).has("/quarantine/1/open", false).has("/quarantine/2", nil)
	h.send("workshop", "GET", "/v1/quarantine/q-none", nil).is(404)
}

// After a swap is put on record, what was held because it did not fit is taken
// by itself.
func TestHeldReadingsAreLookedAtAgainAfterASwap(t *testing.T) {
	h := newHouse(t)
	h.register("T01", "north")
	now := h.now()
	h.send("manager", "POST", "/v1/rigs/T01/readings", reading(now.Add(-9*time.Hour), 500, 10)).is(200)
	for i, v := range []float64{0.5, 1.5, 2.5} {
		h.send("manager", "POST", "/v1/rigs/T01/readings", reading(now.Add(time.Duration(i-5)*time.Hour), v, 11)).is(202)
	}
	h.send("workshop", "POST", "/v1/rigs/T01/meters/pump/swap", obj{"at": now.Add(-8 * time.Hour), "start": 0, "reason": "new display"}).is(200).
		has("/totals/pump/hours", 502.5).has("/open_quarantine", 0).has("/meters/0/swaps", 1)
	released := h.send("reader", "GET", "/v1/quarantine?state=ended", nil).is(200)
	for _, by := range released.names("/quarantine", "outcome_by") {
		if by != "rigledger" {
			t.Fatalf("released by %s", by)
		}
	}

	// A release as a swap does the same.
	h.register("T02", "north")
	h.send("manager", "POST", "/v1/rigs/T02/readings", reading(now.Add(-9*time.Hour), 500, 10)).is(200)
	first := h.send("manager", "POST", "/v1/rigs/T02/readings", reading(now.Add(-5*time.Hour), 0.5, 11)).is(202)
	h.send("manager", "POST", "/v1/rigs/T02/readings", reading(now.Add(-4*time.Hour), 1.5, 12)).is(202)
	h.send("workshop", "POST", "/v1/quarantine/"+first.at("/quarantined/0").(string)+"/release", obj{"how": "swap", "reason": "new display"}).is(200)
	h.send("reader", "GET", "/v1/rigs/T02", nil).is(200).has("/totals/pump/hours", 501.5).has("/open_quarantine", 0)
}

func TestListsOfReadingsAndRepeats(t *testing.T) {
	h := newHouse(t)
	h.register("T01", "north")
	h.token("rig T01", "rig", nil, "T01")
	list := []obj{
		{"id": "3:1", "time": "2026-05-04T04:00:00.25Z", "counters": []obj{{"meter": "pump", "value": 1, "unit": "HUR"}}},
		{"id": "3:2", "time": "2026-05-04T05:00:00Z", "counters": []obj{{"meter": "pump", "value": 120, "unit": "MIN"}, {"meter": "area", "value": 12345, "unit": "MTK"}}},
		{"id": "3:4", "time": "2026-05-04T05:30:00+00:00", "counters": []obj{{"meter": "pump", "value": 9000, "unit": "SEC"}}},
	}
	h.send("rig T01", "POST", "/v1/rigs/T01/readings", list).is(200).has("/outcomes/2/repeat", false).has("/acks/0/boot", 3).has("/acks/0/seq", 2).has("/acks/0/have/0/0", 4)
	h.send("rig T01", "POST", "/v1/rigs/T01/readings", list).is(200).has("/outcomes/0/repeat", true).has("/outcomes/0/commit", nil)
	h.send("rig T01", "GET", "/v1/rigs/T01", nil).is(200).has("/totals/pump/hours", 2.5).has("/totals/area/hectares", 1.2345)
	long := make([]obj, 501)
	for i := range long {
		long[i] = reading(h.now(), 2.5, 2)
	}
	h.send("rig T01", "POST", "/v1/rigs/T01/readings", long).is(422)
	h.send("rig T01", "POST", "/v1/rigs/T01/readings", long[1:]).is(200)
}
