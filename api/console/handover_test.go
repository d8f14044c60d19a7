package console_test

import (
	"reflect"
	"regexp"
	"strings"
	"testing"
	"time"
)

// Fields of a rig that need not be there can be emptied on its page; those that
// must be there say so at the field.
func TestARigsFieldsCanBeEmptied(t *testing.T) {
	h := newHouse(t)
	h.register("T01", "north", obj{"serial": "S-17", "first_use": "2025-03-01"})
	v := h.visit("manager")
	at := "/rigs/T01"
	page := v.get(at).is(200)
	v.fill(page, at, "amend", map[string]string{"n:/width_m": ""}).is(422).has(`id="amend-n-width_m-wrong"`, "This cannot be left empty.")
	v.fill(page, at, "amend", map[string]string{"s:/name": ""}).is(422).has(`id="amend-s-name-wrong"`)
	v.fill(page, at, "amend", map[string]string{"s:/serial": "", "d:/first_use": ""}).is(303)
	got := h.send("manager", "GET", "/v1/rigs/T01", nil)
	for _, member := range []string{"serial", "first_use"} {
		if text, _ := got[member].(string); text != "" {
			t.Errorf("%s is still %q", member, text)
		}
	}
	if got["name"] != "Low meadow" || got["width_m"] != 24.0 {
		t.Errorf("what was not emptied changed: %v, %v m", got["name"], got["width_m"])
	}
}

// Who washed the rig signs it over on its page, before any job is opened.
func TestARigIsHandedOverOnItsPage(t *testing.T) {
	h, item := aJob(t, "flow-meter-check")
	v := h.visit("operator")
	page := v.get("/rigs/T01").is(200).has("It was never handed over clean", `data-form="handover"`)
	v.fill(page, "/rigs/T01", "handover", map[string]string{"b:/rinsed": "true", "l:/last_products": "water only", "s:/signed_by": "Ona"}).is(422).
		has(`id="handover" open`, `id="handover-b-washed_outside-wrong"`, `value="Ona"`)
	v.fill(page, "/rigs/T01", "handover", map[string]string{"b:/rinsed": "true", "b:/washed_outside": "true", "l:/last_products": "water only", "s:/signed_by": "Ona"}).is(303)
	v.get("/rigs/T01").is(200).has("Last handed over clean", "signed by Ona", "water only").hasNot("It worked since")
	h.visit("workshop").get("/items/" + item).is(200).has(`data-form="start"`).hasNot(`data-form="handover"`)
	h.visit("reader").get("/rigs/T01").is(200).hasNot(`data-form="handover"`)
}

func TestOtherWorkIsSaidOnTheRigsPage(t *testing.T) {
	h := newHouse(t)
	h.register("T01", "north", nil)
	v := h.visit("manager")
	page := v.get("/rigs/T01").is(200)
	v.fill(page, "/rigs/T01", "work", map[string]string{"d:/date": ""}).is(422).has(`id="work-changed" open`, `id="work-d-date-wrong"`)
	v.fill(page, "/rigs/T01", "work", map[string]string{"d:/date": onDay(-3), "s:/note": "orchards"}).is(303)
	v.get("/rigs/T01").is(200).has("Other work is on record", `It does other work since <time datetime="`+onDay(-3))
	h.visit("workshop").get("/rigs/T01").is(200).hasNot(`data-form="work"`)
}

