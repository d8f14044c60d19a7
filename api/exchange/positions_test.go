package exchange_test

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"rigledger/api/apitest"
	"rigledger/fleet"
)

func placedReading(at time.Time, hours float64, position any) apitest.Obj {
	r := apitest.Reading(at, hours, hours*7)
	r["id"] = fmt.Sprint("p-", at.UnixMilli())
	r["position"] = position
	return r
}

func TestWhereARigWasLast(t *testing.T) {
	h := apitest.New(t)
	h.Register("T01", "north")
	h.Register("T02", "south")
	h.Token("held", fleet.RoleReader, []string{"north"}, "")
	start := h.Now()
	h.Pass(12 * time.Hour)
	h.Send("reader", "GET", "/v1/rigs/T01", nil).Is(200).Has("/position", nil)
	empty := h.Send("reader", "GET", "/v1/exchange/positions", nil).Is(200).Has("/type", "FeatureCollection").Has("/features/0", nil)
	if string(empty.Body) != `{"type":"FeatureCollection","features":[]}` {
		t.Errorf("%s", empty.Body)
	}

	at := start.Add(3 * time.Hour)
	h.Send("operator", "POST", "/v1/rigs/T01/readings", placedReading(at, 2, apitest.Obj{"latitude": 0.2500001, "longitude": -0.5})).Is(200).Has("/position", nil)
	rig := h.Send("reader", "GET", "/v1/rigs/T01", nil).Is(200).Has("/position/latitude", 0.2500001).Has("/position/longitude", -0.5)
	if rig.At("/position/time") != at.Format(time.RFC3339) {
		t.Errorf("at %v", rig.At("/position/time"))
	}
	// A late one does not move it back; a newer one moves it.
	h.Send("operator", "POST", "/v1/rigs/T01/readings", placedReading(start.Add(time.Hour), 0.5, apitest.Obj{"latitude": 0.9, "longitude": 0.9})).Is(200)
	h.Send("reader", "GET", "/v1/rigs/T01", nil).Is(200).Has("/position/latitude", 0.2500001)
	h.Send("operator", "POST", "/v1/rigs/T01/readings", placedReading(start.Add(4*time.Hour), 2.5, apitest.Obj{"latitude": 0.3, "longitude": -0.6})).Is(200)
	h.Send("operator", "POST", "/v1/rigs/T02/readings", placedReading(at, 1, apitest.Obj{"latitude": -0.1, "longitude": 0.1})).Is(200)

	// What is no place never costs a counter, and the answer says so.
	hours := 2.5
	for i, bad := range []any{
		apitest.Obj{"latitude": 91, "longitude": 0.5}, apitest.Obj{"latitude": 0.5, "longitude": -180.5}, apitest.Obj{"latitude": 0, "longitude": 0},
		apitest.Obj{"latitude": 0.00000001, "longitude": 0}, apitest.Obj{"latitude": 1e300, "longitude": 1},
	} {
		hours += 0.5
		h.Send("operator", "POST", "/v1/rigs/T01/readings", placedReading(start.Add(time.Duration(5+i)*time.Hour), hours, bad)).Is(200).Has("/position", "left-out")
	}
	list := []apitest.Obj{placedReading(start.Add(11*time.Hour), hours+0.5, apitest.Obj{"latitude": 90.1, "longitude": 0}), placedReading(start.Add(11*time.Hour+time.Minute), hours+0.5, apitest.Obj{"latitude": 0.4, "longitude": 0.4})}
	h.Send("operator", "POST", "/v1/rigs/T01/readings", list).Is(200).Has("/outcomes/0/position", "left-out").Has("/outcomes/1/position", nil)
	h.Send("reader", "GET", "/v1/rigs/T01?fields=totals,position", nil).Is(200).Has("/totals/pump/hours", hours+0.5).Has("/position/latitude", 0.4)

	all := h.Send("reader", "GET", "/v1/exchange/positions", nil).Is(200)
	if kind := all.Header.Get("Content-Type"); kind != "application/geo+json" {
		t.Errorf("it is %s", kind)
	}
	all.Has("/features/0/type", "Feature").Has("/features/0/id", "T01").Has("/features/0/geometry/type", "Point").
		Has("/features/0/geometry/coordinates/0", 0.4).Has("/features/0/properties/yard", "north").
		Has("/features/1/geometry/coordinates/0", 0.1).Has("/features/1/geometry/coordinates/1", -0.1). // longitude first: RFC 7946, section 3.1.1
		Has("/features/1/properties/rig", "T02").Has("/features/1/properties/name", h.Send("reader", "GET", "/v1/rigs/T02", nil).At("/name")).Has("/features/2", nil)
	h.Send("reader", "GET", "/v1/exchange/positions?yard=south", nil).Is(200).Has("/features/0/id", "T02").Has("/features/1", nil)
	h.Send("reader", "GET", "/v1/exchange/positions?rig=T01", nil).Is(200).Has("/features/0/id", "T01").Has("/features/1", nil)
	h.Send("held", "GET", "/v1/exchange/positions", nil).Is(200).Has("/features/0/id", "T01").Has("/features/1", nil)
	h.Send("reader", "GET", "/v1/exchange/positions", nil, "If-None-Match", all.Header.Get("Etag")).Is(304)

	// The fleet in the shape of ISO/TS 15143-3 has the place, and takes it back.
	page := h.Send("reader", "GET", "/v1/exchange/fleet/equipment/T02", nil).Is(200)
	for _, want := range []string{"<Latitude>-0.1</Latitude>", "<Longitude>0.1</Longitude>"} {
		if !strings.Contains(string(page.Body), want) {
			t.Errorf("no %s in %s", want, page.Body)
		}
	}
	// The feed tells the place with its reading.
	h.Send("reader", "GET", "/v1/feed?kind=meter.read&rig=T02", nil).Is(200).Has("/facts/0/fact/position/longitude", 0.1)
	// A snapshot and the ledger keep it.
	if _, err := h.Fleet.SaveSnapshot(t.Context()); err != nil {
		t.Fatal(err)
	}
	for _, store := range []string{"snapshot", "ledger"} {
		again, err := fleet.Open(t.Context(), fleet.Options{Store: h.Store, Zone: apitest.Zone})
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
	if _, _, err := fleet.Verify(t.Context(), h.Store, apitest.Zone, nil); err != nil {
		t.Error(err)
	}
}

func TestAPlaceComesInWithFleetData(t *testing.T) {
	h := apitest.New(t)
	h.Register("T01", "north")
	h.Pass(5 * time.Hour)
	send := func(body string) apitest.Answer {
		t.Helper()
		return h.Send("operator", "POST", "/v1/exchange/fleet", []byte(`<?xml version="1.0"?><Fleet version="1" snapshotTime="2026-05-04T09:00:00Z"><Equipment><EquipmentHeader><EquipmentID>T01</EquipmentID></EquipmentHeader>`+body+`</Equipment></Fleet>`), "Content-Type", "application/xml")
	}
	hours := func(h string, at string) string {
		return `<CumulativeOperatingHours datetime="` + at + `"><Hour>` + h + `</Hour></CumulativeOperatingHours>`
	}
	place := func(lat, lon, at string) string {
		return `<Location datetime="` + at + `"><Latitude>` + lat + `</Latitude><Longitude>` + lon + `</Longitude></Location>`
	}
	send(place("0.25", "0.5", "2026-05-04T09:00:00Z")+hours("2", "2026-05-04T09:00:00Z")).Is(200).Has("/devices/0/taken", 1).Has("/devices/0/skipped/0", nil)
	h.Send("reader", "GET", "/v1/rigs/T01", nil).Is(200).Has("/position/longitude", 0.5).Has("/position/time", "2026-05-04T09:00:00Z")
	send(place("0", "0", "2026-05-04T10:00:00Z")+hours("2.5", "2026-05-04T10:00:00Z")).Is(200).Has("/devices/0/taken", 1).Has("/devices/0/skipped/0/what", "Location")
	send(place("0.7", "0.7", "2026-05-04T10:20:00Z")+hours("2.6", "2026-05-04T10:10:00Z")).Is(200).Has("/devices/0/taken", 1).Has("/devices/0/skipped/0/what", "Location")
	h.Send("reader", "GET", "/v1/rigs/T01", nil).Is(200).Has("/position/longitude", 0.5).Has("/totals/pump/hours", 2.6)
}
