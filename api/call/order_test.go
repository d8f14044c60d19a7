package call_test

import (
	"context"
	"encoding/json"
	"fmt"
	"net/http/httptest"
	"net/url"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"rigledger/api/apitest"
	"rigledger/events"
	"rigledger/fleet"
)

// aYardFull makes a house with something in every list.
func aYardFull(t testing.TB, rigs int) *apitest.House {
	h := apitest.New(t)
	for i := range rigs {
		code := fmt.Sprintf("T%02d", i)
		h.Register(code, []string{"north", "south"}[i%2])
		h.Pass(time.Minute)
		hours := float64((i * 37) % 90)
		h.Send("workshop", "POST", "/v1/rigs/"+code+"/readings", apitest.Reading(h.Now().Add(-30*time.Second), hours/100, hours)).Is(200)
		if i%3 == 0 {
			h.Send("operator", "POST", "/v1/defects", apitest.Obj{"rig": code, "text": "drip", "safety": i%2 == 0, "at": h.Now().Add(-time.Duration(i*i%7) * time.Hour)}).Is(201)
		}
		cert := apitest.Obj{"rig": code, "number": fmt.Sprint(i), "tester": "L. Licensed", "inspected": "2024-06-15"}
		if i%4 > 0 {
			cert["expires"] = fmt.Sprintf("2027-%02d-01", 1+i*5%12)
		}
		h.Send("workshop", "POST", "/v1/certificates", cert).Is(201)
		h.Send("workshop", "POST", "/v1/inspections", apitest.Obj{"rig": code, "tester": "B. Bench", "sheet": apitest.Obj{"measured": apitest.Obj{"gauge_error": apitest.Obj{"readings": []apitest.Obj{{"master_bar": 1.5, "gauge_bar": 1.5}}}}}}).Is(201)
		h.Send("manager", "POST", "/v1/bookings", apitest.Obj{"rig": code, "from": fmt.Sprintf("2026-06-%02d", 1+i*11%28), "to": "2026-07-03", "hectares": 40}).Is(201)
	}
	h.Raise()
	return h
}

func TestListsComeInTheOrderAskedFor(t *testing.T) {
	h := aYardFull(t, 9)
	all := func(path, list, member string) []string {
		t.Helper()
		return walk(h, path, list, member, func() {})
	}
	sortedBy := func(path, list, pointer string, less func(a, b any) int) {
		t.Helper()
		rows := h.Send("reader", "GET", path, nil).Is(200).List("/" + list)
		if len(rows) < 3 {
			t.Fatalf("%s: %d rows", path, len(rows))
		}
		get := func(row any) any {
			for _, name := range strings.Split(pointer, "/") {
				m, _ := row.(map[string]any)
				row = m[name]
			}
			return row
		}
		for i := 1; i < len(rows); i++ {
			if less(get(rows[i-1]), get(rows[i])) > 0 {
				t.Errorf("%s: %v comes before %v", path, get(rows[i-1]), get(rows[i]))
			}
		}
	}
	text := func(a, b any) int { return strings.Compare(fmt.Sprint(a), fmt.Sprint(b)) }
	dates := func(a, b any) int { // none comes last
		if a == nil {
			a = "9999"
		}
		if b == nil {
			b = "9999"
		}
		return text(a, b)
	}
	of := func(words ...string) func(a, b any) int {
		return func(a, b any) int {
			return slices.Index(words, fmt.Sprint(a)) - slices.Index(words, fmt.Sprint(b))
		}
	}
	sortedBy("/v1/rigs?limit=500", "rigs", "rig", text)
	sortedBy("/v1/rigs?limit=500&sort=-hours", "rigs", "totals/pump/hours", func(a, b any) int {
		if a.(float64) < b.(float64) {
			return 1
		}
		return -1
	})
	sortedBy("/v1/rigs?sort=fitness", "rigs", "fitness/state", of("do not use", "fit with advisories", "fit"))
	sortedBy("/v1/items?limit=500&sort=pressing", "items", "status", of("overdue", "due", "soon", "ok"))
	sortedBy("/v1/items?limit=500&sort=due", "items", "due/date", dates)
	sortedBy("/v1/items?limit=500&sort=rig", "items", "rig", text)
	sortedBy("/v1/items?limit=500", "items", "raised_at", text)
	sortedBy("/v1/defects?sort=-reported", "defects", "reported_at", func(a, b any) int { return text(b, a) })
	sortedBy("/v1/defects?sort=reported", "defects", "reported_at", text)
	sortedBy("/v1/inspections?sort=-recorded", "inspections", "recorded", func(a, b any) int { return text(b, a) })
	sortedBy("/v1/certificates?sort=expires", "certificates", "expires", dates)
	sortedBy("/v1/bookings?sort=from", "bookings", "from", text)
	sortedBy("/v1/bookings?sort=rig", "bookings", "rig", text)
	// What is next on a rig is its first line, so the rigs come as their lines would.
	var next []string
	for _, code := range all("/v1/rigs?sort=next_due&limit=2", "rigs", "rig") {
		next = append(next, h.Send("reader", "GET", "/v1/rigs/"+code, nil).Is(200).At("/next_due/0/status").(string))
	}
	if !slices.IsSortedFunc(next, func(a, b string) int { return of("overdue", "due", "soon", "ok")(a, b) }) {
		t.Errorf("next due: %v", next)
	}

	// A cursor belongs to its order, and an order that is not known is named.
	cursor := h.Send("reader", "GET", "/v1/rigs?limit=2&sort=-hours", nil).Is(200).At("/next").(string)
	for _, other := range []string{"", "&sort=rig", "&sort=fitness", "&sort=-hours&yard=north"} {
		if bad := h.Send("reader", "GET", "/v1/rigs?limit=2"+other+"&cursor="+cursor, nil).Is(422).Bad(); bad != "cursor" {
			t.Errorf("%q names %q", other, bad)
		}
	}
	h.Send("reader", "GET", "/v1/rigs?limit=5&sort=-hours&fields=name&cursor="+cursor, nil).Is(200)
	for path, name := range map[string]string{"/v1/rigs?sort=hours": "sort", "/v1/items?sort=-due": "sort", "/v1/plans?sort=plan": "sort", "/v1/calibrations?fields=rig": "fields"} {
		if bad := h.Send("reader", "GET", path, nil).Is(422).Bad(); bad != name {
			t.Errorf("%s names %q", path, bad)
		}
	}
}

