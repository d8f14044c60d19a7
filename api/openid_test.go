package api

import (
	"bufio"
	"io"
	"net/http"
	"net/url"
	"regexp"
	"strings"
	"testing"
	"time"

	"rigledger/api/openid"
	"rigledger/api/openid/openidtest"
)

// believe has a house take an issuer's tokens, and gives a way to make them.
func believe(h *house, rate float64) (*openidtest.Issuer, func(name string, change obj)) {
	h.t.Helper()
	issuer := openidtest.New(h.t)
	door, err := openid.New(openid.Options{Issuer: issuer.URL, Audience: openidtest.Audience, Now: h.now})
	if err != nil {
		h.t.Fatal(err)
	}
	h.serve(func(o *Options) { o.Issuer, o.Rate = door, rate })
	return issuer, func(name string, change obj) {
		h.t.Helper()
		claims := issuer.Claims(h.now())
		for k, v := range change {
			claims[k] = v
		}
		h.tokens[name] = issuer.Token(claims)
	}
}

func TestAnIssuersTokenHasItsRoleAndYardsEverywhere(t *testing.T) {
	h := newHouse(t)
	_, token := believe(h, 0)
	h.register("N01", "north")
	h.register("S01", "south")
	token("ana", obj{"rigledger_yards": []string{"north"}})
	token("ben", obj{"sub": "s-2", "preferred_username": "ben", "rigledger_role": "workshop"})
	token("cas", obj{"sub": "s-3", "rigledger_role": "guest"})

	if got := h.send("ana", "GET", "/v1/rigs", nil).is(200).names("/rigs", "rig"); len(got) != 1 || got[0] != "N01" {
		t.Errorf("ana, held to north, sees %v", got)
	}
	h.send("ana", "GET", "/v1/rigs/S01", nil).is(404)
	h.send("ana", "POST", "/v1/tokens", obj{"name": "all", "role": "manager"}).is(403)
	h.send("ben", "POST", "/v1/tokens", obj{"name": "more", "role": "manager"}).is(403).has("/type", "/problems/not-allowed")
	refused := h.send("cas", "GET", "/v1/rigs", nil).is(401)
	if !strings.Contains(refused.at("/detail").(string), "OpenID Connect") {
		t.Error(refused.at("/detail"))
	}

	h.send("ben", "POST", "/v1/defects", obj{"rig": "S01", "text": "drips"}, "Idempotency-Key", "one").is(201)
	h.send("ben", "POST", "/v1/defects", obj{"rig": "S01", "text": "drips"}, "Idempotency-Key", "one").is(201)
	facts := h.send("ben", "GET", "/v1/feed?after=0&kind=defect.reported", nil).is(200)
	if by := facts.names("/facts", "by"); len(by) != 1 || !strings.HasPrefix(by[0], "openid:ben#") {
		t.Errorf("the ledger says %v", by)
	}
	h.send("ana", "GET", "/v1/feed?after=0&kind=defect.reported", nil).is(200).has("/facts/0", nil)
	if h.fleet.ListenerFor("token", h.tokens["ben"]) {
		t.Error("an issuer's token is taken at NATS")
	}
}

func TestTheIssuerIsNeverAskedAboutOurOwnTokens(t *testing.T) {
	h := newHouse(t)
	issuer, token := believe(h, 0)
	token("ana", nil)
	h.send("reader", "GET", "/v1/ledger", nil).is(200)
	h.tokens["mixed"] = "rl_" + h.tokens["ana"]
	h.send("mixed", "GET", "/v1/ledger", nil).is(401)
	h.tokens["old"] = "rl_a.b.c"
	h.send("old", "GET", "/v1/ledger", nil).is(401)
	if n := issuer.Asked.Load(); n != 0 {
		t.Errorf("asked %d times", n)
	}
}

