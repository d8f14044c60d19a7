package console_test

import (
	"encoding/json"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
	"golang.org/x/net/html"
)

// hostile is a name as somebody may type it who means no good, or who only has
// an unusual language or keyboard.
const hostile = `<script>alert(1)</script>"'&<img src=x onerror=alert(2)> מרסס ` + "\u202eevil\u202c" + ` 🚜`

var veryLong = strings.Repeat("Furrow", 30)

// aBusyFleet is a house in which every page has something to show: work, jobs in
// every stage, defects, a failed and a passed inspection, a calibration, held
// readings, bookings; and names that try to break out.
func aBusyFleet(t *testing.T) *house {
	h := newHouse(t)
	h.register("T01", "north", obj{"name": hostile, "serial": `"><b>S`})
	h.register("T02", "north", obj{"name": veryLong})
	h.register("T03", "south", obj{"name": "Plain"})
	h.register("T04", "south", obj{"name": "Silent"})
	for _, rig := range []string{"T01", "T02", "T03"} {
		h.worked(rig, 60, 4)
	}
	h.send("manager", "POST", "/v1/yards/north/place", obj{"place": "DE"})
	h.send("manager", "POST", "/v1/yards/south/place", obj{"place": "DE"})
	h.raise()
	h.send("manager", "POST", "/v1/defects", obj{"rig": "T01", "text": hostile, "safety": true})
	h.send("manager", "POST", "/v1/defects", obj{"rig": "T02", "text": "hose chafed at the fold", "safety": false})
	h.send("workshop", "POST", "/v1/inspections", obj{"rig": "T01", "tester": hostile, "sheet": obj{"measured": obj{"gauge_error": obj{"readings": []obj{{"master_bar": 1.5, "gauge_bar": 1.8}}}}}})
	h.send("workshop", "POST", "/v1/inspections", obj{"rig": "T03", "tester": "B. Bench", "sheet": obj{"measured": obj{"gauge_error": obj{"readings": []obj{{"master_bar": 1.5, "gauge_bar": 1.5}}}}}})
	day := func(n int) string { return theMorning.AddDate(0, 0, n).Format(time.DateOnly) }
	h.send("manager", "POST", "/v1/bookings", obj{"rig": "T03", "from": day(3), "to": day(6), "hectares": 200, "note": hostile})
	h.send("manager", "POST", "/v1/bookings", obj{"rig": "T02", "from": day(1), "to": day(2), "rest": true})
	items, _ := h.send("manager", "GET", "/v1/items?rig=T02&limit=10", nil)["items"].([]any)
	for i, item := range items {
		id := item.(obj)["item"].(string)
		switch i {
		case 0:
			h.send("workshop", "POST", "/v1/items/"+id+"/book", obj{"date": day(0), "for": hostile})
		case 1:
			h.send("workshop", "POST", "/v1/items/"+id+"/start", obj{"by": "Ana", "cautions_read": true})
		case 2:
			h.send("workshop", "POST", "/v1/items/"+id+"/finish", obj{"by": "Ana", "minutes": 20, "findings": hostile})
		}
	}
	h.read("T03", h.now().Add(-time.Hour), 12, 80) // below what it showed before: held
	return h
}

// leadsAway are addresses that pages link to and that are no pages.
var leadsAway = regexp.MustCompile(`^/(v1|docs|openapi|asyncapi|schemas|console\.|mark)`)

