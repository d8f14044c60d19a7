package console_test

import (
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"

	"rigledger/api"
	"rigledger/fleet"
)

// TestTheDoorStaysShut: a form of another site, an unknown token, and a rig's own let nobody in.
func TestTheDoorStaysShut(t *testing.T) {
	h := newHouse(t)
	h.register("T01", "north", nil)
	cmd, text := fleet.NewToken("rig", fleet.RoleRig)
	cmd.Rig = "T01"
	h.do(cmd)
	v := h.visit("")
	form := v.get("/").is(200).form()
	for name, c := range map[string]struct {
		form, token string
		headers     []string
		status      int
	}{
		"without the form's token": {"", h.tokens["manager"], nil, 403},
		"from another site":        {form, h.tokens["manager"], []string{"Sec-Fetch-Site", "cross-site"}, 403},
		"from another origin":      {form, h.tokens["manager"], []string{"Origin", "http://elsewhere.example"}, 403},
		"with an unknown token":    {form, "rl_x_y", nil, 401},
		"with a rig's token":       {form, text, nil, 403},
	} {
		r, err := http.NewRequest("POST", h.url+"/sign-in", strings.NewReader(url.Values{"form": {c.form}, "token": {c.token}}.Encode()))
		if err != nil {
			t.Fatal(err)
		}
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		for i := 0; i+1 < len(c.headers); i += 2 {
			r.Header.Set(c.headers[i], c.headers[i+1])
		}
		if got := v.send(r); got.status != c.status || strings.Contains(got.text, "T01") || got.header.Get("Set-Cookie") != "" && strings.Contains(got.header.Get("Set-Cookie"), "rl_") {
			t.Errorf("signing in %s answers %d, want %d", name, got.status, c.status)
		}
	}
	in := h.visit("manager")
	in.get("/").is(200).has("T01").hasNot("rl_")
	in.get("/v1/rigs").is(401) // the cookie opens pages, not the API
	css := in.get("/console.css").is(200)
	if !strings.HasPrefix(css.header.Get("Content-Type"), "text/css") || len(css.text) == 0 {
		t.Error("there is no style sheet")
	}
}

func TestSecureCookiesBehindTLS(t *testing.T) {
	h := newHouse(t)
	w := httptest.NewRecorder()
	api.New(api.Options{Fleet: h.fleet, Secure: true}).ServeHTTP(w, httptest.NewRequest("GET", "/", nil))
	cookie := w.Header().Get("Set-Cookie")
	if !strings.HasPrefix(cookie, "__Host-") || !strings.Contains(cookie, "Secure") {
		t.Fatalf("cookie %q", cookie)
	}
}
