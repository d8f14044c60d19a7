package feed_test

import (
	"fmt"
	"strings"
	"testing"

	"rigledger/api/apitest"
	"rigledger/fleet"
)

// A reader who is held to a yard, or follows one, keeps a mirror of it. He must
// hear that a rig has left, and of what changes his rigs without being about one;
// and nothing of what he may not see.
func TestAMirrorOfOneYardStaysTrue(t *testing.T) {
	h := apitest.New(t)
	h.Register("N01", "north")
	h.Register("N02", "north")
	h.Register("S01", "south")
	h.Token("held", fleet.RoleReader, []string{"north"}, "")
	h.Token("both", fleet.RoleReader, []string{"north", "south"}, "")
	h.Token("southern", fleet.RoleReader, []string{"south"}, "")
	from := h.Fleet.Head().N
	move := func(yard string) {
		h.Pass(1e9)
		h.Send("manager", "PATCH", "/v1/rigs/N02", apitest.Obj{"yard": yard, "name": "Secret of the " + yard}, "If-Match", "*").Is(200)
	}
	read := func(as, more string) (facts []string) {
		a := h.Send(as, "GET", fmt.Sprintf("/v1/feed?after=%d&limit=500%s", from, more), nil).Is(200)
		for i := range a.List("/facts") {
			at := fmt.Sprintf("/facts/%d", i)
			facts = append(facts, fmt.Sprint(a.At(at+"/kind"), " ", a.At(at+"/rig"), " ", a.At(at+"/fact"), " ", a.At(at+"/changes")))
		}
		return facts
	}
	wants := func(as, more string, want ...string) {
		t.Helper()
		got := read(as, more)
		if len(got) != len(want) {
			t.Errorf("%s%s reads %d facts, want %d: %q", as, more, len(got), len(want), got)
			return
		}
		for i := range want {
			for _, piece := range strings.Split(want[i], " … ") {
				if no, cut := strings.CutPrefix(piece, "not "); cut && strings.Contains(got[i], no) || !cut && !strings.Contains(got[i], piece) {
					t.Errorf("%s%s: fact %d is %q, want %q", as, more, i, got[i], piece)
				}
			}
		}
	}
	const gone = "rig.amended N02 map[rig:N02] [/v1/rigs/N02 /v1/items?rig=N02 … not Secret … not south"
	move("south")
	wants("held", "", gone)
	wants("held", "&rig=N01")
	wants("southern", "", "Secret of the south")
	wants("both", "&yard=north", "Secret of the south")
	wants("reader", "&yard=north", "Secret of the south")
	h.Send("held", "GET", "/v1/rigs/N02", nil).Is(404)
	h.Send("workshop", "POST", "/v1/defects", apitest.Obj{"rig": "N02", "text": "a southern matter"}).Is(201)
	wants("held", "", gone)
	move("west") // of no concern to north, and gone for south
	wants("held", "", gone)
	wants("southern", "", gone[:len(gone)-len(" … not south")])
	h.Send("manager", "PATCH", "/v1/rigs/N02", apitest.Obj{"name": "Elsewhere"}, "If-Match", "*").Is(200)
	wants("held", "", gone)
	move("north") // back: all of it is seen, as if it had never been away
	if got := read("held", ""); len(got) < 4 || !strings.Contains(strings.Join(got, " "), "a southern matter") {
		t.Errorf("of a rig that came back: %q", got)
	}

	from = h.Fleet.Head().N
	h.Send("manager", "POST", "/v1/yards/north/place", apitest.Obj{"place": "EU"}).Is(200)
	h.Send("manager", "POST", "/v1/yards/south/place", apitest.Obj{"place": "EU"}).Is(200)
	isle := "rules:\n  - {id: isle, place: Isle, name: The isle, kind: law, valid_from: 2000-01-01, first: {months: 12, from: first_use}, then: {months: 12}, source: common practice}\n"
	h.Send("manager", "POST", "/v1/intervals", apitest.Obj{"text": isle}).Is(201)
	h.Send("manager", "POST", "/v1/files?name=a.txt", []byte("for nobody else"), "Content-Type", "text/plain").Is(201)
	h.Token("another", fleet.RoleReader, nil, "")
	wants("held", "", "yard.placed <nil> … /v1/yards/north/place … /v1/rigs?yard=north", "intervals.published <nil> … /v1/intervals")
	wants("reader", "&yard=south", "/v1/yards/south/place", "intervals.published")
	wants("reader", "&rig=N01")
	for as, paths := range map[string][]string{"held": {"/v1/yards/north/place", "/v1/rigs?yard=north", "/v1/intervals"}} {
		for _, path := range paths {
			h.Send(as, "GET", path, nil).Is(200) // what is named can be had
		}
	}
}
