package access_test

import (
	"strings"
	"testing"
	"time"

	"rigledger/api/apitest"
	"rigledger/fleet"
)

func TestATokensLifeOverTheAPI(t *testing.T) {
	h := apitest.New(t)
	made := h.Send("manager", "POST", "/v1/tokens", apitest.Obj{
		"name": "Harvest help", "role": "reader", "yards": []string{"north"}, "expires": h.Now().Add(time.Hour).Format(time.RFC3339),
	}).Is(201).Has("/last_used", nil)
	h.Tokens["help"] = made.At("/secret").(string)
	shown := func() apitest.Obj {
		t.Helper()
		for _, e := range h.Send("manager", "GET", "/v1/tokens", nil).Is(200).List("/tokens") {
			if e := e.(map[string]any); e["token"] == made.At("/token") {
				return e
			}
		}
		t.Fatal("is not listed")
		return nil
	}
	if at := shown()["last_used"]; at != nil {
		t.Errorf("used at %v before it was", at)
	}
	head := h.Fleet.Head().N
	h.Pass(1234 * time.Millisecond)
	h.Send("help", "GET", "/v1/ledger", nil).Is(200)
	if at := shown()["last_used"]; at != "2026-05-04T06:00:01Z" {
		t.Errorf("used at %v", at)
	}
	if h.Fleet.Head().N != head {
		t.Error("a request wrote to the ledger")
	}
	h.Pass(time.Hour)
	h.Send("help", "GET", "/v1/ledger", nil).Is(401)
	if at := shown()["last_used"]; at != "2026-05-04T06:00:01Z" {
		t.Errorf("a refused request is taken for a use: %v", at)
	}

	id, text := fleet.NewToken("Tablet", fleet.RoleWorkshop)
	h.Do(id)
	h.Tokens["tablet"] = text
	h.Send("tablet", "GET", "/v1/rigs", nil).Is(200)
	h.Send("tablet", "POST", "/v1/tokens/"+id.ID()+"/revoke", nil).Is(403)
	h.Send("manager", "POST", "/v1/tokens/"+id.ID()+"/revoke", apitest.Obj{"reason": "lost"}).Is(200).Has("/revoked", true)
	h.Send("tablet", "GET", "/v1/rigs", nil).Is(401)
	h.Send("manager", "POST", "/v1/tokens", apitest.Obj{"name": "x", "role": "reader", "expires": h.Now().Format(time.RFC3339)}).Is(422).Has("/errors/0/pointer", "/expires")
	h.Send("manager", "POST", "/v1/tokens", apitest.Obj{"name": "openid:ana", "role": "reader"}).Is(422).Has("/errors/0/pointer", "/name")

	if err := h.Fleet.NoteUses(t.Context()); err != nil {
		t.Fatal(err)
	}
	if feed := string(h.Send("manager", "GET", "/v1/feed?after=0&limit=500", nil).Is(200).Body); strings.Contains(feed, "token.used") {
		t.Error("the feed shows when tokens were used")
	}
}
