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
	door := v.get("/?on=2026-05-11").is(401).has(`action="/sign-in"`, `value="/?on=2026-05-11"`).hasNot("T01", "rl_live")
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
	v.get("/").is(401)
}
