package call_test

import (
	"compress/gzip"
	"io"
	"net/http"
	"strconv"
	"strings"
	"testing"
	"time"

	"rigledger/api"
	"rigledger/api/apitest"
	"rigledger/api/call"
)

// raw makes a request that nothing decompresses on the way.
func raw(h *apitest.House, as, method, path string, headers ...string) (*http.Response, []byte) {
	h.T.Helper()
	r, err := http.NewRequest(method, h.URL+path, nil)
	if err != nil {
		h.T.Fatal(err)
	}
	if as != "" {
		r.Header.Set("Authorization", "Bearer "+h.Tokens[as])
	}
	for i := 0; i+1 < len(headers); i += 2 {
		r.Header.Set(headers[i], headers[i+1])
	}
	a, err := (&http.Transport{DisableCompression: true}).RoundTrip(r)
	if err != nil {
		h.T.Fatal(err)
	}
	defer a.Body.Close()
	body, err := io.ReadAll(a.Body)
	if err != nil {
		h.T.Fatal(err)
	}
	return a, body
}

func TestLongAnswersAreCompressedForWhoTakesIt(t *testing.T) {
	h := apitest.New(t)
	h.Register("T01", "north")
	plain, want := raw(h, "reader", "GET", "/v1/rigs/T01")
	if plain.Header.Get("Content-Encoding") != "" || len(want) <= 1<<10 || plain.Header.Get("Vary") != "Accept-Encoding" {
		t.Fatalf("%d bytes, %v", len(want), plain.Header)
	}
	a, body := raw(h, "reader", "GET", "/v1/rigs/T01", "Accept-Encoding", "br;q=1, gzip;q=0.5")
	if a.Header.Get("Content-Encoding") != "gzip" || len(body) >= len(want) || a.Header.Get("Content-Type") != "application/json" {
		t.Fatalf("%d bytes, %v", len(body), a.Header)
	}
	z, err := gzip.NewReader(strings.NewReader(string(body)))
	if err != nil {
		t.Fatal(err)
	}
	if got, err := io.ReadAll(z); err != nil || string(got) != string(want) {
		t.Errorf("%v: %s", err, got)
	}
	// One strong tag for one sequence of bytes; both are known again.
	strong, squeezed := plain.Header.Get("ETag"), a.Header.Get("ETag")
	if squeezed != strings.TrimSuffix(strong, `"`)+`+gzip"` {
		t.Errorf("tags %s and %s", strong, squeezed)
	}
	for _, tag := range []string{strong, squeezed, "W/" + squeezed} {
		if a, _ := raw(h, "reader", "GET", "/v1/rigs/T01", "If-None-Match", tag); a.StatusCode != 304 {
			t.Errorf("If-None-Match %s: %d", tag, a.StatusCode)
		}
	}
	h.Send("manager", "PATCH", "/v1/rigs/T01", apitest.Obj{"name": "High meadow"}, "If-Match", squeezed).Is(200)
	h.Send("manager", "PATCH", "/v1/rigs/T01", apitest.Obj{"name": "Low meadow"}, "If-Match", squeezed).Is(412)

	for sent, takes := range map[string]bool{"": false, "gzip;q=0": false, "br": false, "*": true, "*;q=0": false, "gzip;q=0, *": false, "GZIP": true, "identity": false} {
		a, _ := raw(h, "reader", "GET", "/openapi.yaml", "Accept-Encoding", sent)
		if (a.Header.Get("Content-Encoding") == "gzip") != takes || a.StatusCode != 200 {
			t.Errorf("Accept-Encoding %q: %d %q", sent, a.StatusCode, a.Header.Get("Content-Encoding"))
		}
	}
	if a, body := raw(h, "reader", "GET", "/v1/ledger", "Accept-Encoding", "gzip"); a.Header.Get("Content-Encoding") != "" || len(body) == 0 || len(body) > 1<<10 {
		t.Errorf("a short answer: %d bytes, %v", len(body), a.Header)
	}
	if a, _ := raw(h, "reader", "GET", "/v1/rigs/T01", "Accept-Encoding", "gzip", "Cookie", "x=y"); a.Header.Get("Content-Encoding") != "" {
		t.Error("an answer to a browser that is signed in is compressed")
	}
	if a, body := raw(h, "reader", "HEAD", "/v1/rigs/T01", "Accept-Encoding", "gzip"); a.StatusCode != 200 || len(body) != 0 || a.Header.Get("Content-Encoding") != "gzip" {
		t.Errorf("HEAD: %d, %d bytes, %v", a.StatusCode, len(body), a.Header)
	}
}

func TestOptionsSayWhatGoes(t *testing.T) {
	h := apitest.New(t)
	for path, want := range map[string]string{
		"/v1/rigs": "GET HEAD OPTIONS POST", "/v1/rigs/T01": "GET HEAD OPTIONS PATCH", "/v1/rigs/T01/retire": "OPTIONS POST", "/healthz": "GET HEAD OPTIONS",
	} {
		a, body := raw(h, "", "OPTIONS", path)
		allow := map[string]bool{}
		for _, m := range strings.Split(a.Header.Get("Allow"), ",") {
			allow[strings.TrimSpace(m)] = true
		}
		ok := a.StatusCode == 204 && len(body) == 0 && len(allow) == len(strings.Fields(want))
		for _, m := range strings.Fields(want) {
			ok = ok && allow[m]
		}
		if !ok {
			t.Errorf("OPTIONS %s: %d, Allow %s", path, a.StatusCode, a.Header.Get("Allow"))
		}
	}
	if a, _ := raw(h, "", "OPTIONS", "/v1/nothing"); a.StatusCode != 404 {
		t.Errorf("OPTIONS nowhere: %d", a.StatusCode)
	}
	if a, _ := raw(h, "reader", "DELETE", "/v1/rigs"); a.StatusCode != 405 || a.Header.Get("Allow") == "" {
		t.Errorf("DELETE: %d, Allow %s", a.StatusCode, a.Header.Get("Allow"))
	}
}

func TestATokenThatAsksTooOftenIsToldWhenToComeBack(t *testing.T) {
	h := apitest.New(t)
	h.Serve(func(o *api.Options) { o.Rate = 2 })
	for i := range call.BurstFor * 2 {
		if a := h.Send("reader", "GET", "/v1/ledger", nil); a.Status != 200 {
			t.Fatalf("request %d: %d", i+1, a.Status)
		}
	}
	a := h.Send("reader", "GET", "/v1/ledger", nil).Is(429).Has("/type", "/problems/too-many")
	wait, err := strconv.Atoi(a.Header.Get("Retry-After"))
	if err != nil || wait < 1 || wait > 2 {
		t.Fatalf("Retry-After %q", a.Header.Get("Retry-After"))
	}
	h.Send("operator", "GET", "/v1/ledger", nil).Is(200) // each token for itself
	time.Sleep(time.Duration(wait) * time.Second)
	h.Send("reader", "GET", "/v1/ledger", nil).Is(200)
}
