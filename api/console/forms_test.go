package console_test

import (
	"net/url"
	"strings"
	"testing"

	"golang.org/x/net/html"
)

// fields gives what a form of the page would send as it stands.
func (s sheet) fields(name string) url.Values {
	s.t.Helper()
	doc, err := html.Parse(strings.NewReader(s.text))
	if err != nil {
		s.t.Fatal(err)
	}
	form := findForm(doc, name)
	if form == nil {
		s.t.Fatalf("the page has no form %s", name)
	}
	values := url.Values{}
	for n := range form.Descendants() {
		if n.Type != html.ElementNode || attr(n, "name") == "" {
			continue
		}
		switch n.Data {
		case "input":
			switch attr(n, "type") {
			case "checkbox", "radio":
				if has(n, "checked") {
					values.Add(attr(n, "name"), attr(n, "value"))
				}
			case "file":
			default:
				values.Add(attr(n, "name"), attr(n, "value"))
			}
		case "textarea":
			if n.FirstChild != nil {
				values.Add(attr(n, "name"), n.FirstChild.Data)
			}
		case "select":
			values.Add(attr(n, "name"), chosen(n))
		}
	}
	return values
}

func findForm(doc *html.Node, name string) *html.Node {
	for n := range doc.Descendants() {
		if n.Type == html.ElementNode && n.Data == "form" && attr(n, "data-form") == name {
			return n
		}
	}
	return nil
}

func chosen(sel *html.Node) (value string) {
	first := true
	for n := range sel.Descendants() {
		if n.Data == "option" && (first || has(n, "selected")) {
			value, first = attr(n, "value"), false
		}
	}
	return value
}

func attr(n *html.Node, name string) string {
	for _, a := range n.Attr {
		if a.Key == name {
			return a.Val
		}
	}
	return ""
}

func has(n *html.Node, name string) bool {
	for _, a := range n.Attr {
		if a.Key == name {
			return true
		}
	}
	return false
}

func TestADoorThatLetsInWhoHasAToken(t *testing.T) {
	h := newHouse(t)
	h.register("T01", "north", nil)
	v := h.visit("")
	door := v.get("/?on=2026-05-11").is(200).has(`action="/sign-in"`, `value="/?on=2026-05-11"`).hasNot("T01", "rl_live")
	v.post("/sign-in", url.Values{"form": {"x"}, "token": {h.tokens["manager"]}}).is(403)
	v.post("/sign-in", url.Values{"form": {door.form()}, "token": {"rl_wrong"}}).is(401).has("not known, was revoked or has expired")
	in := v.post("/sign-in", url.Values{"form": {door.form()}, "token": {h.tokens["manager"]}, "to": {"/?on=2026-05-11"}}).is(303)
	if to := in.header.Get("Location"); to != "/?on=2026-05-11" {
		t.Errorf("after signing in one comes to %q", to)
	}
	if cookie := in.header.Get("Set-Cookie"); !strings.Contains(cookie, "HttpOnly") || !strings.Contains(cookie, "SameSite=Strict") {
		t.Errorf("the session's cookie is %q", cookie)
	}
	yard := v.get("/").is(200).has("T01")
	if csp := yard.header.Get("Content-Security-Policy"); !strings.Contains(csp, "default-src 'none'") || strings.Contains(csp, "unsafe") {
		t.Errorf("the page's policy is %q", csp)
	}
	if yard.header.Get("Cache-Control") != "no-store" {
		t.Error("the page may be stored")
	}
	out := v.post("/sign-in", url.Values{"form": {door.form()}, "token": {h.tokens["manager"]}, "to": {"//elsewhere.example/"}})
	if out.status == 303 && out.header.Get("Location") != "/" {
		t.Errorf("signing in leads away to %q", out.header.Get("Location"))
	}
	v.post("/sign-out", url.Values{"form": {"x"}}).is(403)
	v.post("/sign-out", url.Values{"form": {yard.form()}}).is(303)
	v.get("/").is(200).has(`action="/sign-in"`).hasNot("T01")
}

