package api

import (
	"strings"
	"testing"
	"time"

	"rigledger/fleet"
)

func TestATokensLifeOverTheAPI(t *testing.T) {
	h := newHouse(t)
	made := h.send("manager", "POST", "/v1/tokens", obj{
		"name": "Harvest help", "role": "reader", "yards": []string{"north"}, "expires": h.now().Add(time.Hour).Format(time.RFC3339),
	}).is(201).has("/last_used", nil)
	h.tokens["help"] = made.at("/secret").(string)
	shown := func() obj {
		t.Helper()
		for _, e := range h.send("manager", "GET", "/v1/tokens", nil).is(200).list("/tokens") {
			if e := e.(map[string]any); e["token"] == made.at("/token") {
				return e
			}
		}
		t.Fatal("is not listed")
		return nil
	}
	if at := shown()["last_used"]; at != nil {
		t.Errorf("used at %v before it was", at)
	}
	head := h.fleet.Head().N
	h.pass(1234 * time.Millisecond)
	h.send("help", "GET", "/v1/ledger", nil).is(200)
	if at := shown()["last_used"]; at != "2026-05-04T06:00:01Z" {
		t.Errorf("used at %v", at)
	}
	if h.fleet.Head().N != head {
		t.Error("a request wrote to the ledger")
	}
	h.pass(time.Hour)
	h.send("help", "GET", "/v1/ledger", nil).is(401)
	if at := shown()["last_used"]; at != "2026-05-04T06:00:01Z" {
		t.Errorf("a refused request is taken for a use: %v", at)
	}

	id, text := fleet.NewToken("Tablet", fleet.RoleWorkshop)
	h.do(id)
	h.tokens["tablet"] = text
	h.send("tablet", "GET", "/v1/rigs", nil).is(200)
	h.send("tablet", "POST", "/v1/tokens/"+id.ID()+"/revoke", nil).is(403)
	h.send("manager", "POST", "/v1/tokens/"+id.ID()+"/revoke", obj{"reason": "lost"}).is(200).has("/revoked", true)
	h.send("tablet", "GET", "/v1/rigs", nil).is(401)
	h.send("manager", "POST", "/v1/tokens", obj{"name": "x", "role": "reader", "expires": h.now().Format(time.RFC3339)}).is(422).has("/errors/0/pointer", "/expires")
	h.send("manager", "POST", "/v1/tokens", obj{"name": "openid:ana", "role": "reader"}).is(422).has("/errors/0/pointer", "/name")

	if err := h.fleet.NoteUses(t.Context()); err != nil {
		t.Fatal(err)
	}
	if feed := string(h.send("manager", "GET", "/v1/feed?after=0&limit=500", nil).is(200).body); strings.Contains(feed, "token.used") {
		t.Error("the feed shows when tokens were used")
	}
}
