package api

import (
	"testing"

	"rigledger/fleet"
)

// A visit books all of its items or none, and whoever may not see the rig learns nothing of it.
func TestAVisitIsBookedWholeOrNotAtAll(t *testing.T) {
	h := newHouse(t)
	h.register("T01", "north")
	h.register("T02", "north")
	h.token("southern", fleet.RoleWorkshop, []string{"south"}, "")
	h.send("workshop", "POST", "/v1/rigs/T01/readings", reading(h.now(), 260, 1700)).is(200)
	h.raise()
	all := h.send("reader", "GET", "/v1/items?rig=T01", nil).is(200).names("/items", "item")
	if len(all) < 3 {
		t.Fatalf("items raised: %v", all)
	}
	two := []string{all[0], all[1]}
	h.send("southern", "POST", "/v1/rigs/T01/visit", obj{"date": "2026-05-12", "items": two}).is(404)
	bad := h.send("workshop", "POST", "/v1/rigs/T01/visit", obj{"date": "soon", "items": []string{all[0], all[0], "none"}}).is(422).bad()
	if bad != "/date /items/1 /items/2" {
		t.Errorf("names %q", bad)
	}
	if bad := h.send("workshop", "POST", "/v1/rigs/T02/visit", obj{"date": "2026-05-12", "items": two}).is(422).bad(); bad != "/items/0 /items/1" {
		t.Errorf("of another rig: %q", bad)
	}
	if bad := h.send("workshop", "POST", "/v1/rigs/T01/visit", obj{"date": "2026-05-12", "items": []string{}}).is(422).bad(); bad != "/items" {
		t.Errorf("of nothing: %q", bad)
	}
	h.send("reader", "GET", "/v1/items/"+all[0], nil).is(200).has("/stage", "raised")
	body := obj{"date": "2026-05-12", "for": "A. Example", "items": two}
	first := h.send("workshop", "POST", "/v1/rigs/T01/visit", body, "Idempotency-Key", "visit-1").is(200).has("/items/1", all[1])
	again := h.send("workshop", "POST", "/v1/rigs/T01/visit", body, "Idempotency-Key", "visit-1").is(200).has("/items/1", all[1])
	if a, b := first.header.Get("Rigledger-Commit"), again.header.Get("Rigledger-Commit"); a != b {
		t.Errorf("booked twice, in commits %s and %s", a, b)
	}
	for _, id := range two {
		h.send("reader", "GET", "/v1/items/"+id, nil).is(200).has("/stage", "booked").has("/booked_on", "2026-05-12").has("/booked_for", "A. Example")
	}
	h.send("reader", "GET", "/v1/items/"+all[2], nil).is(200).has("/stage", "raised")
}

// What was ticked and photographed is on record with the job, and who may see the rig sees it.
func TestAJobIsFinishedWithChecksAndPhotos(t *testing.T) {
	h := newHouse(t)
	h.register("T01", "north")
	h.token("northern", fleet.RoleWorkshop, []string{"north"}, "")
	h.token("southern", fleet.RoleWorkshop, []string{"south"}, "")
	h.send("workshop", "POST", "/v1/rigs/T01/readings", reading(h.now(), 12, 80)).is(200)
	h.raise()
	item := "/v1/items/" + filterItem + "1"
	check := h.send("reader", "GET", item, nil).is(200).at("/checklist/0").(string)
	photo := []byte("\xff\xd8\xff photo of a mesh")
	hash := h.send("manager", "POST", "/v1/files?name=mesh.jpg", photo, "Content-Type", "image/jpeg").is(201).at("/file").(string)
	h.send("northern", "GET", "/v1/files/"+hash, nil).is(404)
	h.send("workshop", "POST", item+"/start", obj{"by": "A. Example", "cautions_read": true}).is(200)
	bad := h.send("workshop", "POST", item+"/finish", obj{"by": "A. Example", "checked": []string{check, "looked nice"}, "files": []string{hash, "none", ""}}).is(422).bad()
	if bad != "/checked/1 /files/1 /files/2" {
		t.Errorf("names %q", bad)
	}
	h.send("workshop", "POST", item+"/finish", obj{"by": "A. Example", "checked": []string{check}, "files": []string{hash}}).is(200).
		has("/finished/checked/0", check).has("/finished/files/0", hash)
	h.send("northern", "GET", "/v1/files/"+hash, nil).is(200)
	h.send("southern", "GET", "/v1/files/"+hash, nil).is(404)
}