func TestSparseAnswersHaveWhatWasAskedFor(t *testing.T) {
	h := aYardFull(t, 3)
	members := func(doc any) string {
		m, ok := doc.(map[string]any)
		if !ok {
			t.Fatalf("%v is no object", doc)
		}
		var names []string
		for name := range m {
			names = append(names, name)
		}
		slices.Sort(names)
		return strings.Join(names, " ")
	}
	for _, row := range []struct{ path, at, want string }{
		{"/v1/rigs?fields=totals,fitness", "/rigs/0", "fitness rig totals"},
		{"/v1/rigs?fields=rig", "/rigs/0", "rig"},
		{"/v1/items?fields=status,due,rig", "/items/0", "due item rig status"},
		{"/v1/defects?fields=text", "/defects/0", "defect text"},
		{"/v1/inspections?fields=outcome", "/inspections/0", "inspection outcome"},
		{"/v1/certificates?fields=number,withdrawn", "/certificates/0", "certificate number"}, // not withdrawn: it has none
		{"/v1/bookings?fields=from,to", "/bookings/0", "booking from to"},
		{"/v1/rigs/T00?fields=next_due,name", "", "name next_due rig"},
		{"/v1/items/T00-nozzles.nozzle-flow.1?fields=checklist", "", "checklist item"},
	} {
		a := h.Send("reader", "GET", row.path, nil).Is(200)
		var doc any
		if row.at != "" {
			doc = a.At(row.at)
		} else if err := json.Unmarshal(a.Body, &doc); err != nil {
			t.Fatal(err)
		}
		if got := members(doc); got != row.want {
			t.Errorf("%s has %s, want %s", row.path, got, row.want)
		}
	}
	// What is there is what the whole answer has, under the same tag.
	whole, some := h.Send("reader", "GET", "/v1/rigs/T00", nil).Is(200), h.Send("reader", "GET", "/v1/rigs/T00?fields=totals,meters", nil).Is(200)
	for _, name := range []string{"totals", "meters"} {
		x, _ := json.Marshal(whole.At("/" + name))
		y, _ := json.Marshal(some.At("/" + name))
		if string(x) != string(y) {
			t.Errorf("%s is %s alone and %s with the rest", name, y, x)
		}
	}
	if len(some.Body)*3 > len(whole.Body) {
		t.Errorf("two members take %d bytes of %d", len(some.Body), len(whole.Body))
	}
	h.Send("reader", "GET", "/v1/rigs/T00?fields=totals", nil, "If-None-Match", some.Header.Get("Etag")).Is(304)
	for _, path := range []string{"/v1/rigs?fields=colour", "/v1/rigs?fields=meters", "/v1/rigs/T00?fields=rig,,name", "/v1/items?fields=checklist", "/v1/rigs?fields=Rig"} {
		if bad := h.Send("reader", "GET", path, nil).Is(422).Bad(); bad != "fields" {
			t.Errorf("%s names %q", path, bad)
		}
	}
}

// lists are those that can be asked for in an order, or for some members alone.
var lists = []string{"rigs", "items", "defects", "inspections", "certificates", "bookings"}

// taken gives the words that a parameter takes, as the refusal of another names them.
func taken(h *apitest.House, path, parameter string) []string {
	h.T.Helper()
	detail := h.Send("reader", "GET", path+"?"+parameter+"=no-such-word", nil).Is(422).Has("/errors/0/parameter", parameter).At("/errors/0/detail").(string)
	_, words, found := strings.Cut(detail, " is not one of ")
	if !found {
		h.T.Fatalf("%s: %s", path, detail)
	}
	return strings.Split(words, ", ")
}

