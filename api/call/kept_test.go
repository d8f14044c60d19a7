package call_test

import (
	"compress/gzip"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync"
	"testing"
	"time"

	"rigledger/api"
	"rigledger/api/apitest"
	"rigledger/api/call"
	"rigledger/fleet"
)

// get asks without the house's own client, which would ask for gzip and hide it.
func get(h *apitest.House, as, path string, headers ...string) *httptest.ResponseRecorder {
	r := httptest.NewRequest("GET", path, nil)
	r.Header.Set("Authorization", "Bearer "+h.Tokens[as])
	for i := 0; i+1 < len(headers); i += 2 {
		r.Header.Set(headers[i], headers[i+1])
	}
	w := httptest.NewRecorder()
	h.API.ServeHTTP(w, r)
	return w
}

// What is kept is never shown to those who may not see it, nor after a write, nor
// on another day; each answer is compared with that of a second API over the same
// fleet, which has kept nothing.
func TestKeptListsAreThoseOfTheMoment(t *testing.T) {
	h := apitest.New(t)
	h.Token("northern", fleet.RoleReader, []string{"north"}, "")
	h.Token("southern", fleet.RoleReader, []string{"south"}, "")
	h.Register("N01", "north")
	h.Register("S01", "south")
	same := func(when string) {
		t.Helper()
		for _, as := range []string{"reader", "northern", "southern", "manager", "reader"} {
			for _, path := range []string{"/v1/rigs", "/v1/rigs?limit=1", "/v1/rigs?limit=1&silent_days=3", "/v1/items?status=due,overdue", "/v1/items?limit=2", "/v1/items?yard=south"} {
				got := get(h, as, path)
				fresh := &apitest.House{T: t, API: api.New(api.Options{Fleet: h.Fleet, Version: "test"}), Tokens: h.Tokens}
				want := get(fresh, as, path)
				for _, name := range []string{"Content-Type", "Link", "Rigledger-Commit", "Content-Length", "Cache-Control", "Vary"} {
					if got.Header().Get(name) != want.Header().Get(name) {
						t.Errorf("%s, %s for %s: %s is %q, want %q", when, path, as, name, got.Header().Get(name), want.Header().Get(name))
					}
				}
				if got.Code != 200 || got.Body.String() != want.Body.String() {
					t.Errorf("%s, %s for %s: %d\n%s\nwant\n%s", when, path, as, got.Code, call.Clip(got.Body.String(), 400), call.Clip(want.Body.String(), 400))
				}
			}
		}
	}
	same("at first")
	same("again")
	h.Send("manager", "POST", "/v1/rigs/S01/readings", apitest.Reading(h.Now().Add(-time.Hour), 30, 90)).Is(200)
	same("after a reading")
	h.Raise()
	same("after raising")
	h.Pass(5 * 24 * time.Hour)
	same("days later, nothing written")
	if text := get(h, "southern", "/v1/rigs").Body.String(); strings.Contains(text, "N01") {
		t.Errorf("the south sees %s", text)
	}
	if got := get(h, "reader", "/v1/rigs?state=perhaps"); got.Code != 422 {
		t.Errorf("a wrong filter answers %d", got.Code)
	}
	get(h, "reader", "/v1/rigs", "Accept-Encoding", "gzip")
	squeezed := get(h, "reader", "/v1/rigs", "Accept-Encoding", "gzip")
	if squeezed.Header().Get("Content-Encoding") != "gzip" {
		t.Fatal("who takes gzip does not get it")
	}
	z, err := gzip.NewReader(squeezed.Body)
	if err != nil {
		t.Fatal(err)
	}
	if text, err := io.ReadAll(z); err != nil || string(text) != get(h, "reader", "/v1/rigs").Body.String() {
		t.Errorf("%v: %s", err, call.Clip(string(text), 200))
	}
}

// Readers that ask for the same at once never see less than what was there when
// they asked.
func TestKeptListsOfManyReadersAreNeverStale(t *testing.T) {
	h := apitest.New(t)
	h.Register("T01", "north")
	stop := make(chan struct{})
	var wait sync.WaitGroup
	for i := range 8 {
		wait.Go(func() {
			for {
				select {
				case <-stop:
					return
				default:
				}
				before := h.Fleet.Head().N
				got := get(h, "reader", "/v1/rigs")
				var commit uint64
				if _, err := fmt.Sscan(got.Header().Get("Rigledger-Commit"), &commit); err != nil || got.Code != http.StatusOK || commit < before {
					t.Errorf("reader %d: %d at commit %d, asked at %d (%v)", i, got.Code, commit, before, err)
					return
				}
			}
		})
	}
	for n := range 60 {
		if _, err := h.Fleet.Do(t.Context(), "test", &fleet.ReportDefect{Rig: "T01", Text: fmt.Sprintf("drip %d", n)}, nil); err != nil {
			t.Error(err)
		}
		if text := get(h, "reader", "/v1/rigs").Body.String(); !strings.Contains(text, fmt.Sprintf(`"open_defects":%d,`, n+1)) {
			t.Errorf("after %d defects: %s", n+1, call.Clip(text, 300))
		}
	}
	close(stop)
	wait.Wait()
}
