package access_test

import (
	"context"
	"fmt"
	"net/http"
	"net/http/httptest"
	"sync"
	"testing"
	"time"

	"rigledger/api"
	"rigledger/api/apitest"
	"rigledger/fleet"
)

// otherInstance serves the same ledger a second time.
func otherInstance(h *apitest.House) (url string) {
	h.T.Helper()
	f, err := fleet.Open(context.Background(), fleet.Options{Store: h.Store, Zone: apitest.Zone, Now: h.Now})
	if err != nil {
		h.T.Fatal(err)
	}
	server := httptest.NewServer(api.New(api.Options{Fleet: f}))
	h.T.Cleanup(func() {
		server.Close()
		f.Close()
	})
	return server.URL
}

func TestATokenJustMadeAtOneInstanceIsGoodAtAnotherAfterItsCommit(t *testing.T) {
	h := apitest.New(t)
	here, there := h.URL, otherInstance(h)
	for i := range 10 {
		h.URL = here
		made := h.Send("manager", "POST", "/v1/tokens", apitest.Obj{"name": fmt.Sprint("tablet ", i), "role": "reader"}).Is(201)
		h.Tokens["new"] = made.At("/secret").(string)
		h.URL = there
		h.Send("new", "GET", "/v1/rigs?after_commit="+made.Header.Get("Rigledger-Commit"), nil).Is(200)
	}
}

func TestStrangersCannotHoldConnectionsByAskingForACommitToCome(t *testing.T) {
	h := apitest.New(t)
	const stranger = "rl_01m894bawm2p7tt7aggezb81s9_nothing"
	h.Tokens["stranger"] = stranger
	gone, text := fleet.NewToken("gone", fleet.RoleReader)
	h.Do(gone)
	h.Do(&fleet.RevokeToken{Token: gone.ID()})
	h.Tokens["gone"], h.Tokens["odd"] = text, "odd"
	next := fmt.Sprint("/v1/rigs?after_commit=", h.Fleet.Head().N+1)
	atOnce := func(as, path string, status int) {
		t.Helper()
		began := time.Now()
		h.Send(as, "GET", path, nil).Is(status)
		if took := time.Since(began); took > time.Second {
			t.Errorf("%s %s: waited %v", as, path, took)
		}
	}
	atOnce("stranger", "/v1/rigs", 401)
	atOnce("stranger", "/v1/rigs?after_commit=1", 401)
	atOnce("stranger", "/v1/rigs?after_commit=x", 401)
	atOnce("stranger", fmt.Sprint("/v1/rigs?after_commit=", h.Fleet.Head().N+1_000_000), 401)
	atOnce("gone", next, 401)
	atOnce("odd", next, 401)
	atOnce("", next, 401)

	began := time.Now()
	h.Send("stranger", "GET", next, nil).Is(503).Has("/type", "/problems/behind")
	if took := time.Since(began); took < time.Second || took > 4*time.Second {
		t.Errorf("waited %v", took)
	}

	var all sync.WaitGroup
	defer all.Wait()
	for range 40 {
		all.Go(func() {
			r, _ := http.NewRequest("GET", h.URL+next, nil)
			r.Header.Set("Authorization", "Bearer "+stranger)
			if a, err := http.DefaultClient.Do(r); err == nil {
				a.Body.Close()
			}
		})
	}
	time.Sleep(500 * time.Millisecond)
	atOnce("stranger", next, 503)
	atOnce("reader", "/v1/rigs", 200)
}