// The document lists the very names and orders that are answered: the validator of
// every answer and request knows the enumeration.
func TestEveryMemberAndOrderIsDocumented(t *testing.T) {
	h := aYardFull(t, 1)
	paths := []string{"/v1/rigs/T00", "/v1/items/T00-nozzles.nozzle-flow.1"}
	for _, list := range lists {
		paths = append(paths, "/v1/"+list)
		orders := taken(h, "/v1/"+list, "sort")
		if len(orders) < 2 {
			t.Errorf("%s knows the orders %v", list, orders)
		}
		for _, o := range orders {
			h.Send("reader", "GET", "/v1/"+list+"?sort="+url.QueryEscape(o), nil).Is(200)
		}
	}
	for _, path := range paths {
		members := taken(h, path, "fields")
		if len(members) < 10 {
			t.Errorf("%s has the members %v", path, members)
		}
		for _, m := range members {
			h.Send("reader", "GET", path+"?fields="+m, nil).Is(200)
		}
	}
}

// Any order, read page by page while others write: a row whose key stays comes
// exactly once, in the order it had.
func TestPagesInAnyOrderNeitherRepeatNorSkipWhatStays(t *testing.T) {
	h := aYardFull(t, 12)
	fresh := h.Fleet.Head().N
	get := func(path string) map[string]any {
		r := httptest.NewRequest("GET", path, nil)
		r.Header.Set("Authorization", "Bearer "+h.Tokens["manager"])
		w := httptest.NewRecorder()
		h.API.ServeHTTP(w, r)
		var doc map[string]any
		if err := json.Unmarshal(w.Body.Bytes(), &doc); err != nil || w.Code != 200 {
			t.Fatalf("%s: %d %s", path, w.Code, w.Body)
		}
		return doc
	}
	sorts := map[string][]string{}
	for _, list := range lists {
		sorts[list] = taken(h, "/v1/"+list, "sort")
	}
	n := 100
	hours := map[string]float64{}
	rapid.Check(t, func(rt *rapid.T) {
		if h.Fleet.Head().N > fresh+150 { // what was written would make every list long
			h = aYardFull(t, 12)
			fresh = h.Fleet.Head().N
			clear(hours)
		}
		list := rapid.SampledFrom(lists).Draw(rt, "list")
		order := rapid.SampledFrom(sorts[list]).Draw(rt, "order")
		limit := rapid.IntRange(1, 7).Draw(rt, "limit")
		if list == "items" {
			limit *= 8
		}
		base := fmt.Sprintf("/v1/%s?sort=%s&fields=rig", list, url.QueryEscape(order))
		var before []string // of rigs that nobody writes to
		for path := base + "&limit=500"; path != ""; {
			doc := get(path)
			for _, row := range doc[list].([]any) {
				if m := row.(map[string]any); !strings.HasPrefix(m["rig"].(string), "U") && m["rig"].(string) > "T03" {
					before = append(before, m[strings.TrimSuffix(list, "s")].(string))
				}
			}
			path = ""
			if next, ok := doc["next"].(string); ok {
				path = base + "&limit=500&cursor=" + next
			}
		}
		if len(before) < 2 {
			rt.Fatalf("only %d rows that stay", len(before))
		}
		var seen []string
		for path := base + fmt.Sprint("&limit=", limit); path != ""; {
			doc := get(path)
			for _, row := range doc[list].([]any) {
				m := row.(map[string]any)
				if id := m[strings.TrimSuffix(list, "s")].(string); slices.Contains(before, id) {
					seen = append(seen, id)
				}
			}
			path = ""
			if next, ok := doc["next"].(string); ok {
				path = base + fmt.Sprint("&limit=", limit, "&cursor=", next)
			}
			for range rapid.IntRange(0, 2).Draw(rt, "writes") {
				code := fmt.Sprintf("T%02d", rapid.IntRange(0, 3).Draw(rt, "rig")) // the others are left alone
				n++
				switch rapid.IntRange(0, 3).Draw(rt, "what") {
				case 0:
					hours[code] += 0.001
					a := events.Arrival{Via: "api", Rig: code, Event: fmt.Sprint("w", n), Time: h.Now().Add(time.Duration(n) * time.Millisecond), Kind: events.KindReading,
						Counters: []events.RawCounter{{Meter: "pump", Value: 1 + hours[code], Unit: "HUR"}}}
					if _, err := h.Fleet.Take(context.Background(), []events.Arrival{a}); err != nil {
						rt.Fatal(err)
					}
				case 1:
					h.Do(&fleet.ReportDefect{ID: fleet.NewDefectID(), Rig: code, Text: "drip", Safety: true})
				case 2:
					h.Do(&fleet.MakeBooking{ID: fleet.NewBookingID(), Rig: code, PlannedWork: fleet.PlannedWork{From: fmt.Sprintf("2026-06-%02d", 1+n%28), To: "2026-07-03", Hectares: 40}})
				default:
					h.Do(&fleet.RegisterRig{Rig: fmt.Sprintf("U%d", n), Name: "New", Class: "trailed", Yard: "north", WidthM: 24, TankL: 3500})
				}
			}
		}
		if !slices.Equal(seen, before) {
			rt.Fatalf("%s by %s came as\n%v, want\n%v", list, order, seen, before)
		}
	})
}
