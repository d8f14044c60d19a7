package service

import (
	"context"
	"io"
	"net/http"
	"strings"
	"testing"
	"time"

	"rigledger/api/openid/openidtest"
)

func ask(t *testing.T, url, token string) (int, string) {
	t.Helper()
	r, err := http.NewRequest("GET", url, nil)
	if err != nil {
		t.Fatal(err)
	}
	if token != "" {
		r.Header.Set("Authorization", "Bearer "+token)
	}
	a, err := http.DefaultClient.Do(r)
	if err != nil {
		t.Fatal(err)
	}
	defer a.Body.Close()
	text, _ := io.ReadAll(a.Body)
	return a.StatusCode, string(text)
}

func TestAServiceStartsWithoutItsIssuerAndTakesItsTokensOnceItIsThere(t *testing.T) {
	issuer := openidtest.New(t)
	issuer.Down()
	o := Options{Data: t.TempDir(), HTTP: "127.0.0.1:0", NATS: "127.0.0.1:0", OIDCIssuer: issuer.URL, OIDCAudience: openidtest.Audience, OIDCRoleClaim: "groups.farm"}
	s, err := Start(context.Background(), o)
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	base := "http://" + s.Addresses.HTTP
	claims := issuer.Claims(time.Now())
	claims["groups"] = map[string]any{"farm": []string{"reader"}}
	token := issuer.Token(claims)
	if status, _ := ask(t, base+"/v1/ledger", token); status != 401 {
		t.Errorf("without the issuer: %d", status)
	}
	// Start answers HTTP before its intake has reached the road, so not ready at
	// first is right; the missing issuer must not keep it from getting ready.
	if text := askUntil200(t, base+"/readyz", ""); !strings.Contains(text, `"minor":true`) {
		t.Errorf("readyz: %s", text)
	}
	issuer.Up()
	askUntil200(t, base+"/v1/ledger", token)
}

// askUntil200 asks again until the answer is 200, and gives that answer's text.
func askUntil200(t *testing.T, url, token string) string {
	t.Helper()
	for end := time.Now().Add(time.Minute); ; time.Sleep(100 * time.Millisecond) {
		status, text := ask(t, url, token)
		if status == 200 {
			return text
		}
		if time.Now().After(end) {
			t.Fatalf("%s: still %d %s", url, status, text)
		}
	}
}

func TestAnIssuerIsRefusedWhenItCannotBeTrusted(t *testing.T) {
	for name, o := range map[string]Options{
		"without an audience":   {OIDCIssuer: "https://login.example"},
		"without an issuer":     {OIDCAudience: "rigledger"},
		"over http from afar":   {OIDCIssuer: "http://login.example", OIDCAudience: "rigledger"},
		"with something beside": {OIDCIssuer: "https://login.example?a=b", OIDCAudience: "rigledger"},
	} {
		o.Data, o.HTTP, o.NATS = t.TempDir(), "127.0.0.1:0", "127.0.0.1:0"
		s, err := Start(context.Background(), o)
		if err == nil {
			s.Close()
		}
		if err == nil || !strings.Contains(err.Error(), "--oidc-") {
			t.Errorf("%s: %v", name, err)
		}
	}
}