// everyPage follows every link from the yard and gives each page once, by the
// form of its address: rigs, jobs and records stand for their like.
func (v *visitor) everyPage(each func(path string, page sheet)) []string {
	v.t.Helper()
	kinds := map[string]bool{}
	var order []string
	asked := map[string]bool{}
	commits := 0
	waiting := []string{"/", "/start", "/access", "/find?q=T0"}
	for len(waiting) > 0 {
		at := waiting[0]
		waiting = waiting[1:]
		if asked[at] || len(asked) > 600 {
			continue
		}
		if asked[at] = true; strings.HasPrefix(at, "/ledger/commits/") {
			if commits++; commits > 6 { // each leads to the next: some stand for all
				continue
			}
		}
		page := v.get(at)
		if page.status != 200 {
			v.t.Errorf("%s answers %d", at, page.status)
			continue
		}
		each(at, page)
		if kind := kindOf(at); !kinds[kind] {
			kinds[kind] = true
			order = append(order, at)
		}
		doc, err := html.Parse(strings.NewReader(page.text))
		if err != nil {
			v.t.Fatal(err)
		}
		for n := range doc.Descendants() {
			if n.Type != html.ElementNode || n.Data != "a" || attr(n, "href") == "" {
				continue
			}
			to, err := url.Parse(attr(n, "href"))
			if err != nil || to.Host != "" {
				v.t.Errorf("%s links to %q", at, attr(n, "href"))
				continue
			}
			if to.Path == "" || leadsAway.MatchString(to.Path) || strings.HasSuffix(to.Path, "/json") {
				continue
			}
			to.Fragment = ""
			waiting = append(waiting, to.String())
		}
	}
	return order
}

// kindOf makes one of addresses that differ in which rig, job or record they show.
func kindOf(path string) string {
	p, query, _ := strings.Cut(path, "?")
	for _, id := range []string{`^/rigs/[^/]+`, `^/items/[^/]+`, `^/parts/[^/]+`, `^/inspections/[^/]+`, `^/calibrations/[^/]+`, `^/start/[^/]+`, `^/intake/[^/]+`, `^/ledger/commits/[^/]+`} {
		p = regexp.MustCompile(id).ReplaceAllStringFunc(p, func(s string) string { return s[:strings.LastIndexByte(s, '/')] + "/…" })
	}
	p = regexp.MustCompile(`^/bay/T\d+`).ReplaceAllString(p, "/bay/…")
	if query != "" {
		if values, err := url.ParseQuery(query); err == nil {
			var names []string
			for name := range values {
				names = append(names, name)
			}
			slices.Sort(names)
			p += "?" + strings.Join(names, "&")
		}
	}
	return p
}

// TestEveryPageFromAnyLink: no link leads nowhere, every page has its policy, and
// what people typed is text and nothing else.
func TestEveryPageFromAnyLink(t *testing.T) {
	h := aBusyFleet(t)
	for _, role := range []string{"manager", "workshop", "operator", "reader"} {
		v := h.visit(role)
		seen := 0
		each := func(path string, page sheet) {
			seen++
			if csp := page.header.Get("Content-Security-Policy"); !strings.Contains(csp, "default-src 'none'") || strings.Contains(csp, "unsafe") {
				t.Errorf("%s: policy %q", path, csp)
			}
			page.hasNot("<script>alert", "<img src=x", " style=\"", "onerror=alert(2)>", "ZgotmplZ", "<nil>", "%!", "0001-01-01")
			checkHTML(t, path, page.text)
		}
		var order []string
		if role == "manager" {
			order = v.everyPage(each)
		} else {
			order = v.everyPageOf(each)
		}
		t.Logf("%s: %d pages of %d kinds", role, seen, len(order))
	}
}

// everyPageOf is everyPage for those who may not see all: what answers 403 is no
// dead link if only managers' pages do so.
func (v *visitor) everyPageOf(each func(path string, page sheet)) []string {
	v.t.Helper()
	var order []string
	for _, path := range []string{"/", "/season", "/workshop", "/bay", "/rigs/T01", "/rigs/T03"} {
		page := v.get(path).is(200)
		each(path, page)
		order = append(order, path)
	}
	return order
}

