package api

import (
	"testing"
	"time"
)

func TestLifeOfARig(t *testing.T) {
	h := newHouse(t)
	made := h.register("T01", "north")
	if got := made.header.Get("Location"); got != "/v1/rigs/T01" {
		t.Fatalf("Location is %q", got)
	}
	if made.header.Get("ETag") == "" {
		t.Fatal("no ETag")
	}
	made.has("/rig", "T01").has("/yard", "north").has("/width_m", 24).has("/tank_l", 3500).has("/totals/pump/hours", 0)

	h.send("manager", "POST", "/v1/rigs/T01/readings", reading(h.now().Add(-time.Hour), 12.5, 88.4)).is(200).has("/repeat", false)
	rig := h.send("reader", "GET", "/v1/rigs/T01", nil).is(200)
	rig.has("/totals/pump/hours", 12.5).has("/totals/area/hectares", 88.4).has("/totals/pump/read_at", "2026-05-04T05:00:00Z")
	if n := len(rig.list("/next_due")); n != 10 {
		t.Fatalf("%d lines of what is next, want 10", n)
	}
	if n := h.raise(); n == 0 {
		t.Fatal("nothing was raised")
	}
	items := h.send("reader", "GET", "/v1/items?status=due,overdue&yard=north", nil).is(200)
	if len(items.list("/items")) == 0 {
		t.Fatal("nothing is due")
	}
}
