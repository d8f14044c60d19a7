package rigs_test

import (
	"strings"
	"testing"
	"time"

	"rigledger/api/apitest"
)

func TestOddReadingsAreHeldThenReleasedOrDismissed(t *testing.T) {
	h := apitest.New(t)
	h.Register("T01", "north")
	send := func(at time.Time, counters string) apitest.Answer {
		t.Helper()
		return h.Send("manager", "POST", "/v1/rigs/T01/readings", `{"id":"`+at.Format(time.RFC3339)+`","time":"`+at.Format(time.RFC3339)+`","counters":[`+counters+`]}`)
	}
	now := h.Now()
	send(now.Add(-5*time.Hour), `{"meter":"pump","value":100,"unit":"HUR"}`).Is(200)

	future := send(now.Add(11*time.Minute), `{"meter":"pump","value":100.5,"unit":"HUR"}`).Is(202).Has("/reason", "future").Has("/repeat", false)
	falls := send(now.Add(-4*time.Hour), `{"meter":"pump","value":3,"unit":"HUR"}`).Is(202).Has("/reason", "falls")
	unknown := send(now.Add(-3*time.Hour), `{"meter":"winch","value":3,"unit":"HUR"}`).Is(202).Has("/reason", "unknown-meter")
	fast := send(now.Add(-2*time.Hour), `{"meter":"pump","value":150,"unit":"HUR"}`).Is(202).Has("/reason", "too-fast")
	unit := send(now.Add(-time.Hour), `{"meter":"pump","value":101,"unit":"KMT"}`).Is(202).Has("/reason", "bad-unit")
	send(now.Add(-4*time.Hour), `{"meter":"pump","value":3,"unit":"HUR"}`).Is(202).Has("/repeat", true)
	id := func(a apitest.Answer) string { return "/v1/quarantine/" + a.At("/quarantined/0").(string) }

	if n := len(h.Send("workshop", "GET", "/v1/quarantine", nil).Is(200).List("/quarantine")); n != 5 {
		t.Fatalf("%d are held, want 5", n)
	}
	h.Send("reader", "GET", "/v1/quarantine?reason=falls&yard=north&rig=T01", nil).Is(200).Has("/quarantine/0/counters/0/value", 3).Has("/quarantine/1", nil)
	h.Send("operator", "GET", "/v1/quarantine", nil).Is(403)
	h.Send("reader", "GET", "/v1/rigs/T01", nil).Is(200).Has("/totals/pump/hours", 100).Has("/open_quarantine", 5)
	one := h.Send("reader", "GET", id(falls), nil).Is(200).Has("/open", true)
	if p, _ := one.At("/payload").(string); !strings.Contains(p, `"value":3`) {
		t.Fatalf("the message is %q", p)
	}

	h.Send("workshop", "POST", id(future)+"/release", apitest.Obj{"how": "as_is", "reason": "clock"}).Is(409)
	h.Send("workshop", "POST", id(future)+"/release", apitest.Obj{"how": "perhaps", "reason": ""}).Is(422)
	h.Send("workshop", "POST", id(fast)+"/release", apitest.Obj{"how": "corrected", "reason": "typed wrong", "values": apitest.Obj{"pump": 101.5}}).Is(200).Has("/outcome", "corrected")
	h.Send("reader", "GET", "/v1/rigs/T01", nil).Is(200).Has("/totals/pump/hours", 101.5)
	h.Send("workshop", "POST", id(unknown)+"/dismiss", apitest.Obj{"reason": "no winch"}).Is(200).Has("/outcome", "dismissed").Has("/outcome_by", "workshop")
	h.Send("workshop", "POST", id(unknown)+"/dismiss", apitest.Obj{"reason": "no winch"}).Is(409)
	h.Send("workshop", "POST", id(unknown)+"/reopen", apitest.Obj{"reason": "there is a winch"}).Is(200).Has("/open", true).Has("/outcome", nil)
	h.Send("workshop", "POST", id(unknown)+"/reopen", apitest.Obj{"reason": "there is a winch"}).Is(409)
	h.Send("workshop", "POST", id(fast)+"/reopen", apitest.Obj{"reason": "x"}).Is(409)
	h.Send("workshop", "POST", id(unknown)+"/dismiss", apitest.Obj{"reason": "there is none"}).Is(200)
	h.Send("workshop", "POST", id(unit)+"/release", apitest.Obj{"how": "as_is", "reason": "x"}).Is(409)
	h.Send("reader", "GET", "/v1/quarantine?state=ended", nil).Is(200).Has("/quarantine/1/open", false).Has("/quarantine/2", nil)
	h.Send("workshop", "GET", "/v1/quarantine/q-none", nil).Is(404)
}

