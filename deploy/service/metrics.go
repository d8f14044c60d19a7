package service

import (
	"github.com/prometheus/client_golang/prometheus"

	"rigledger/events/intake"
)

// intakeMetrics shows what the intake counts; the room itself knows nothing of
// how its numbers are read.
func intakeMetrics(registry *prometheus.Registry, stats func() intake.Stats) {
	for _, m := range []struct {
		name, help string
		value      func(intake.Stats) uint64
		gauge      bool
	}{
		{"messages_total", "Messages from rigs that were acknowledged to the buffer.", func(s intake.Stats) uint64 { return s.Messages }, false},
		{"events_total", "Events from rigs that became durable, quarantined ones among them.", func(s intake.Stats) uint64 { return s.Arrivals }, false},
		{"faults_total", "Events that could not be understood.", func(s intake.Stats) uint64 { return s.Faults }, false},
		{"failures_total", "Batches that the ledger did not take and that were tried again.", func(s intake.Stats) uint64 { return s.Failed }, false},
		{"acks_total", "Acknowledgements sent to rigs.", func(s intake.Stats) uint64 { return s.Acks }, false},
		{"healed_total", "Times that consumption was set up again.", func(s intake.Stats) uint64 { return s.Healed }, false},
		{"pending_messages", "Messages in the buffer that are not acknowledged.", func(s intake.Stats) uint64 { return s.Pending }, true},
		{"buffer_bytes", "Bytes in the buffer.", func(s intake.Stats) uint64 { return s.Buffered }, true},
	} {
		value := func() float64 { return float64(m.value(stats())) }
		if m.gauge {
			registry.MustRegister(prometheus.NewGaugeFunc(prometheus.GaugeOpts{Namespace: "rigledger", Subsystem: "intake", Name: m.name, Help: m.help}, value))
		} else {
			registry.MustRegister(prometheus.NewCounterFunc(prometheus.CounterOpts{Namespace: "rigledger", Subsystem: "intake", Name: m.name, Help: m.help}, value))
		}
	}
}
