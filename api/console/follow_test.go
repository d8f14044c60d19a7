package console_test

import (
	"strings"
	"testing"
)

// TestWhichPagesFollowTheLedger: as the README says. What somebody has filled in,
// or keeps as it was, is not made anew under his hands.
func TestWhichPagesFollowTheLedger(t *testing.T) {
	h := newHouse(t)
	h.register("T01", "north", nil)
	h.worked("T01", 30, 4)
	h.raise()
	item := h.send("manager", "GET", "/v1/items?rig=T01&limit=1", nil)["items"].([]any)[0].(obj)["item"].(string)
	v := h.visit("manager")
	for path, follows := range map[string]bool{
		"/": true, "/season": true, "/workshop": true, "/bay": true, "/intake": true, "/ledger": true, "/rigs/T01": true, "/start/T01": true, "/items/" + item: true,
		"/ledger?before=9": false, "/ledger/commits/1": false, "/rigs/T01/record": false, "/bay/T01/calibration": false, "/parts/T01-pump": false, "/access": false,
	} {
		if page := v.get(path).is(200); strings.Contains(page.text, " data-live") != follows {
			t.Errorf("%s follows the ledger: %v, want %v", path, !follows, follows)
		}
	}
	// A page with a refused form waits for the person.
	at := "/rigs/T01"
	refused := v.fill(v.get(at), at, "defect", map[string]string{"s:/text": ""})
	if refused.status == 303 { // refusals may be shown on a page of their own
		refused = v.get(refused.header.Get("Location"))
	}
	refused.has(`id="wrong"`).hasNot(" data-live")
}
