package api

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"rigledger/fleet"
)

func placedReading(at time.Time, hours float64, position any) obj {
	r := reading(at, hours, hours*7)
	r["id"] = fmt.Sprint("p-", at.UnixMilli())
	r["position"] = position
	return r
}

func TestWhereARigWasLast(t *testing.T) {
	h := newHouse(t)
	h.register("T01", "north")
	h.register("T02", "south")
	h.token("held", fleet.RoleReader, []string{"north"}, "")
	start := h.now()
	h.pass(12 * time.Hour)
	h.send("reader", "GET", "/v1/rigs/T01", nil).is(200).has("/position", nil)
	empty := h.send("reader", "GET", "/v1/exchange/positions", nil).is(200).has("/type", "FeatureCollection").has("/features/0", nil)
	if string(empty.body) != `{"type":"FeatureCollection","features":[]}` {
		t.Errorf("%s", empty.body)
	}

	at := start.Add(3 * time.Hour)
	h.send("operator", "POST", "/v1/rigs/T01/readings", placedReading(at, 2, obj{"latitude": 0.2500001, "longitude": -0.5})).is(200).has("/position", nil)
	rig := h.send("reader", "GET", "/v1/rigs/T01", nil).is(200).has("/position/latitude", 0.2500001).has("/position/longitude", -0.5)
	if rig.at("/position/time") != at.Format(time.RFC3339) {
		t.Errorf("at %v", rig.at("/position/time"))
	}
	// A late one does not move it back; a newer one moves it.
	h.send("operator", "POST", "/v1/rigs/T01/readings", placedReading(start.Add(time.Hour), 0.5, obj{"latitude": 0.9, "longitude": 0.9})).is(200)
	h.send("reader", "GET", "/v1/rigs/T01", nil).is(200).has("/position/latitude", 0.2500001)
	h.send("operator", "POST", "/v1/rigs/T01/readings", placedReading(start.Add(4*time.Hour), 2.5, obj{"latitude": 0.3, "longitude": -0.6})).is(200)
	h.send("operator", "POST", "/v1/rigs/T02/readings", placedReading(at, 1, obj{"latitude": -0.1, "longitude": 0.1})).is(200)

	// What is no place never costs a counter, and the answer says so.
	hours := 2.5
	for i, bad := range []any{
		obj{"latitude": 91, "longitude": 0.5}, obj{"latitude": 0.5, "longitude": -180.5}, obj{"latitude": 0, "longitude": 0},
		obj{"latitude": 0.00000001, "longitude": 0}, obj{"latitude": 1e300, "longitude": 1},
	} {
		hours += 0.5
		h.send("operator", "POST", "/v1/rigs/T01/readings", placedReading(start.Add(time.Duration(5+i)*time.Hour), hours, bad)).is(200).has("/position", "left-out")
	}
	list := []obj{placedReading(start.Add(11*time.Hour), hours+0.5, obj{"latitude": 90.1, "longitude": 0}), placedReading(start.Add(11*time.Hour+time.Minute), hours+0.5, obj{"latitude": 0.4, "longitude": 0.4})}
	h.send("operator", "POST", "/v1/rigs/T01/readings", list).is(200).has("/outcomes/0/position", "left-out").has("/outcomes/1/position", nil)
	h.send("reader", "GET", "/v1/rigs/T01?fields=totals,position", nil).is(200).has("/totals/pump/hours", hours+0.5).has("/position/latitude", 0.4)

	all := h.send("reader", "GET", "/v1/exchange/positions", nil).is(200)
	if kind := all.header.Get("Content-Type"); kind != "application/geo+json" {
		t.Errorf("it is %s", kind)
	}
	all.has("/features/0/type", "Feature").has("/features/0/id", "T01").has("/features/0/geometry/type", "Point").
		has("/features/0/geometry/coordinates/0", 0.4).has("/features/0/properties/yard", "north").
		has("/features/1/geometry/coordinates/0", 0.1).has("/features/1/geometry/coordinates/1", -0.1). // longitude first: RFC 7946, section 3.1.1
		has("/features/1/properties/rig", "T02").has("/features/1/properties/name", h.send("reader", "GET", "/v1/rigs/T02", nil).at("/name")).has("/features/2", nil)
	h.send("reader", "GET", "/v1/exchange/positions?yard=south", nil).is(200).has("/features/0/id", "T02").has("/features/1", nil)
	h.send("reader", "GET", "/v1/exchange/positions?rig=T01", nil).is(200).has("/features/0/id", "T01").has("/features/1", nil)
	h.send("held", "GET", "/v1/exchange/positions", nil).is(200).has("/features/0/id", "T01").has("/features/1", nil)
	h.send("reader", "GET", "/v1/exchange/positions", nil, "If-None-Match", all.header.Get("Etag")).is(304)

	// The fleet in the shape of ISO/TS 15143-3 has the place, and takes it back.
	page := h.send("reader", "GET", "/v1/exchange/fleet/equipment/T02", nil).is(200)
	for _, want := range []string{"<Latitude>-0.1</Latitude>", "<Longitude>0.1</Longitude>"} {
		if !strings.Contains(string(page.body), want) {
			t.Errorf("no %s in %s", want, page.body)
		}
	}
	// The feed tells the place with its reading.
	h.send("reader", "GET", "/v1/feed?kind=meter.read&rig=T02", nil).is(200).has("/facts/0/fact/position/longitude", 0.1)
	// A snapshot and the ledger keep it.
	if _, err := h.fleet.SaveSnapshot(t.Context()); err != nil {
		t.Fatal(err)
	}
	for _, store := range []string{"snapshot", "ledger"} {
		again, err := fleet.Open(t.Context(), fleet.Options{Store: h.store, Zone: theZone})
		if err != nil {
			t.Fatal(err)
		}
		again.View(func(s *fleet.State) {
			if l := s.Rigs["T01"].Location; l == nil || l.Latitude != 4_000_000 || !s.Rigs["T01"].Located.Equal(start.Add(11*time.Hour+time.Minute)) {
				t.Errorf("from the %s: %+v", store, l)
			}
		})
		again.Close()
	}
	if _, _, err := fleet.Verify(t.Context(), h.store, theZone, nil); err != nil {
		t.Error(err)
	}
}

