package console_test

import (
	"context"
	"fmt"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"rigledger/api"
	"rigledger/events"
)

// BenchmarkPagesOf500Rigs measures what the server needs for each page of a large
// fleet, once what is worked out behind it is there: alone ("ms/page"), and as a
// ratio to a bare handler that writes the same bytes in the same run. The first
// look at a past day folds the ledger up to it and is told by itself.
func BenchmarkPagesOf500Rigs(b *testing.B) {
	h := newHouse(b)
	h.many(500)
	h.holdMany(200)
	h.send("manager", "POST", "/v1/yards/millrace/place", obj{"place": "uk"})
	day := h.now().Format(time.DateOnly)
	h.pass(24 * time.Hour)
	h.hours("M300", h.now(), 400)
	h.raise()
	a := api.New(api.Options{Fleet: h.fleet, Version: "test"})
	for _, path := range []string{"/", "/season?weeks=6", "/workshop", "/bay", "/intake", "/ledger", "/ledger?asof=" + day, "/access", "/rigs/M300", "/find?q=furrow+4"} {
		began := time.Now()
		text := h.answered(a, path)
		first := time.Since(began)
		for strings.Contains(text, "data-yard-waiting") || strings.Contains(text, "still being worked out") {
			time.Sleep(100 * time.Millisecond)
			text = h.answered(a, path)
		}
		b.Run(path, func(b *testing.B) {
			bare := http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { _, _ = w.Write([]byte(text)) })
			var ours, theirs time.Duration
			for b.Loop() {
				began := time.Now()
				h.answered(a, path)
				between := time.Now()
				h.answered(bare, path)
				ours, theirs = ours+between.Sub(began), theirs+time.Since(between)
			}
			b.ReportMetric(float64(ours.Microseconds())/1000/float64(b.N), "ms/page")
			b.ReportMetric(float64(ours)/float64(theirs), "times-bare")
			b.ReportMetric(float64(first.Milliseconds()), "ms-first")
			b.ReportMetric(float64(len(text))/1000, "kB")
		})
	}
}

// answered asks a handler itself, without a network.
func (h *house) answered(a http.Handler, path string) string {
	h.t.Helper()
	r := httptest.NewRequest("GET", path, nil)
	r.AddCookie(&http.Cookie{Name: "rigledger", Value: h.tokens["manager"]})
	w := httptest.NewRecorder()
	a.ServeHTTP(w, r)
	if w.Code != 200 {
		h.t.Fatalf("%s answers %d", path, w.Code)
	}
	return w.Body.String()
}

// holdMany sends a reading of each of the first n rigs that has to be held.
func (h *house) holdMany(n int) {
	h.t.Helper()
	var all []events.Arrival
	for i := range n {
		rig := fmt.Sprintf("M%03d", i+1)
		all = append(all, events.Arrival{
			Via: "rig." + rig + ".reading", Rig: rig, Event: fmt.Sprintf("x-%d", i), Time: h.now(), Kind: events.KindReading, Payload: []byte("{}"),
			Counters: []events.RawCounter{{Meter: "pump", Value: 1, Unit: "HUR"}},
		})
	}
	if _, err := h.fleet.Take(context.Background(), all); err != nil {
		h.t.Fatal(err)
	}
}
