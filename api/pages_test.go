package api

import (
	"io"
	"net/http"
	"net/http/cookiejar"
	"net/url"
	"regexp"
	"strings"
	"testing"
	"time"

	"rigledger/fleet"
)

// browser keeps cookies and does not follow redirects by itself.
type browser struct {
	t    *testing.T
	h    *house
	http *http.Client
}

func newBrowser(t *testing.T, h *house) *browser {
	jar, err := cookiejar.New(nil)
	if err != nil {
		t.Fatal(err)
	}
	return &browser{t, h, &http.Client{Jar: jar, CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}}
}

func (b *browser) do(method, path string, form url.Values, headers ...string) (int, http.Header, string) {
	b.t.Helper()
	make := func() *http.Request {
		r, err := http.NewRequest(method, b.h.url+path, strings.NewReader(form.Encode()))
		if err != nil {
			b.t.Fatal(err)
		}
		if form != nil {
			r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		}
		for i := 0; i+1 < len(headers); i += 2 {
			r.Header.Set(headers[i], headers[i+1])
		}
		return r
	}
	a, err := b.http.Do(make())
	if err != nil {
		b.t.Fatal(err)
	}
	defer a.Body.Close()
	body, err := io.ReadAll(a.Body)
	if err != nil {
		b.t.Fatal(err)
	}
	return a.StatusCode, a.Header, string(body)
}

var formField = regexp.MustCompile(`name="form" value="([^"]+)"`)

func (b *browser) form(page string) string {
	b.t.Helper()
	m := formField.FindStringSubmatch(page)
	if m == nil {
		b.t.Fatalf("no form in %s", page)
	}
	return m[1]
}

func TestPagesSignInShowTheYardAndSignOut(t *testing.T) {
	h := newHouse(t)
	hostile := `<script>alert("x")</script>&'`
	body := rigBody("T01", "north")
	body["name"] = hostile
	h.send("manager", "POST", "/v1/rigs", body).is(201)
	h.register("S01", "south")
	h.send("manager", "POST", "/v1/defects", obj{"rig": "T01", "text": `<img src=x onerror=y>`, "safety": true}).is(201)
	h.send("manager", "POST", "/v1/rigs/T01/readings", reading(h.now().Add(-time.Hour), 12.5, 88.4)).is(200)
	h.raise()
	h.token("north only", fleet.RoleReader, []string{"north"}, "")
	h.token("rig", fleet.RoleRig, nil, "T01")

	b := newBrowser(t, h)
	status, header, page := b.do("GET", "/", nil)
	if status != 200 || !strings.Contains(page, `action="/sign-in"`) || strings.Contains(page, "T01") {
		t.Fatalf("%d %s", status, page)
	}
	csp := header.Get("Content-Security-Policy")
	if !strings.Contains(csp, "default-src 'none'") || strings.Contains(csp, "unsafe") || strings.Contains(csp, "script-src") {
		t.Fatalf("policy %q", csp)
	}
	form := b.form(page)
	for name, c := range map[string]struct {
		form, token string
		headers     []string
		status      int
	}{
		"without the form's token": {"", h.tokens["north only"], nil, 403},
		"from another site":        {form, h.tokens["north only"], []string{"Sec-Fetch-Site", "cross-site"}, 403},
		"from another origin":      {form, h.tokens["north only"], []string{"Origin", "http://elsewhere.example"}, 403},
		"with an unknown token":    {form, "rl_x_y", nil, 401},
		"with a rig's token":       {form, h.tokens["rig"], nil, 403},
	} {
		if status, _, page := b.do("POST", "/sign-in", url.Values{"form": {c.form}, "token": {c.token}}, c.headers...); status != c.status || strings.Contains(page, "T01") {
			t.Fatalf("sign in %s: %d", name, status)
		}
	}
	status, header, _ = b.do("POST", "/sign-in", url.Values{"form": {form}, "token": {h.tokens["north only"]}}, "Sec-Fetch-Site", "same-origin")
	cookie := header.Get("Set-Cookie")
	if status != 303 || !strings.Contains(cookie, "HttpOnly") || !strings.Contains(cookie, "SameSite=Strict") || strings.Contains(cookie, "Secure") {
		t.Fatalf("%d, cookie %q", status, cookie)
	}
	_, header, page = b.do("GET", "/", nil)
	for _, want := range []string{"T01", "&lt;script&gt;alert(&#34;x&#34;)&lt;/script&gt;", "&lt;img src=x", "12.5 h", "88.4 ha", `class="state stop">do not use`, "Suction filter clean", "overdue", fleetNotice} {
		if !strings.Contains(page, want) {
			t.Errorf("the page does not show %s", want)
		}
	}
	for _, never := range []string{"<script", "<img", "S01", " style=", "onerror=y>", "rl_"} {
		if strings.Contains(page, never) {
			t.Errorf("the page holds %s", never)
		}
	}
	if header.Get("Cache-Control") != "no-store" {
		t.Error("the page may be stored")
	}
	if n := strings.Count(page, `class="state stop"`); n != strings.Count(page, "do not use") {
		t.Errorf("red %d times, do not use %d times", n, strings.Count(page, "do not use"))
	}
	if status, _, _ := b.do("GET", "/v1/rigs", nil); status != 401 {
		t.Errorf("the cookie opens the API: %d", status)
	}
	if status, header, css := b.do("GET", "/console.css", nil); status != 200 || !strings.HasPrefix(header.Get("Content-Type"), "text/css") || len(css) == 0 {
		t.Errorf("style sheet: %d", status)
	}
	form = b.form(page)
	if status, _, _ := b.do("POST", "/sign-out", url.Values{"form": {"x"}}); status != 403 {
		t.Errorf("signed out without the form's token: %d", status)
	}
	if status, _, _ := b.do("POST", "/sign-out", url.Values{"form": {form}}); status != 303 {
		t.Errorf("sign out: %d", status)
	}
	if _, _, page := b.do("GET", "/", nil); strings.Contains(page, "T01") {
		t.Error("still signed in")
	}
}

// The words of fitness.go, as html/template writes them.
var fleetNotice = strings.ReplaceAll(fleet.FitnessNotice, "'", "&#39;")

func TestSecureCookiesBehindTLS(t *testing.T) {
	h := newHouse(t)
	a := newAPI(Options{Fleet: h.fleet, Secure: true})
	r, _ := http.NewRequest("GET", "/", nil)
	w := recorder{header: http.Header{}}
	a.ServeHTTP(&w, r)
	cookie := w.header.Get("Set-Cookie")
	if !strings.HasPrefix(cookie, "__Host-") || !strings.Contains(cookie, "Secure") {
		t.Fatalf("cookie %q", cookie)
	}
}

type recorder struct{ header http.Header }

func (r *recorder) Header() http.Header         { return r.header }
func (r *recorder) Write(b []byte) (int, error) { return len(b), nil }
func (r *recorder) WriteHeader(int)             {}