func TestTheRateIsBoundForEachSubjectNotForEachToken(t *testing.T) {
	h := newHouse(t)
	_, token := believe(h, 1)
	status := 0
	for i := range 2 * burstFor {
		token("ana", obj{"jti": i}) // another token each time
		if status = h.send("ana", "GET", "/v1/ledger", nil).status; status != 200 {
			break
		}
	}
	if status != 429 {
		t.Errorf("the last answer is %d", status)
	}
	token("ben", obj{"sub": "s-2"})
	h.send("ben", "GET", "/v1/ledger", nil).is(200)
}

func TestALiveStreamEndsWhenTheIssuersTokenExpires(t *testing.T) {
	h := newHouse(t)
	_, token := believe(h, 0)
	token("ana", obj{"exp": h.now().Add(time.Second).Unix()})
	began := time.Now()
	stream := follow(t, h.url, h.tokens["ana"], "", "")
	if stream.StatusCode != 200 {
		t.Fatal(stream.Status)
	}
	if _, err := io.Copy(io.Discard, bufio.NewReader(stream.Body)); err != nil {
		t.Errorf("ended with %v", err)
	}
	if took := time.Since(began); took < 900*time.Millisecond || took > 5*time.Second {
		t.Errorf("ended after %s", took)
	}
}

func TestReadinessNotesAnIssuerThatIsDownAndStaysReady(t *testing.T) {
	h := newHouse(t)
	issuer, token := believe(h, 0)
	token("ana", nil)
	issuer.Down()
	h.send("ana", "GET", "/v1/ledger", nil).is(401)
	h.send("reader", "GET", "/v1/ledger", nil).is(200)
	h.send("", "GET", "/readyz", nil).is(200).has("/ready", true).
		has("/checks/1/check", "OpenID Connect issuer").has("/checks/1/ok", false).has("/checks/1/minor", true)
	issuer.Up()
	h.pass(time.Minute)
	h.send("ana", "GET", "/v1/ledger", nil).is(200)
	h.send("", "GET", "/readyz", nil).is(200).has("/checks/1/ok", true)
}

func TestPagesTakeAnIssuersTokenUntilItExpires(t *testing.T) {
	h := newHouse(t)
	_, token := believe(h, 0)
	token("ana", nil)
	browser := &http.Client{CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	visit, err := browser.Get(h.url + "/")
	if err != nil {
		t.Fatal(err)
	}
	page, _ := io.ReadAll(visit.Body)
	visit.Body.Close()
	form := regexp.MustCompile(`name="form" value="([^"]+)"`).FindSubmatch(page)
	if form == nil {
		t.Fatalf("no form in %s", page)
	}
	signIn := func(text string) *http.Response {
		r, _ := http.NewRequest("POST", h.url+"/sign-in", strings.NewReader(url.Values{"form": {string(form[1])}, "token": {text}}.Encode()))
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		for _, c := range visit.Cookies() {
			r.AddCookie(c)
		}
		a, err := browser.Do(r)
		if err != nil {
			t.Fatal(err)
		}
		a.Body.Close()
		return a
	}
	in := signIn(h.tokens["ana"])
	if in.StatusCode != http.StatusSeeOther {
		t.Fatalf("sign-in answered %d", in.StatusCode)
	}
	home := func() string {
		r, _ := http.NewRequest("GET", h.url+"/", nil)
		for _, c := range in.Cookies() {
			if c.Value != "" {
				r.AddCookie(c)
			}
		}
		a, err := browser.Do(r)
		if err != nil {
			t.Fatal(err)
		}
		defer a.Body.Close()
		text, _ := io.ReadAll(a.Body)
		return string(text)
	}
	if got := home(); !strings.Contains(got, "openid:ana#") {
		t.Error("the page does not say who is signed in")
	}
	h.pass(2 * time.Hour)
	if got := home(); strings.Contains(got, "openid:ana#") || !strings.Contains(got, `name="token"`) {
		t.Error("is still signed in after the token's hour")
	}
	token("long", obj{"padding": strings.Repeat("x", 4000)})
	if a := signIn(h.tokens["long"]); a.StatusCode != http.StatusForbidden {
		t.Errorf("a token that no browser would keep: %d", a.StatusCode)
	}
}
