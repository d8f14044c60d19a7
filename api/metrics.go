package api

import (
	"net/http"
	"strconv"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/promhttp"

	"rigledger/events"
	"rigledger/fleet"
)

// metrics measures requests and shows the fleet. All labels are bounded: routes
// by the table, methods and codes by HTTP, kinds of fact by the ledger.
type metrics struct {
	took    *prometheus.HistogramVec
	handler http.Handler
}

func newMetrics(reg *prometheus.Registry, f *fleet.Fleet) *metrics {
	m := &metrics{took: prometheus.NewHistogramVec(prometheus.HistogramOpts{
		Name:    "rigledger_http_request_seconds",
		Help:    "Time that requests took, by route pattern, method and status code.",
		Buckets: []float64{.0005, .001, .0025, .005, .01, .025, .05, .1, .25, .5, 1, 2.5, 5, 10},
	}, []string{"route", "method", "code"})}
	reg.MustRegister(m.took, fleetNumbers{f})
	m.handler = promhttp.HandlerFor(reg, promhttp.HandlerOpts{Registry: reg})
	return m
}

func (m *metrics) observe(method, route string, code int, took time.Duration) {
	if route == "" {
		route = "none"
	}
	switch method {
	case http.MethodGet, http.MethodPost, http.MethodPatch, http.MethodPut, http.MethodDelete, http.MethodHead, http.MethodOptions:
	default:
		method = "other"
	}
	m.took.WithLabelValues(route, method, strconv.Itoa(code)).Observe(took.Seconds())
}

// fleetNumbers reads the fleet when asked, so that nothing is counted twice.
type fleetNumbers struct{ fleet *fleet.Fleet }

var (
	commitNumber   = prometheus.NewDesc("rigledger_commit_number", "Number of the newest commit that readers see.", nil, nil)
	deskWaiting    = prometheus.NewDesc("rigledger_desk_waiting", "Commands that wait at the desk.", nil, nil)
	deskConflicts  = prometheus.NewDesc("rigledger_desk_conflicts_total", "How often another instance wrote a commit first.", nil, nil)
	rigsNow        = prometheus.NewDesc("rigledger_rigs", "Rigs in the fleet, without retired ones.", nil, nil)
	itemsOpen      = prometheus.NewDesc("rigledger_items_open", "Service items that are raised, booked or in hand.", nil, nil)
	quarantineOpen = prometheus.NewDesc("rigledger_quarantine_open", "Readings and messages that wait in quarantine.", nil, nil)
	factsTotal     = prometheus.NewDesc("rigledger_facts_total", "Facts in the ledger, by kind.", []string{"kind"}, nil)
)

func (n fleetNumbers) Describe(ch chan<- *prometheus.Desc) {
	for _, d := range []*prometheus.Desc{commitNumber, deskWaiting, deskConflicts, rigsNow, itemsOpen, quarantineOpen, factsTotal} {
		ch <- d
	}
}

func (n fleetNumbers) Collect(ch chan<- prometheus.Metric) {
	var head uint64
	var rigs, items, held int
	facts := map[string]uint64{}
	n.fleet.View(func(s *fleet.State) {
		head, held = s.Head.N, s.AllOpenHeld()
		for _, r := range s.Rigs {
			if !r.Retired {
				rigs++
				items += len(r.Open)
			}
		}
		for _, k := range events.Kinds() {
			facts[k] = s.FactCounts[k]
		}
	})
	gauge := func(d *prometheus.Desc, v float64) { ch <- prometheus.MustNewConstMetric(d, prometheus.GaugeValue, v) }
	gauge(commitNumber, float64(head))
	gauge(deskWaiting, float64(n.fleet.Waiting()))
	gauge(rigsNow, float64(rigs))
	gauge(itemsOpen, float64(items))
	gauge(quarantineOpen, float64(held))
	ch <- prometheus.MustNewConstMetric(deskConflicts, prometheus.CounterValue, float64(n.fleet.Conflicts()))
	for k, v := range facts {
		ch <- prometheus.MustNewConstMetric(factsTotal, prometheus.CounterValue, float64(v), k)
	}
}
