package call_test

import (
	"fmt"
	"net/url"
	"slices"
	"strings"
	"testing"
	"time"

	"rigledger/api/apitest"
)

// walk reads a list page by page through its links and gives one member of each
// entry; between is called after each page.
func walk(h *apitest.House, path, list, member string, between func()) (seen []string) {
	h.T.Helper()
	for pages := 0; path != ""; pages++ {
		if pages > 100 {
			h.T.Fatal("the list does not end")
		}
		a := h.Send("reader", "GET", path, nil).Is(200)
		seen = append(seen, a.Names("/"+list, member)...)
		path = ""
		if next, ok := a.At("/next").(string); ok {
			link := a.Header.Get("Link")
			if !strings.HasSuffix(link, `>; rel="next"`) || !strings.Contains(link, url.QueryEscape(next)) {
				h.T.Fatalf("Link is %q", link)
			}
			path = link[1:strings.Index(link, ">")]
		} else if a.Header.Get("Link") != "" {
			h.T.Fatal("a link on the last page")
		}
		between()
	}
	return seen
}

func TestPagesNeitherRepeatNorSkipUnderWrites(t *testing.T) {
	h := apitest.New(t)
	for i := range 7 {
		h.Register(fmt.Sprintf("T%02d", i*2+1), "north")
		h.Send("operator", "POST", "/v1/defects", apitest.Obj{"rig": fmt.Sprintf("T%02d", i*2+1), "text": "drip", "at": h.Now().Add(time.Duration(-i) * time.Hour)}).Is(201)
		h.Send("manager", "POST", fmt.Sprintf("/v1/rigs/T%02d/readings", i*2+1), apitest.Reading(h.Now().Add(-time.Hour), 12.5, 20)).Is(200)
		h.Send("manager", "POST", fmt.Sprintf("/v1/rigs/T%02d/readings", i*2+1), apitest.Reading(h.Now().Add(-time.Minute), 1, 20.5)).Is(202)
	}
	h.Raise()
	n := 0
	between := func() { // new ones come, old ones change and end
		n++
		h.Pass(time.Second)
		code := fmt.Sprintf("U%02d", n)
		h.Send("manager", "POST", "/v1/rigs", apitest.RigBody(code, "north")).Is(201)
		h.Send("operator", "POST", "/v1/defects", apitest.Obj{"rig": code, "text": "drip"}).Is(201)
		h.Send("manager", "PATCH", "/v1/rigs/T01", apitest.Obj{"name": code}, "If-Match", "*").Is(200)
		h.Raise()
	}
	for _, c := range []struct{ path, list, member string }{
		{"/v1/rigs?limit=2", "rigs", "rig"},
		{"/v1/defects?limit=2", "defects", "defect"},
		{"/v1/items?limit=40&yard=north", "items", "item"},
		{"/v1/quarantine?limit=3", "quarantine", "quarantine"},
		{"/v1/rigs/T01/timeline?limit=20", "timeline", "commit"},
		{"/v1/rigs/T01/parts?limit=9", "parts", "part"},
		{"/v1/plans?limit=1", "plans", "plan"},
	} {
		t.Run(c.list, func(t *testing.T) {
			h.T = t
			before := walk(h, strings.Replace(c.path, "limit=", "limit=500&x=", 1)[:strings.Index(c.path, "?")]+"?limit=500", c.list, c.member, func() {})
			seen := walk(h, c.path, c.list, c.member, between)
			if c.member != "commit" { // one commit has several facts
				sorted := slices.Clone(seen)
				slices.Sort(sorted)
				if len(slices.Compact(sorted)) != len(seen) {
					t.Fatalf("something came twice: %v", seen)
				}
			}
			at := 0 // what was there at first comes in the same order
			for _, s := range seen {
				if at < len(before) && s == before[at] {
					at++
				}
			}
			if at != len(before) {
				t.Fatalf("of %v only %d came in order: %v", before, at, seen)
			}
		})
	}
	h.T = t
	a := h.Send("reader", "GET", "/v1/rigs?limit=2&yard=north", nil).Is(200)
	cursor := a.At("/next").(string)
	h.Send("reader", "GET", "/v1/rigs?limit=2&yard=south&cursor="+cursor, nil).Is(422)
	h.Send("reader", "GET", "/v1/items?cursor="+cursor, nil).Is(422)
	h.Send("reader", "GET", "/v1/rigs?limit=9&yard=north&cursor="+cursor, nil).Is(200)
}

func TestReadingsArePagedByTime(t *testing.T) {
	h := apitest.New(t)
	h.Register("T01", "north")
	var list []apitest.Obj
	for i := range 30 {
		list = append(list, apitest.Reading(apitest.Morning.Add(time.Duration(i-40)*time.Hour), float64(i), float64(i)))
	}
	h.Send("manager", "POST", "/v1/rigs/T01/readings", list).Is(200)
	times := walk(h, "/v1/rigs/T01/readings?limit=7", "readings", "time", func() {})
	if len(times) != 60 || !slices.IsSorted(times) {
		t.Fatalf("%d readings: %v", len(times), times)
	}
}