// What was done by mistake is taken back where it was done, by a fact of its own.
func TestTheWayBackIsOfferedWhereThereIsOne(t *testing.T) {
	h := newHouse(t)
	h.register("T01", "north", nil)
	v := h.visit("manager")
	takeBack := func(at string) {
		t.Helper()
		page := v.get(at).is(200).has(`data-form="undo"`)
		v.fill(page, at, "undo", nil).is(303)
	}
	t.Run("a booking that was cancelled is made again as it was", func(t *testing.T) {
		note := "beet" + strings.Repeat(" & ж", 98) // as long as a note may be
		made := h.send("manager", "POST", "/v1/bookings", obj{"rig": "T01", "from": onDay(1), "to": onDay(3), "hectares": 120.5, "note": note})
		form := "cancel-" + made["booking"].(string)
		v.fill(v.get("/season").is(200), "/season", form, nil).is(303)
		takeBack("/season?weeks=6")
		all := h.send("manager", "GET", "/v1/bookings", nil)["bookings"].([]any)
		got := all[len(all)-1].(obj)
		for member, want := range map[string]any{"rig": "T01", "from": onDay(1), "to": onDay(3), "hectares": 120.5, "note": note} {
			if got[member] != want {
				t.Errorf("%s is %v, want %v", member, got[member], want)
			}
		}
	})
	t.Run("a swap of a counter", func(t *testing.T) {
		h.worked("T01", 3, 4)
		before := h.send("manager", "GET", "/v1/rigs/T01", nil)["totals"]
		page := v.get("/rigs/T01").is(200).hasNot(`data-form="unswap-pump"`)
		v.fill(page, "/rigs/T01", "swap-pump", map[string]string{"n:/last": "20", "n:/start": "3", "s:/reason": "slip of the pen"}).is(303)
		page = v.get("/rigs/T01").is(200).has(`data-form="unswap-pump"`).hasNot(`data-form="unswap-area"`)
		at := regexp.MustCompile(`(?s)id="unswap-pump-s-at".*?<option value="([^"]+)"`).FindStringSubmatch(page.text)
		if at == nil {
			t.Fatal("the swap is not offered")
		}
		v.fill(page, "/rigs/T01", "unswap-pump", map[string]string{"s:/at": at[1]}).is(422).has(`id="unswap-pump-why" open`, `id="unswap-pump-s-reason-wrong"`)
		v.fill(page, "/rigs/T01", "unswap-pump", map[string]string{"s:/at": at[1], "s:/reason": "another rig"}).is(303)
		if after := h.send("manager", "GET", "/v1/rigs/T01", nil)["totals"]; !reflect.DeepEqual(after, before) {
			t.Errorf("the totals are %v, were %v", after, before)
		}
	})
	t.Run("no swap is offered to be taken back while the readings since are of another counter", func(t *testing.T) {
		h.register("T02", "north", obj{"meters": []obj{{"meter": "pump", "quantity": "hours", "value": 280}}})
		h.hours("T02", h.now().Add(-48*time.Hour), 300)
		v.fill(v.get("/rigs/T02").is(200), "/rigs/T02", "swap-pump", map[string]string{"n:/start": "0", "s:/reason": "display replaced"}).is(303)
		h.pass(time.Hour)
		h.hours("T02", h.now(), 0.5)
		v.get("/rigs/T02").is(200).has("do not go on from the old counter", "Void those of the mistaken counter first").hasNot(`data-form="unswap-pump"`)
		h.send("manager", "POST", "/v1/rigs/T02/readings/void", obj{"meter": "pump", "at": h.now().Format(time.RFC3339Nano), "reason": "of the mistaken counter"})
		v.get("/rigs/T02").is(200).has(`data-form="unswap-pump"`).hasNot("do not go on from the old counter")
	})
	t.Run("another plan gives way to the one before in its version", func(t *testing.T) {
		before := h.send("manager", "GET", "/v1/rigs/T01", nil)["plan"]
		other := ""
		for _, p := range h.send("manager", "GET", "/v1/plans", nil)["plans"].([]any) {
			if name := p.(obj)["plan"].(string); name != "trailed-boom" {
				other = name
			}
		}
		v.fill(v.get("/rigs/T01").is(200), "/rigs/T01", "adopt", map[string]string{"s:/plan": other}).is(303)
		takeBack("/rigs/T01")
		if after := h.send("manager", "GET", "/v1/rigs/T01", nil)["plan"]; !reflect.DeepEqual(after, before) {
			t.Errorf("the plan is %v, was %v", after, before)
		}
	})
}