// checkHTML finds what a browser would mend silently: an id twice, a label for
// nothing, a field without a label, an event handler.
func checkHTML(t *testing.T, path, text string) {
	t.Helper()
	doc, err := html.Parse(strings.NewReader(text))
	if err != nil {
		t.Fatal(err)
	}
	ids := map[string]bool{}
	var fors []string
	h1 := 0
	for n := range doc.Descendants() {
		if n.Type != html.ElementNode {
			continue
		}
		if id := attr(n, "id"); id != "" {
			if ids[id] {
				t.Errorf("%s has the id %s twice", path, id)
			}
			ids[id] = true
		}
		switch n.Data {
		case "label":
			if f := attr(n, "for"); f != "" {
				fors = append(fors, f)
			}
		case "h1":
			h1++
		case "script":
			if attr(n, "src") == "" {
				t.Errorf("%s has a script of its own", path)
			}
		}
		for _, a := range n.Attr {
			if strings.HasPrefix(a.Key, "on") || a.Key == "style" {
				t.Errorf("%s: <%s %s=…>", path, n.Data, a.Key)
			}
		}
	}
	for _, f := range fors {
		if !ids[f] {
			t.Errorf("%s has a label for %s, which is not there", path, f)
		}
	}
	if h1 != 1 {
		t.Errorf("%s has %d main headings", path, h1)
	}
}

// axeVersion is the accessibility checker from npm; it is used here and not shipped.
const axeVersion = "4.14.1"

// axe gives the checker's script, fetched once for this user.
func axe(t *testing.T) string {
	t.Helper()
	cache, err := os.UserCacheDir()
	if err != nil {
		cache = t.TempDir()
	}
	dir := filepath.Join(cache, "rigledger-test", "axe-"+axeVersion)
	file := filepath.Join(dir, "node_modules", "axe-core", "axe.min.js")
	if text, err := os.ReadFile(file); err == nil {
		return string(text)
	}
	if err := os.MkdirAll(dir, 0o755); err != nil {
		t.Fatal(err)
	}
	out, err := exec.Command("npm", "install", "--no-save", "--no-audit", "--no-fund", "--prefix", dir, "axe-core@"+axeVersion).CombinedOutput()
	text, readErr := os.ReadFile(file)
	if err != nil || readErr != nil {
		if os.Getenv("CI") != "" {
			t.Fatalf("the accessibility checker cannot be had: %v %v\n%s", err, readErr, out)
		}
		t.Skipf("the accessibility checker cannot be had: %v %v", err, readErr)
	}
	return string(text)
}

// TestEveryPageIsAccessible runs axe-core over one page of each kind, in both
// themes: nothing serious or critical, contrast included.
func TestEveryPageIsAccessible(t *testing.T) {
	h := aBusyFleet(t)
	script := axe(t)
	paths := h.visit("manager").everyPage(func(string, sheet) {})
	b := h.open("manager", "/")
	for _, path := range paths {
		b.goTo(path)
		for _, theme := range []string{"light", "dark"} {
			b.size(820, 1100, theme)
			b.eval(script + "; true")
			found, err := chromedp.Run(b.ctx, chromedp.Evaluate[string](
				`axe.run(document, {resultTypes: ["violations"]}).then(r => JSON.stringify(r.violations.filter(v => v.impact === "serious" || v.impact === "critical").map(v => ({rule: v.id, help: v.help, nodes: v.nodes.slice(0, 3).map(n => n.html.slice(0, 160) + " " + n.failureSummary)}))))`,
				chromedp.EvalAwaitPromise))
			if err != nil {
				t.Fatal(err)
			}
			var violations []struct {
				Rule, Help string
				Nodes      []string
			}
			if err := json.Unmarshal([]byte(found), &violations); err != nil {
				t.Fatal(err)
			}
			for _, v := range violations {
				t.Errorf("%s, %s: %s (%s)\n%s", path, theme, v.Rule, v.Help, strings.Join(v.Nodes, "\n"))
			}
		}
	}
	t.Logf("%d kinds of page in two themes", len(paths))
}

// TestEveryPageAtEveryWidth takes the pictures that people look at, and fails
// where a page scrolls sideways.
func TestEveryPageAtEveryWidth(t *testing.T) {
	h := aBusyFleet(t)
	paths := h.visit("manager").everyPage(func(string, sheet) {})
	b := h.open("manager", "/")
	for _, path := range paths {
		b.goTo(path)
		b.looks(strings.Trim(strings.NewReplacer("/", "-", "?", "_", "=", "-", "&", "-", "…", "x").Replace(kindOf(path)), "-") + "_")
	}
}
