package exchange_test

import (
	"strconv"
	"strings"
	"testing"
	"time"

	"rigledger/api/apitest"
)

// event is what a calendar says of one UID.
type event struct {
	status, place string
	sequence      int
	text          string
}

func calendarAt(h *apitest.House, path string) map[string]event {
	h.T.Helper()
	text := strings.ReplaceAll(string(h.Send("", "GET", path, nil).Is(200).Body), "\r\n ", "")
	list := map[string]event{}
	for _, part := range strings.Split(text, "BEGIN:VEVENT")[1:] {
		e := event{text: part}
		uid := ""
		for line := range strings.SplitSeq(part, "\r\n") {
			name, value, _ := strings.Cut(line, ":")
			switch name {
			case "UID":
				uid = value
			case "STATUS":
				e.status = value
			case "LOCATION":
				e.place = value
			case "SEQUENCE":
				e.sequence, _ = strconv.Atoi(value)
			}
		}
		list[uid] = e
	}
	return list
}

// allOff fails unless all that was listed before is listed as cancelled.
func allOff(t *testing.T, before, after map[string]event) {
	t.Helper()
	if len(before) < 5 {
		t.Fatalf("only %d events before", len(before))
	}
	for uid, b := range before {
		if a, ok := after[uid]; !ok || a.status != "CANCELLED" || a.sequence <= b.sequence {
			t.Errorf("%s was %s with sequence %d and is %+v", uid, b.status, b.sequence, a)
		}
	}
}

func TestARetiredRigsEventsAreCancelledAndDoNotVanish(t *testing.T) {
	h := apitest.New(t)
	h.Register("T01", "north")
	h.Send("manager", "POST", "/v1/rigs/T01/readings", apitest.Reading(h.Now().Add(-time.Hour), 101, 10)).Is(200)
	h.Raise()
	yard := h.Send("manager", "POST", "/v1/exchange/calendars", apitest.Obj{"name": "x", "yard": "north"}).Is(201).At("/address").(string)
	rig := h.Send("manager", "POST", "/v1/exchange/calendars", apitest.Obj{"name": "x", "rig": "T01"}).Is(201).At("/address").(string)
	beforeYard, beforeRig := calendarAt(h, yard), calendarAt(h, rig)
	h.Send("manager", "POST", "/v1/rigs/T01/retire", apitest.Obj{"reason": "sold"}).Is(200)
	allOff(t, beforeYard, calendarAt(h, yard))
	allOff(t, beforeRig, calendarAt(h, rig))
	for range 5 { // an instance that makes it anew, or another one, makes the same
		h.Send("manager", "POST", "/v1/exchange/calendars", apitest.Obj{"name": "y", "yard": "elsewhere"}).Is(201)
		first := h.Send("", "GET", yard, nil).Is(200)
		h.Send("manager", "POST", "/v1/exchange/calendars", apitest.Obj{"name": "y", "yard": "elsewhere"}).Is(201)
		if again := h.Send("", "GET", yard, nil).Is(200); string(again.Body) != string(first.Body) {
			t.Fatal("made twice, the calendar is not the same")
		}
	}
	h.Pass(61 * 24 * time.Hour)
	if left := calendarAt(h, yard); len(left) != 0 {
		t.Errorf("after 61 days %d events are left", len(left))
	}
}

func TestARigThatGoesToAnotherYardIsCancelledInTheCalendarOfItsFormerOne(t *testing.T) {
	h := apitest.New(t)
	h.Register("T01", "north")
	h.Send("manager", "POST", "/v1/rigs/T01/readings", apitest.Reading(h.Now().Add(-time.Hour), 101, 10)).Is(200)
	h.Raise()
	north := h.Send("manager", "POST", "/v1/exchange/calendars", apitest.Obj{"name": "x", "yard": "north"}).Is(201).At("/address").(string)
	before := calendarAt(h, north)
	h.Send("manager", "PATCH", "/v1/rigs/T01", apitest.Obj{"yard": "south"}, "If-Match", "*").Is(200)
	south := h.Send("manager", "POST", "/v1/exchange/calendars", apitest.Obj{"name": "y", "yard": "south"}).Is(201).At("/address").(string)
	allOff(t, before, calendarAt(h, north))
	for uid, e := range calendarAt(h, south) {
		if e.status == "CANCELLED" || e.place != "south" {
			t.Errorf("in the south %s is %+v", uid, e)
		}
	}

	// What the other yard does with it is not told to the former one.
	was := calendarAt(h, north)
	h.Pass(time.Hour)
	h.Send("manager", "POST", "/v1/items/"+apitest.FilterItem+"1/finish", apitest.Obj{"by": "B. Example"}).Is(200)
	h.Send("manager", "POST", "/v1/rigs/T01/readings", apitest.Reading(h.Now(), 101.5, 30)).Is(200)
	is := calendarAt(h, north)
	for uid, e := range is {
		if was[uid].text == "" {
			t.Errorf("%s came after the rig had left", uid)
		} else if e.sequence != was[uid].sequence || e.place != "north" || strings.Contains(e.text, "south") {
			t.Errorf("%s was %+v and is %+v", uid, was[uid], e)
		}
	}
	if len(is) != len(was) {
		t.Errorf("%d events became %d", len(was), len(is))
	}

	h.Send("manager", "PATCH", "/v1/rigs/T01", apitest.Obj{"yard": "north"}, "If-Match", "*").Is(200)
	for uid, e := range calendarAt(h, north) {
		if b, known := was[uid]; known && e.sequence <= b.sequence {
			t.Errorf("back again, %s has the sequence %d after %d", uid, e.sequence, b.sequence)
		}
	}
}
