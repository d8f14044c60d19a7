package api

import (
	"fmt"
	"net/url"
	"slices"
	"strings"
	"testing"
	"time"
)

// walk reads a list page by page through its links and gives one member of each
// entry; between is called after each page.
func walk(h *house, path, list, member string, between func()) (seen []string) {
	h.t.Helper()
	for pages := 0; path != ""; pages++ {
		if pages > 100 {
			h.t.Fatal("the list does not end")
		}
		a := h.send("reader", "GET", path, nil).is(200)
		seen = append(seen, a.names("/"+list, member)...)
		path = ""
		if next, ok := a.at("/next").(string); ok {
			link := a.header.Get("Link")
			if !strings.HasSuffix(link, `>; rel="next"`) || !strings.Contains(link, url.QueryEscape(next)) {
				h.t.Fatalf("Link is %q", link)
			}
			path = link[1:strings.Index(link, ">")]
		} else if a.header.Get("Link") != "" {
			h.t.Fatal("a link on the last page")
		}
		between()
	}
	return seen
}

func TestPagesNeitherRepeatNorSkipUnderWrites(t *testing.T) {
	h := newHouse(t)
	for i := range 7 {
		h.register(fmt.Sprintf("T%02d", i*2+1), "north")
		h.send("operator", "POST", "/v1/defects", obj{"rig": fmt.Sprintf("T%02d", i*2+1), "text": "drip", "at": h.now().Add(time.Duration(-i) * time.Hour)}).is(201)
		h.send("manager", "POST", fmt.Sprintf("/v1/rigs/T%02d/readings", i*2+1), reading(h.now().Add(-time.Hour), 12.5, 20)).is(200)
		h.send("manager", "POST", fmt.Sprintf("/v1/rigs/T%02d/readings", i*2+1), reading(h.now().Add(-time.Minute), 1, 20.5)).is(202)
	}
	h.raise()
	n := 0
	between := func() { // new ones come, old ones change and end
		n++
		h.pass(time.Second)
		code := fmt.Sprintf("U%02d", n)
		h.send("manager", "POST", "/v1/rigs", rigBody(code, "north")).is(201)
		h.send("operator", "POST", "/v1/defects", obj{"rig": code, "text": "drip"}).is(201)
		h.send("manager", "PATCH", "/v1/rigs/T01", obj{"name": code}, "If-Match", "*").is(200)
		h.raise()
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
			h.t = t
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
	h.t = t
	a := h.send("reader", "GET", "/v1/rigs?limit=2&yard=north", nil).is(200)
	cursor := a.at("/next").(string)
	h.send("reader", "GET", "/v1/rigs?limit=2&yard=south&cursor="+cursor, nil).is(422)
	h.send("reader", "GET", "/v1/items?cursor="+cursor, nil).is(422)
	h.send("reader", "GET", "/v1/rigs?limit=9&yard=north&cursor="+cursor, nil).is(200)
}

func TestReadingsArePagedByTime(t *testing.T) {
	h := newHouse(t)
	h.register("T01", "north")
	var list []obj
	for i := range 30 {
		list = append(list, reading(theMorning.Add(time.Duration(i-40)*time.Hour), float64(i), float64(i)))
	}
	h.send("manager", "POST", "/v1/rigs/T01/readings", list).is(200)
	times := walk(h, "/v1/rigs/T01/readings?limit=7", "readings", "time", func() {})
	if len(times) != 60 || !slices.IsSorted(times) {
		t.Fatalf("%d readings: %v", len(times), times)
	}
}
