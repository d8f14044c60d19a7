package workshop_test

import (
	"testing"

	"rigledger/api/apitest"
	"rigledger/fleet"
)

// A visit books all of its items or none, and whoever may not see the rig learns nothing of it.
func TestAVisitIsBookedWholeOrNotAtAll(t *testing.T) {
	h := apitest.New(t)
	h.Register("T01", "north")
	h.Register("T02", "north")
	h.Token("southern", fleet.RoleWorkshop, []string{"south"}, "")
	h.Send("workshop", "POST", "/v1/rigs/T01/readings", apitest.Reading(h.Now(), 260, 1700)).Is(200)
	h.Raise()
	all := h.Send("reader", "GET", "/v1/items?rig=T01", nil).Is(200).Names("/items", "item")
	if len(all) < 3 {
		t.Fatalf("items raised: %v", all)
	}
	two := []string{all[0], all[1]}
	h.Send("southern", "POST", "/v1/rigs/T01/visit", apitest.Obj{"date": "2026-05-12", "items": two}).Is(404)
	bad := h.Send("workshop", "POST", "/v1/rigs/T01/visit", apitest.Obj{"date": "soon", "items": []string{all[0], all[0], "none"}}).Is(422).Bad()
	if bad != "/date /items/1 /items/2" {
		t.Errorf("names %q", bad)
	}
	if bad := h.Send("workshop", "POST", "/v1/rigs/T02/visit", apitest.Obj{"date": "2026-05-12", "items": two}).Is(422).Bad(); bad != "/items/0 /items/1" {
		t.Errorf("of another rig: %q", bad)
	}
	if bad := h.Send("workshop", "POST", "/v1/rigs/T01/visit", apitest.Obj{"date": "2026-05-12", "items": []string{}}).Is(422).Bad(); bad != "/items" {
		t.Errorf("of nothing: %q", bad)
	}
	h.Send("reader", "GET", "/v1/items/"+all[0], nil).Is(200).Has("/stage", "raised")
	body := apitest.Obj{"date": "2026-05-12", "for": "A. Example", "items": two}
	first := h.Send("workshop", "POST", "/v1/rigs/T01/visit", body, "Idempotency-Key", "visit-1").Is(200).Has("/items/1", all[1])
	again := h.Send("workshop", "POST", "/v1/rigs/T01/visit", body, "Idempotency-Key", "visit-1").Is(200).Has("/items/1", all[1])
	if a, b := first.Header.Get("Rigledger-Commit"), again.Header.Get("Rigledger-Commit"); a != b {
		t.Errorf("booked twice, in commits %s and %s", a, b)
	}
	for _, id := range two {
		h.Send("reader", "GET", "/v1/items/"+id, nil).Is(200).Has("/stage", "booked").Has("/booked_on", "2026-05-12").Has("/booked_for", "A. Example")
	}
	h.Send("reader", "GET", "/v1/items/"+all[2], nil).Is(200).Has("/stage", "raised")
}

// What was ticked and photographed is on record with the job, and who may see the rig sees it.
func TestAJobIsFinishedWithChecksAndPhotos(t *testing.T) {
	h := apitest.New(t)
	h.Register("T01", "north")
	h.Token("northern", fleet.RoleWorkshop, []string{"north"}, "")
	h.Token("southern", fleet.RoleWorkshop, []string{"south"}, "")
	h.Send("workshop", "POST", "/v1/rigs/T01/readings", apitest.Reading(h.Now(), 12, 80)).Is(200)
	h.Raise()
	item := "/v1/items/" + apitest.FilterItem + "1"
	check := h.Send("reader", "GET", item, nil).Is(200).At("/checklist/0").(string)
	photo := []byte("\xff\xd8\xff photo of a mesh")
	hash := h.Send("manager", "POST", "/v1/files?name=mesh.jpg", photo, "Content-Type", "image/jpeg").Is(201).At("/file").(string)
	h.Send("northern", "GET", "/v1/files/"+hash, nil).Is(404)
	h.Send("workshop", "POST", item+"/start", apitest.Obj{"by": "A. Example", "cautions_read": true}).Is(200)
	bad := h.Send("workshop", "POST", item+"/finish", apitest.Obj{"by": "A. Example", "checked": []string{check, "looked nice"}, "files": []string{hash, "none", ""}}).Is(422).Bad()
	if bad != "/checked/1 /files/1 /files/2" {
		t.Errorf("names %q", bad)
	}
	h.Send("workshop", "POST", item+"/finish", apitest.Obj{"by": "A. Example", "checked": []string{check}, "files": []string{hash}}).Is(200).
		Has("/finished/checked/0", check).Has("/finished/files/0", hash)
	h.Send("northern", "GET", "/v1/files/"+hash, nil).Is(200)
	h.Send("southern", "GET", "/v1/files/"+hash, nil).Is(404)
}
