package access_test

import (
	"bufio"
	"io"
	"net/http"
	"net/url"
	"regexp"
	"strings"
	"testing"
	"time"

	"rigledger/api"
	"rigledger/api/apitest"
	"rigledger/api/openid"
	"rigledger/api/openid/openidtest"
)

// believe has a house take an issuer's tokens, and gives a way to make them.
func believe(h *apitest.House, rate float64) (*openidtest.Issuer, func(name string, change apitest.Obj)) {
	h.T.Helper()
	issuer := openidtest.New(h.T)
	door, err := openid.New(openid.Options{Issuer: issuer.URL, Audience: openidtest.Audience, Now: h.Now})
	if err != nil {
		h.T.Fatal(err)
	}
	h.Serve(func(o *api.Options) { o.Issuer, o.Rate = door, rate })
	return issuer, func(name string, change apitest.Obj) {
		h.T.Helper()
		claims := issuer.Claims(h.Now())
		for k, v := range change {
			claims[k] = v
		}
		h.Tokens[name] = issuer.Token(claims)
	}
}

func TestAnIssuersTokenHasItsRoleAndYardsEverywhere(t *testing.T) {
	h := apitest.New(t)
	_, token := believe(h, 0)
	h.Register("N01", "north")
	h.Register("S01", "south")
	token("ana", apitest.Obj{"rigledger_yards": []string{"north"}})
	token("ben", apitest.Obj{"sub": "s-2", "preferred_username": "ben", "rigledger_role": "workshop"})
	token("cas", apitest.Obj{"sub": "s-3", "rigledger_role": "guest"})

	if got := h.Send("ana", "GET", "/v1/rigs", nil).Is(200).Names("/rigs", "rig"); len(got) != 1 || got[0] != "N01" {
		t.Errorf("ana, held to north, sees %v", got)
	}
	h.Send("ana", "GET", "/v1/rigs/S01", nil).Is(404)
	h.Send("ana", "POST", "/v1/tokens", apitest.Obj{"name": "all", "role": "manager"}).Is(403)
	h.Send("ben", "POST", "/v1/tokens", apitest.Obj{"name": "more", "role": "manager"}).Is(403).Has("/type", "/problems/not-allowed")
	refused := h.Send("cas", "GET", "/v1/rigs", nil).Is(401)
	if !strings.Contains(refused.At("/detail").(string), "OpenID Connect") {
		t.Error(refused.At("/detail"))
	}

	h.Send("ben", "POST", "/v1/defects", apitest.Obj{"rig": "S01", "text": "drips"}, "Idempotency-Key", "one").Is(201)
	h.Send("ben", "POST", "/v1/defects", apitest.Obj{"rig": "S01", "text": "drips"}, "Idempotency-Key", "one").Is(201)
	facts := h.Send("ben", "GET", "/v1/feed?after=0&kind=defect.reported", nil).Is(200)
	if by := facts.Names("/facts", "by"); len(by) != 1 || !strings.HasPrefix(by[0], "openid:ben#") {
		t.Errorf("the ledger says %v", by)
	}
	h.Send("ana", "GET", "/v1/feed?after=0&kind=defect.reported", nil).Is(200).Has("/facts/0", nil)
	if h.Fleet.ListenerFor("token", h.Tokens["ben"]) {
		t.Error("an issuer's token is taken at NATS")
	}
}

func TestTheIssuerIsNeverAskedAboutOurOwnTokens(t *testing.T) {
	h := apitest.New(t)
	issuer, token := believe(h, 0)
	token("ana", nil)
	h.Send("reader", "GET", "/v1/ledger", nil).Is(200)
	h.Tokens["mixed"] = "rl_" + h.Tokens["ana"]
	h.Send("mixed", "GET", "/v1/ledger", nil).Is(401)
	h.Tokens["old"] = "rl_a.b.c"
	h.Send("old", "GET", "/v1/ledger", nil).Is(401)
	if n := issuer.Asked.Load(); n != 0 {
		t.Errorf("asked %d times", n)
	}
}

func TestTheRateIsBoundForEachSubjectNotForEachToken(t *testing.T) {
	h := apitest.New(t)
	_, token := believe(h, 1)
	status := 0
	for i := range 20 {
		token("ana", apitest.Obj{"jti": i}) // another token each time
		if status = h.Send("ana", "GET", "/v1/ledger", nil).Status; status != 200 {
			break
		}
	}
	if status != 429 {
		t.Errorf("the last answer is %d", status)
	}
	token("ben", apitest.Obj{"sub": "s-2"})
	h.Send("ben", "GET", "/v1/ledger", nil).Is(200)
}

func TestALiveStreamEndsWhenTheIssuersTokenExpires(t *testing.T) {
	h := apitest.New(t)
	_, token := believe(h, 0)
	token("ana", apitest.Obj{"exp": h.Now().Add(time.Second).Unix()})
	began := time.Now()
	stream := apitest.Follow(t, h.URL, h.Tokens["ana"], "", "")
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
	h := apitest.New(t)
	issuer, token := believe(h, 0)
	token("ana", nil)
	issuer.Down()
	h.Send("ana", "GET", "/v1/ledger", nil).Is(401)
	h.Send("reader", "GET", "/v1/ledger", nil).Is(200)
	if ready := h.Send("", "GET", "/readyz", nil); strings.Contains(string(ready.Body), "127.0.0.1") {
		t.Errorf("readiness tells addresses: %s", ready.Body)
	}
	h.Send("", "GET", "/readyz", nil).Is(200).Has("/ready", true).
		Has("/checks/1/check", "OpenID Connect issuer").Has("/checks/1/ok", false).Has("/checks/1/minor", true)
	issuer.Up()
	h.Pass(time.Minute)
	h.Send("ana", "GET", "/v1/ledger", nil).Is(200)
	h.Send("", "GET", "/readyz", nil).Is(200).Has("/checks/1/ok", true)
}

func TestPagesTakeAnIssuersTokenUntilItExpires(t *testing.T) {
	h := apitest.New(t)
	_, token := believe(h, 0)
	token("ana", nil)
	browser := &http.Client{CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	visit, err := browser.Get(h.URL + "/")
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
		r, _ := http.NewRequest("POST", h.URL+"/sign-in", strings.NewReader(url.Values{"form": {string(form[1])}, "token": {text}}.Encode()))
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
	in := signIn(h.Tokens["ana"])
	if in.StatusCode != http.StatusSeeOther {
		t.Fatalf("sign-in answered %d", in.StatusCode)
	}
	home := func() string {
		r, _ := http.NewRequest("GET", h.URL+"/", nil)
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
	h.Pass(2 * time.Hour)
	if got := home(); strings.Contains(got, "openid:ana#") || !strings.Contains(got, `name="token"`) {
		t.Error("is still signed in after the token's hour")
	}
	token("long", apitest.Obj{"padding": strings.Repeat("x", 4000)})
	if a := signIn(h.Tokens["long"]); a.StatusCode != http.StatusForbidden {
		t.Errorf("a token that no browser would keep: %d", a.StatusCode)
	}
}
