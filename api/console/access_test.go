package console_test

import (
	"regexp"
	"strings"
	"testing"

	"rigledger/fleet"
)

func TestAccessIsForManagers(t *testing.T) {
	h := newHouse(t)
	for _, role := range []string{"workshop", "operator", "reader"} {
		v := h.visit(role)
		v.get("/access").is(403).hasNot("Tokens", "Hooks")
		v.get("/").hasNot(`href="/access"`)
	}
	page := h.visit("manager").get("/access").is(200).has("Tokens", "Hooks", "Calendars", "the one you are using")
	for name, token := range h.tokens {
		if strings.Contains(page.text, token) {
			t.Errorf("the page shows the token of %s", name)
		}
	}
}

var secretShown = regexp.MustCompile(`class="code secret">([^<]+)<`)

func (s sheet) secrets() (all []string) {
	s.t.Helper()
	for _, m := range secretShown.FindAllStringSubmatch(s.text, -1) {
		all = append(all, m[1])
	}
	if len(all) == 0 {
		s.t.Fatal("the page shows no secret")
	}
	return all
}

func TestASecretIsShownOnce(t *testing.T) {
	h := newHouse(t)
	h.register("T01", "north", nil)
	v := h.visit("manager")
	page := v.get("/access").is(200)
	v.fill(page, "/access", "token", map[string]string{"s:/name": ""}).is(422).has(`id="new-token" open`)
	made := v.fill(page, "/access", "token", map[string]string{"s:/name": "Ana at the bench", "s:/role": "workshop", "l:/yards": "north", "t:/expires": "2026-12-31T12:00"}).is(200)
	secret := made.secrets()[0]
	checkHTML(t, "/access", made.text)
	if made.header.Get("Location") != "" || made.header.Get("Cache-Control") != "no-store" {
		t.Error("the secret may be kept or is in an address")
	}
	h.tokens["ana"] = secret
	h.visit("ana").get("/intake").is(200)
	page = v.get("/access").is(200).has("Ana at the bench", "workshop").hasNot(secret)

	address := v.fill(page, "/access", "calendar", map[string]string{"s:/name": "North's jobs", "s:/yard": "north"}).is(200).secrets()[0]
	if !strings.HasPrefix(address, h.url+"/v1/exchange/calendar/") {
		t.Errorf("the calendar's address is %q", address)
	}
	h.visit("").get(strings.TrimPrefix(address, h.url)).is(200).has("BEGIN:VCALENDAR")
	page = v.get("/access").is(200).has("North&#39;s jobs").hasNot(address)

	choose := v.get("/access?rig=T01").is(200).has("has no way in yet")
	way := v.fill(choose, "/access?rig=T01", "credential", nil).is(200).has("rig.T01.reading", "rig/T01/reading").secrets()
	checkHTML(t, "/access?rig", choose.text)
	if len(way) != 2 {
		t.Fatalf("a way in has %d secrets, want user and password", len(way))
	}
	v.get("/access?rig=T01").is(200).has(way[0]).hasNot(way[1])

	hook := v.fill(page, "/access", "hook", map[string]string{"s:/name": "Office", "s:/url": "https://office.example/facts", "l:/kinds": "item.raised"}).is(200).secrets()[0]
	if !strings.HasPrefix(hook, "whsec_") {
		t.Errorf("the hook's secret is %q", hook)
	}
	v.get("/access").is(200).has("Office", "https://office.example/facts", "item.raised").hasNot(hook)
	v.fill(page, "/access", "hook", map[string]string{"s:/name": "Inside", "s:/url": "ftp://x"}).is(422).has(`id="new-hook" open`)
}