func TestAPlaceComesInWithFleetData(t *testing.T) {
	h := newHouse(t)
	h.register("T01", "north")
	h.pass(5 * time.Hour)
	send := func(body string) answer {
		t.Helper()
		return h.send("operator", "POST", "/v1/exchange/fleet", []byte(`<?xml version="1.0"?><Fleet version="1" snapshotTime="2026-05-04T09:00:00Z"><Equipment><EquipmentHeader><EquipmentID>T01</EquipmentID></EquipmentHeader>`+body+`</Equipment></Fleet>`), "Content-Type", "application/xml")
	}
	hours := func(h string, at string) string {
		return `<CumulativeOperatingHours datetime="` + at + `"><Hour>` + h + `</Hour></CumulativeOperatingHours>`
	}
	place := func(lat, lon, at string) string {
		return `<Location datetime="` + at + `"><Latitude>` + lat + `</Latitude><Longitude>` + lon + `</Longitude></Location>`
	}
	send(place("0.25", "0.5", "2026-05-04T09:00:00Z")+hours("2", "2026-05-04T09:00:00Z")).is(200).has("/devices/0/taken", 1).has("/devices/0/skipped/0", nil)
	h.send("reader", "GET", "/v1/rigs/T01", nil).is(200).has("/position/longitude", 0.5).has("/position/time", "2026-05-04T09:00:00Z")
	send(place("0", "0", "2026-05-04T10:00:00Z")+hours("2.5", "2026-05-04T10:00:00Z")).is(200).has("/devices/0/taken", 1).has("/devices/0/skipped/0/what", "Location")
	send(place("0.7", "0.7", "2026-05-04T10:20:00Z")+hours("2.6", "2026-05-04T10:10:00Z")).is(200).has("/devices/0/taken", 1).has("/devices/0/skipped/0/what", "Location")
	h.send("reader", "GET", "/v1/rigs/T01", nil).is(200).has("/position/longitude", 0.5).has("/totals/pump/hours", 2.6)
}
