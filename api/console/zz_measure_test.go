package console_test

import (
	"testing"
	"time"

	"rigledger/fleet"
	"rigledger/fleet/plan"
)

func TestZZMeasure(t *testing.T) {
	h := newHouse(t)
	b := time.Now()
	h.many(500)
	t.Log("many", time.Since(b))
	var codes []string
	h.fleet.View(func(s *fleet.State) {
		for c := range s.Rigs {
			codes = append(codes, c)
		}
	})
	for range 2 {
		b = time.Now()
		for _, c := range codes {
			if _, err := h.fleet.Forecast(c, fleet.WhatIf{}); err != nil {
				t.Fatal(err)
			}
		}
		t.Log("forecasts", time.Since(b))
	}
	now := h.fleet.Now()
	h.fleet.View(func(s *fleet.State) {
		for range 2 {
			b = time.Now()
			for _, r := range s.Rigs {
				h.fleet.FitnessOf(s, r, now)
			}
			t.Log("fitness", time.Since(b))
			b = time.Now()
			for _, r := range s.Rigs {
				s.FitnessAt(r, now.Add(48*time.Hour), now)
			}
			t.Log("fitness at", time.Since(b))
			b = time.Now()
			for _, r := range s.Rigs {
				s.NextInspection(r, plan.On(2026,5,6))
			}
			t.Log("next inspection", time.Since(b))
		}
	})
}
