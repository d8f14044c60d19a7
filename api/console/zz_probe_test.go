package console_test

import (
	"testing"
	"time"

	"rigledger/fleet"
)

func TestZZProbe(t *testing.T) {
	h := newHouse(t)
	h.many(500)
	codes := []string{}
	h.fleet.View(func(s *fleet.State) {
		for c := range s.Rigs {
			codes = append(codes, c)
		}
	})
	for range 3 {
		at := time.Now()
		n, v := 0, 0
		for _, c := range codes {
			f, err := h.fleet.Forecast(c, fleet.WhatIf{})
			if err != nil {
				t.Fatal(err)
			}
			n += len(f.Tasks)
			v += len(f.Visits)
		}
		t.Log(time.Since(at), n, v)
	}
}