// After a swap is put on record, what was held because it did not fit is taken
// by itself.
func TestHeldReadingsAreLookedAtAgainAfterASwap(t *testing.T) {
	h := apitest.New(t)
	h.Register("T01", "north")
	now := h.Now()
	h.Send("manager", "POST", "/v1/rigs/T01/readings", apitest.Reading(now.Add(-9*time.Hour), 500, 10)).Is(200)
	for i, v := range []float64{0.5, 1.5, 2.5} {
		h.Send("manager", "POST", "/v1/rigs/T01/readings", apitest.Reading(now.Add(time.Duration(i-5)*time.Hour), v, 11)).Is(202)
	}
	h.Send("workshop", "POST", "/v1/rigs/T01/meters/pump/swap", apitest.Obj{"at": now.Add(-8 * time.Hour), "start": 0, "reason": "new display"}).Is(200).
		Has("/totals/pump/hours", 502.5).Has("/open_quarantine", 0).Has("/meters/0/swaps", 1)
	released := h.Send("reader", "GET", "/v1/quarantine?state=ended", nil).Is(200)
	for _, by := range released.Names("/quarantine", "outcome_by") {
		if by != "rigledger" {
			t.Fatalf("released by %s", by)
		}
	}

	// A release as a swap does the same.
	h.Register("T02", "north")
	h.Send("manager", "POST", "/v1/rigs/T02/readings", apitest.Reading(now.Add(-9*time.Hour), 500, 10)).Is(200)
	first := h.Send("manager", "POST", "/v1/rigs/T02/readings", apitest.Reading(now.Add(-5*time.Hour), 0.5, 11)).Is(202)
	h.Send("manager", "POST", "/v1/rigs/T02/readings", apitest.Reading(now.Add(-4*time.Hour), 1.5, 12)).Is(202)
	h.Send("workshop", "POST", "/v1/quarantine/"+first.At("/quarantined/0").(string)+"/release", apitest.Obj{"how": "swap", "reason": "new display"}).Is(200)
	h.Send("reader", "GET", "/v1/rigs/T02", nil).Is(200).Has("/totals/pump/hours", 501.5).Has("/open_quarantine", 0)
}

func TestListsOfReadingsAndRepeats(t *testing.T) {
	h := apitest.New(t)
	h.Register("T01", "north")
	h.Token("rig T01", "rig", nil, "T01")
	list := []apitest.Obj{
		{"id": "3:1", "time": "2026-05-04T04:00:00.25Z", "counters": []apitest.Obj{{"meter": "pump", "value": 1, "unit": "HUR"}}},
		{"id": "3:2", "time": "2026-05-04T05:00:00Z", "counters": []apitest.Obj{{"meter": "pump", "value": 120, "unit": "MIN"}, {"meter": "area", "value": 12345, "unit": "MTK"}}},
		{"id": "3:4", "time": "2026-05-04T05:30:00+00:00", "counters": []apitest.Obj{{"meter": "pump", "value": 9000, "unit": "SEC"}}},
	}
	h.Send("rig T01", "POST", "/v1/rigs/T01/readings", list).Is(200).Has("/outcomes/2/repeat", false).Has("/acks/0/boot", 3).Has("/acks/0/seq", 2).Has("/acks/0/have/0/0", 4)
	h.Send("rig T01", "POST", "/v1/rigs/T01/readings", list).Is(200).Has("/outcomes/0/repeat", true).Has("/outcomes/0/commit", nil)
	h.Send("rig T01", "GET", "/v1/rigs/T01", nil).Is(200).Has("/totals/pump/hours", 2.5).Has("/totals/area/hectares", 1.2345)
	long := make([]apitest.Obj, 501)
	for i := range long {
		long[i] = apitest.Reading(h.Now(), 2.5, 2)
	}
	h.Send("rig T01", "POST", "/v1/rigs/T01/readings", long).Is(422)
	h.Send("rig T01", "POST", "/v1/rigs/T01/readings", long[1:]).Is(200)
}
