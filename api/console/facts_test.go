package console_test

import (
	"encoding/json"
	"fmt"
	"reflect"
	"regexp"
	"strings"
	"testing"

	"rigledger/api/console"
	"rigledger/events"
	"rigledger/fleet"
)

var tag = regexp.MustCompile(`<[^>]*>`)

const secretWord = "never-to-be-shown"

// TestEveryKindOfFactHasWords: a kind that the pages can only code would be read
// by people as "meter.read"; one without anything about it would not say whose.
func TestEveryKindOfFactHasWords(t *testing.T) {
	h := newHouse(t)
	h.register("T01", "north", nil)
	kinds := events.Kinds()
	if len(kinds) == 0 {
		t.Fatal("no kinds of fact")
	}
	seen := map[string]string{}
	for _, kind := range kinds {
		words := console.WordsOfKind(kind)
		if words == kind || strings.Contains(words, ".") {
			t.Errorf("%s has no words", kind)
		}
		if other := seen[words]; other != "" {
			t.Errorf("%s and %s are both %q", kind, other, words)
		}
		seen[words] = kind
		var what, about string
		h.fleet.View(func(s *fleet.State) { what, about, _ = console.Tell(s, filledFact(t, kind)) })
		if what == "" || what == kind || about == "" {
			t.Errorf("%s reads %q: %q", kind, what, about)
		}
		if strings.Contains(what+about, secretWord) {
			t.Errorf("%s tells its secret: %q: %q", kind, what, about)
		}
		h.fleet.View(func(s *fleet.State) { what, _, _ = console.Tell(s, emptyFact(t, kind)) })
		if what == "" {
			t.Errorf("an empty %s has no words", kind)
		}
	}
}

// emptyFact is a fact of a kind with nothing in it.
func emptyFact(t *testing.T, kind string) events.Fact {
	t.Helper()
	var e events.Entry
	if err := json.Unmarshal(fmt.Appendf(nil, `{"kind":%q,"at":"2026-05-04T09:00:00Z","by":"Ana","fact":{}}`, kind), &e); err != nil {
		t.Fatal(err)
	}
	return e.Fact
}

// filledFact is one with something in every field; it is about rig T01.
func filledFact(t *testing.T, kind string) events.Fact {
	t.Helper()
	f := emptyFact(t, kind)
	fillFact(reflect.ValueOf(f).Elem(), "")
	if table, ok := f.(*events.IntervalsPublished); ok {
		table.Text = "rules:\n  - {id: isle, place: Isle, name: The isle, kind: law, valid_from: 2000-01-01, first: {months: 12, from: first_use}, then: {months: 12}, source: common practice}\n"
	}
	return f
}

func fillFact(v reflect.Value, name string) {
	switch v.Kind() {
	case reflect.String:
		switch name {
		case "Rig":
			v.SetString("T01")
		case "Meter":
			v.SetString("pump")
		case "Quantity":
			v.SetString("hours")
		case "Secret", "Hash", "Key", "Print", "Digest":
			v.SetString(secretWord)
		default:
			v.SetString("some " + name)
		}
	case reflect.Int, reflect.Int64:
		v.SetInt(7200)
	case reflect.Uint8:
		v.SetUint(7)
	case reflect.Float64:
		v.SetFloat(1.5)
	case reflect.Bool:
		v.SetBool(true)
	case reflect.Pointer:
		v.Set(reflect.New(v.Type().Elem()))
		fillFact(v.Elem(), name)
	case reflect.Slice:
		v.Set(reflect.MakeSlice(v.Type(), 2, 2))
		for i := range 2 {
			fillFact(v.Index(i), name)
		}
	case reflect.Struct:
		for i := range v.NumField() {
			fillFact(v.Field(i), v.Type().Field(i).Name)
		}
	}
}

// TestFactsAreToldInNames walks through what a rig goes through, and reads it on
// its page, in the ledger and in its record.
func TestFactsAreToldInNames(t *testing.T) {
	h := newHouse(t)
	h.register("T01", "north", nil)
	h.hours("T01", h.now(), 60)
	h.raise()
	var job, title string
	h.fleet.View(func(s *fleet.State) {
		for _, id := range s.Rigs["T01"].Open {
			if it := s.Items[id]; it.Part != "T01" {
				job, title = id, s.PlanOf(fleet.PlanRef{Plan: it.Plan, Version: it.Version}).Task(it.Task).Title+" ("+s.Parts[it.Part].Name+")"
				break
			}
		}
	})
	if job == "" {
		t.Fatal("no job of a part came on the list")
	}
	h.send("workshop", "POST", "/v1/items/"+job+"/finish", obj{"by": "Rae", "minutes": 90, "findings": "mesh torn", "parts": []obj{{"sku": "F-12", "count": 2}}, "cost": obj{"amount": "18.40", "currency": "EUR"}})
	h.send("workshop", "POST", "/v1/rigs/T01/parts/T01-gauge/remove", obj{"reason": "glass broken", "scrapped": true})
	booking := h.send("manager", "POST", "/v1/bookings", obj{"rig": "T01", "from": "2026-05-20", "to": "2026-05-21", "hours": 12, "note": "beet"})
	h.send("manager", "POST", "/v1/bookings/"+booking["booking"].(string)+"/cancel", obj{"reason": "rain"})
	h.send("workshop", "POST", "/v1/inspections", obj{"rig": "T01", "tester": "B. Bench", "sheet": obj{"measured": obj{"gauge_error": obj{"readings": []obj{{"master_bar": 1.5, "gauge_bar": 1.8}}}}}})

	done := title + "; Rae; mesh torn; 1 h 30 min; parts used: 2 × F-12; cost 18.40 EUR"
	judged := "fail; own check; B. Bench; not passed: Pressure gauge against a master"
	v := h.visit("manager")
	for path, wants := range map[string][]string{
		"/rigs/T01":                   {"Job done", done, "Part removed and scrapped", "Pressure gauge; glass broken", "Booking taken back", "; rain", "Inspection judged", judged},
		"/ledger":                     {"Job done", done, "Part removed and scrapped", "Pressure gauge; glass broken", "Booking taken back", "; rain", "Inspection judged", judged},
		"/rigs/T01/record":            {"Job done", done, "Part removed and scrapped", "Pressure gauge; glass broken", "Inspection judged", judged},
		"/parts/" + partOf(t, h, job): {"Job done", done},
		"/parts/T01-gauge":            {"Part removed and scrapped", "Pressure gauge; glass broken"},
	} {
		page := v.get(path).is(200).has(wants...)
		for _, code := range []string{"gauge_error", job} {
			if seen := tag.ReplaceAllString(page.text, ""); strings.Contains(seen, code) {
				t.Errorf("%s shows people %q", path, code)
			}
		}
	}
}

func partOf(t *testing.T, h *house, item string) (part string) {
	t.Helper()
	h.fleet.View(func(s *fleet.State) { part = s.Items[item].Part })
	return part
}