func TestTokensAndHooksEnd(t *testing.T) {
	h := newHouse(t)
	h.register("T01", "north", nil)
	cmd, text := fleet.NewToken("Leaver", fleet.RoleReader)
	h.do(cmd)
	h.tokens["leaver"] = text
	gone := h.visit("leaver")
	gone.get("/intake").is(200)
	v := h.visit("manager")
	v.fill(v.get("/access"), "/access", "revoke-"+cmd.ID(), map[string]string{"s:/reason": "left"}).is(303)
	gone.get("/intake").is(200).has(`action="/sign-in"`)
	v.get("/access").is(200).has("Revoked. It lets nobody in any more.", "1</data> revoked or expired")

	id := h.send("manager", "POST", "/v1/hooks", obj{"name": "Office", "url": "https://office.example/facts"})["hook"].(string)
	v.fill(v.get("/access"), "/access", "disable-"+id, map[string]string{"s:/reason": "moving"}).is(303)
	said := v.get("/access").is(200).has("disabled", "moving")
	v.fill(said, "/access", "undo", nil).is(303)
	v.get("/access?hook="+id).is(200).has("delivers", "Nothing has been sent since this instance started").hasNot("moving")
	page := v.get("/access")
	if one, two := v.fill(page, "/access", "rotate-"+id, nil).is(200).secrets()[0], v.fill(page, "/access", "rotate-"+id, nil).is(200).secrets()[0]; one == two {
		t.Error("the secret was not renewed")
	}
	v.get("/access").has("Old secret signs until")
	v.fill(v.get("/access"), "/access", "remove-"+id, nil).is(303)
	v.get("/access").hasNot("Office")

	v.fill(v.get("/access"), "/access", "calendar", map[string]string{"s:/name": "All", "s:/yard": "north"}).is(200)
	var calendar string
	h.fleet.View(func(s *fleet.State) {
		for k := range s.Calendars {
			calendar = k
		}
	})
	v.fill(v.get("/access"), "/access", "end-"+calendar, nil).is(303)
	v.get("/access").has("No calendar is given out")
}

// TestAManagerOfAYardSeesItsAccessAlone: as in the API.
func TestAManagerOfAYardSeesItsAccessAlone(t *testing.T) {
	h := newHouse(t)
	h.register("T01", "north", nil)
	h.register("T02", "south", nil)
	h.token("south", fleet.RoleManager, []string{"south"})
	h.send("manager", "POST", "/v1/hooks", obj{"name": "Whole fleet", "url": "https://office.example/facts"})
	h.visit("south").get("/access").is(200).has("T02").hasNot("T01", "Whole fleet", "<bdi>reader</bdi>")
}

func TestAccessInABrowser(t *testing.T) {
	h := newHouse(t)
	h.register("T01", "north", nil)
	h.send("manager", "POST", "/v1/hooks", obj{"name": wicked, "url": "https://office.example/facts?" + strings.Repeat("x", 300)})
	h.send("manager", "POST", "/v1/exchange/calendars", obj{"name": strings.Repeat("Long", 25), "yard": "north"})
	b := h.open("manager", "/ledger")
	b.press("Access: tokens, hooks, calendars and the rigs' own ways in")
	b.sees("Who comes in, with what")
	b.press("Make a token")
	b.type_(`#form-token input[name="s:/name"]`, "Gate terminal")
	b.looks("access")
	b.size(1440, 900, "light")
	b.press("Make the token")
	b.sees("Shown this once: Gate terminal")
	secret := b.text(".secret")
	if !strings.HasPrefix(secret, "rl_") {
		t.Errorf("the secret shown is %q", secret)
	}
	b.looks("access-once")
	b.goTo("/access")
	b.sees("Gate terminal")
	if !b.eval(`!document.documentElement.outerHTML.includes(` + "`" + secret + "`" + `) && !JSON.stringify({...localStorage, ...sessionStorage}).includes(` + "`" + secret + "`" + `)`) {
		t.Error("the secret is still there")
	}
	if !b.eval(`document.querySelectorAll("main img, main script").length === 0`) {
		t.Error("a hostile name became part of the page")
	}
}