func TestAFormIsCarriedOutOnceAndKeepsWhatWasTyped(t *testing.T) {
	h := newHouse(t)
	h.register("T01", "north", nil)
	v := h.visit("manager")
	defects := func() int {
		return len(h.send("manager", "GET", "/v1/defects?rig=T01&state=open,cleared", nil)["defects"].([]any))
	}
	at := func(s sheet) string { return s.is(303).header.Get("Location") }
	page := v.get("/rigs/T01").is(200)

	t.Run("refused at its field, with what was typed", func(t *testing.T) {
		long := strings.Repeat("y", 3000)
		refused := v.fill(page, "/rigs/T01", "defect", map[string]string{"s:/text": long, "b:/safety": "true"})
		refused.is(422).has(`role="alert"`, long, `aria-invalid="true"`)
		if got := refused.fields("defect"); got.Get("s:/text") != long || got.Get("b:/safety") != "true" {
			t.Errorf("typed text kept: %v, tick kept: %q", got.Get("s:/text") == long, got.Get("b:/safety"))
		}
		if defects() != 0 {
			t.Error("a refused form wrote something")
		}
	})
	t.Run("sent twice, carried out once; said once; taken back", func(t *testing.T) {
		typed := map[string]string{"s:/text": "hose chafed"}
		to := at(v.fill(page, "/rigs/T01", "defect", typed))
		if again := at(v.fill(page, "/rigs/T01", "defect", typed)); again != to || defects() != 1 {
			t.Fatalf("sent twice it led to %s and %s and to %d defects", to, again, defects())
		}
		said := v.get(to).is(200).has(`class="said"`, "Defect reported.", "Take it back")
		v.get(to).is(200).hasNot(`class="said"`)
		at(v.fill(said, to, "undo", map[string]string{"s:/action": "mistaken for another rig"}))
		if open := h.send("manager", "GET", "/v1/defects?rig=T01&state=open", nil)["defects"].([]any); len(open) != 0 {
			t.Error("what was taken back is still open")
		}
	})
	t.Run("changed meanwhile by somebody else", func(t *testing.T) {
		page := v.get("/rigs/T01")
		other := at(v.fill(v.get("/rigs/T01"), "/rigs/T01", "amend", map[string]string{"s:/name": "High meadow"}))
		v.get(other).has("High meadow")
		v.fill(page, "/rigs/T01", "amend", map[string]string{"s:/name": "Deep meadow"}).is(412).has("Somebody changed this meanwhile", "Deep meadow")
	})
	t.Run("without the page's secret nothing is written", func(t *testing.T) {
		values := v.get("/rigs/T01").fields("defect")
		values.Set("s:/text", "from elsewhere")
		values.Set("form", "x")
		before := defects()
		v.post("/rigs/T01", values).is(403)
		values.Set("do", "/healthz")
		v.post("/rigs/T01", values).is(403)
		if defects() != before {
			t.Error("something was written")
		}
	})
	t.Run("a form writes below /v1 only, as the person who sends it", func(t *testing.T) {
		values := v.get("/rigs/T01").fields("defect")
		for _, to := range []string{"/sign-out", "//elsewhere.example/v1/", "/v1/../metrics", ""} {
			values.Set("do", to)
			v.post("/rigs/T01", values).is(400)
		}
		r := h.visit("reader")
		values = v.get("/rigs/T01").fields("defect")
		values.Set("form", r.get("/rigs/T01").form())
		values.Set("s:/text", "by a reader")
		r.post("/rigs/T01", values).is(403)
	})
	t.Run("it goes nowhere else after", func(t *testing.T) {
		values := v.get("/rigs/T01").fields("defect")
		values.Set("s:/text", "loose nut")
		values.Set("then", "//elsewhere.example/")
		if to := at(v.post("/rigs/T01", values)); to != "/rigs/T01" {
			t.Errorf("the browser is sent to %s", to)
		}
	})
	t.Run("the session ended meanwhile", func(t *testing.T) {
		values := v.get("/rigs/T01").fields("defect")
		h.visit("").post("/rigs/T01", values).is(401)
	})
}
