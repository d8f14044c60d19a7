package console_test

import (
	"fmt"
	"strconv"
	"strings"
	"testing"
	"time"

	"rigledger/fleet"
)

// commitOf is the number of the commit that registered a rig.
func (h *house) commitOf(rig string) (n string) {
	h.fleet.View(func(s *fleet.State) { n = strconv.FormatUint(s.Rigs[rig].Timeline[0].N, 10) })
	return n
}

func TestACommitIsShownByItsNumber(t *testing.T) {
	h := newHouse(t)
	h.register("T01", "north", nil)
	h.hours("T01", h.now().Add(-24*time.Hour), 40)
	h.send("manager", "POST", "/v1/defects", obj{"rig": "T01", "text": "hose chafed", "safety": true})
	head := h.fleet.Head()
	v := h.visit("manager")
	at := "/ledger/commits/" + strconv.FormatUint(head.N, 10)
	page := v.get(at).is(200)
	checkHTML(t, at, page.text)
	page.has(head.Hash.String(), "Safety defect reported", "hose chafed", "the newest", fmt.Sprintf(`href="/ledger/commits/%d"`, head.N-1)).hasNot(`rel="next"`)
	before := v.get(fmt.Sprintf("/ledger/commits/%d", head.N-1)).is(200).has("Counters read", "pump 40.00 h", "24 hours late", fmt.Sprintf(`href="/ledger/commits/%d" rel="next"`, head.N))
	_, hash, _ := strings.Cut(page.text, `<dt>The one before</dt><dd class="code">`)
	hash, _, _ = strings.Cut(hash, "<")
	before.has(`<dt>Its hash</dt><dd class="code">` + hash)
	v.get("/ledger/commits/1").is(200).has("none, it is the first").hasNot(`rel="prev"`)
	for _, none := range []string{"0", "x", "-1", "1e3", strconv.FormatUint(head.N+1, 10), "99999999999999999999"} {
		v.get("/ledger/commits/" + none).is(404)
	}
	// All of a commit's facts are on its page, however many.
	all := v.get("/ledger/commits/" + h.commitOf("T01")).is(200)
	if n := strings.Count(all.text, "<b>Part fitted</b>"); n < 15 {
		t.Errorf("%d parts are on the page", n)
	}
}

// TestACommitShowsItsReaderNoMoreThanTheFeed: other yards' commits are not there,
// nor is who was let in.
func TestACommitShowsItsReaderNoMoreThanTheFeed(t *testing.T) {
	h := newHouse(t)
	h.register("T01", "north", nil)
	h.register("T02", "south", nil)
	h.send("manager", "POST", "/v1/defects", obj{"rig": "T02", "text": "hose chafed", "safety": true})
	h.register("T03", "north", obj{"name": "High meadow"})
	h.token("southern", fleet.RoleReader, []string{"south"})
	southern, reader, operator, manager := h.visit("southern"), h.visit("reader"), h.visit("operator"), h.visit("manager")
	for _, rig := range []string{"T01", "T03"} {
		southern.get("/ledger/commits/"+h.commitOf(rig)).is(404).hasNot("Low meadow", "High meadow", rig)
	}
	own := southern.get("/ledger/commits/" + h.commitOf("T02")).is(200).has("T02")
	own.hasNot("T01", "T03", "/ledger/commits/"+h.commitOf("T01"), "/ledger/commits/"+h.commitOf("T03"))
	newest := h.fleet.Head().N // the token's own
	at := "/ledger/commits/" + strconv.FormatUint(newest, 10)
	manager.get(at).is(200).has("Token made", "southern")
	for _, v := range []*visitor{southern, reader, operator} {
		v.get(at).is(404).hasNot("Token made")
	}
	// What is about no rig is not for operators; what is about one of theirs is.
	operator.get("/ledger/commits/1").is(404)
	operator.get("/ledger/commits/" + h.commitOf("T01")).is(200).has("Rig registered")
	operator.get("/rigs/T01").is(200).has("/ledger/commits/" + h.commitOf("T01"))
	h.visit("").get(at).is(200).hasNot("southern<", "Token made")
}
