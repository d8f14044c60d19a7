package rigs_test

import (
	"strings"
	"testing"
	"time"

	"rigledger/api/apitest"
	"rigledger/fleet"
)

// What a part counts on another yard's rig, and what is said of it there, is
// nothing to the yard that it left.
func TestAPartThatWentToAnotherYardStaysAsItLeft(t *testing.T) {
	h := apitest.New(t)
	h.Register("N1", "north")
	h.Register("S1", "south")
	h.Token("north", fleet.RoleReader, []string{"north"}, "")
	h.Send("manager", "POST", "/v1/rigs/N1/readings", apitest.Reading(h.Now(), 19, 93)).Is(200)
	h.Pass(time.Hour)
	h.Send("manager", "POST", "/v1/rigs/N1/parts/N1-pump/remove", apitest.Obj{"reason": "to the south"}).Is(200)
	left := func() apitest.Answer {
		t.Helper()
		return h.Send("north", "GET", "/v1/rigs/N1/parts?left=true", nil).Is(200).Has("/parts/0/part", "N1-pump")
	}
	before := string(left().Body)

	h.Send("manager", "POST", "/v1/rigs/S1/parts/S1-pump/remove", apitest.Obj{"reason": "worn", "scrapped": true}).Is(200)
	h.Pass(time.Hour)
	h.Send("manager", "POST", "/v1/rigs/S1/parts", apitest.Obj{"position": "pump", "part": "N1-pump", "serial": "renamed-there"}).Is(201)
	h.Pass(100 * time.Hour)
	h.Send("manager", "POST", "/v1/rigs/S1/readings", apitest.Reading(h.Now(), 100, 500)).Is(200)
	if after := string(left().Body); after != before {
		t.Errorf("it left as\n%s\nand shows now\n%s", before, after)
	}
	h.Send("north", "GET", "/v1/parts/N1-pump", nil).Is(404)
	if all := h.Send("reader", "GET", "/v1/rigs/N1/parts?left=true", nil).Is(200).Has("/parts/0/rig", "S1"); all.At("/parts/0/totals/hours").(float64) < 100 {
		t.Errorf("who sees both yards sees %s", all.Body)
	}

	h.Send("manager", "POST", "/v1/rigs/S1/parts/N1-pump/remove", apitest.Obj{"reason": "worn out", "scrapped": true}).Is(200)
	if after := string(left().Body); after != before {
		t.Errorf("scrapped by the other yard, it shows\n%s", after)
	}
}

// Whether an id is of a part that is not there, or not for the caller to know of,
// must not be told from the answer.
func TestAPartOfAnotherYardIsRefusedAsOneThatIsNotThere(t *testing.T) {
	h := apitest.New(t)
	h.Register("N1", "north")
	h.Register("ZZ1", "south")
	h.Token("north", fleet.RoleWorkshop, []string{"north"}, "")
	for name, body := range map[string]apitest.Obj{
		"the position is taken":   {"position": "pump"},
		"the position is unknown": {"position": "roof"},
		"the position is missing": {},
		"it brings usage":         {"position": "pump", "carried": apitest.Obj{"hours": 3}},
		"its kind is another":     {"position": "pump", "kind": "nozzle-set"},
		"it lies in the future":   {"position": "pump", "at": "2027-01-01T00:00:00Z"},
	} {
		ask := func(part string) string {
			body["part"] = part
			a := h.Send("north", "POST", "/v1/rigs/N1/parts", body)
			if a.Status < 400 {
				t.Fatalf("%s: answered %d", name, a.Status)
			}
			text, _, _ := strings.Cut(string(a.Body), `"request"`)
			return strings.ReplaceAll(text, part, "it")
		}
		if hidden, none := ask("ZZ1-pump"), ask("ZZ9-pump"); hidden != none {
			t.Errorf("%s: of a part of another yard\n%s\nof none\n%s", name, hidden, none)
		}
		if hidden, none := ask("ZZ1"), ask("ZZ9"); hidden != none {
			t.Errorf("%s: of a rig of another yard\n%s\nof none\n%s", name, hidden, none)
		}
	}
	h.Send("manager", "POST", "/v1/rigs/N1/parts/N1-pump/remove", apitest.Obj{"reason": "worn"}).Is(200)
	h.Send("north", "POST", "/v1/rigs/N1/parts", apitest.Obj{"position": "pump", "part": "ZZ1-pump"}).Is(409)
	h.Send("north", "POST", "/v1/rigs/N1/parts", apitest.Obj{"position": "pump", "part": "N1-pump"}).Is(201)
}
