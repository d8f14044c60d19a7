package console_test

import (
	"context"
	"fmt"
	"net"
	"net/http"
	"net/http/httptest"
	"net/http/httputil"
	"net/url"
	"sync/atomic"
	"testing"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"

	"rigledger/fleet"
)

// restarts puts a house behind an address that can be taken away and given back,
// as a service that is restarted, or a proxy in front of one that is gone.
type restarts struct {
	*httptest.Server
	gone atomic.Int32 // 0 there, 1 nobody listens to what is said, 2 a proxy answers for it
}

func (h *house) behind(t *testing.T) *restarts {
	t.Helper()
	to, err := url.Parse(h.url)
	if err != nil {
		t.Fatal(err)
	}
	on := httputil.NewSingleHostReverseProxy(to)
	on.FlushInterval = -1
	r := &restarts{}
	r.Server = httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, q *http.Request) {
		switch r.gone.Load() {
		case 1:
			conn, _, err := http.NewResponseController(w).Hijack()
			if err == nil {
				_ = conn.(*net.TCPConn).SetLinger(0)
				_ = conn.Close()
			}
		case 2:
			w.WriteHeader(http.StatusBadGateway)
		default:
			on.ServeHTTP(w, q)
		}
	}))
	t.Cleanup(r.Close)
	h.url = r.URL
	return r
}

func (r *restarts) away(how int32) {
	r.gone.Store(how)
	r.CloseClientConnections() // the live pages' streams too
}

// The page says that the service is away, keeps what is typed, and takes up again.
func TestAServiceThatIsAway(t *testing.T) {
	for name, how := range map[string]int32{"nobody listens": 1, "a proxy answers for it": 2} {
		t.Run(name, func(t *testing.T) {
			h := newHouse(t)
			h.register("T01", "north", nil)
			r := h.behind(t)
			b := h.open("manager", "/start/T01")
			defer b.forgive()
			b.type_("#reading-n-counters-0-value", "0,4")
			r.away(how)
			b.sees("The service does not answer.")
			b.click("#form-reading button[type=submit]")
			b.until(`!document.querySelector("#form-reading button[type=submit]").disabled`, "the button")
			if !b.eval(`document.querySelector("#reading-n-counters-0-value").value === "0,4" && !document.getElementById("unanswered").hidden`) {
				t.Error("the page or what was typed is gone")
			}
			r.gone.Store(0)
			b.until(`document.getElementById("unanswered").hidden`, "the service")
			b.click("#form-reading button[type=submit]")
			b.sees("The reading was taken.")
		})
	}
}

// forgive drops what the browser wrote to its console while the service was away.
func (b *tab) forgive() {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.noise = nil
}

// A refusal moves to its field; what is corrected is sent once however often one
// presses; and the way back in the browser meets pages only.
func TestARefusalAndTheWayBack(t *testing.T) {
	h := newHouse(t)
	h.register("T01", "north", nil)
	b := h.open("manager", "/workshop")
	b.goTo("/rigs/T01")
	b.press("Another yard, name or size")
	b.set("#amend-n-tank_l", "many")
	b.click("#form-amend button[type=submit]")
	b.sees("This is not a number.")
	b.until(`document.activeElement.id === "amend-n-tank_l"`, "the field that is wrong")
	b.set("#amend-n-tank_l", "4,200")
	b.eval(`(() => { const b = document.querySelector("#form-amend button[type=submit]"); b.click(); b.click(); document.querySelector("#form-amend").requestSubmit(); return true })()`)
	b.until(`document.querySelector(".said") !== null`, "what is on record")
	if got := h.send("manager", "GET", "/v1/rigs/T01", nil)["tank_l"]; got != 4200.0 {
		t.Errorf("the tank holds %v l", got)
	}
	if facts := h.send("manager", "GET", "/v1/feed?kind=rig.amended", nil)["facts"].([]any); len(facts) != 1 {
		t.Errorf("it was amended %d times", len(facts))
	}
	b.eval(`(() => { history.back(); return true })()`)
	b.until(`document.querySelector("main h1") !== null && (location.pathname === "/workshop" || location.pathname === "/rigs/T01")`, "a page")
	if b.eval(`document.getElementById("wrong") !== null`) {
		t.Error("the way back meets the refusal")
	}
}

// What is a thousand to the reader's page is a thousand in a field, in any language.
func TestNumbersInTheReadersLanguage(t *testing.T) {
	h := newHouse(t)
	h.register("T01", "north", nil)
	for language, c := range map[string]struct {
		typed string
		want  float64
	}{
		"en_GB": {"3,700", 3700}, "de_DE": {"3.600", 3600}, "tr_TR": {"3.900", 3900}, "fr_FR": {"4\u202f100", 4100}, "ar_EG": {"\u0663\u066c\u0668\u0660\u0660", 3800},
	} {
		t.Run(language, func(t *testing.T) {
			b := h.open("manager", "")
			b.speaks(language)
			b.goTo("/rigs/T01")
			b.press("Another yard, name or size")
			b.set("#amend-n-tank_l", c.typed)
			b.click("#form-amend button[type=submit]")
			b.until(`document.querySelector(".said") !== null`, "what is on record")
			if got := h.send("manager", "GET", "/v1/rigs/T01", nil)["tank_l"]; got != c.want {
				t.Errorf("%s is on record as %v l", c.typed, got)
			}
		})
	}
}

// speaks sets the language of the browser's tab.
func (b *tab) speaks(language string) {
	b.t.Helper()
	b.must(chromedp.Func(func(ctx context.Context, t *chromedp.Target) error {
		return call(ctx, t, emulation.SetLocaleOverride, emulation.SetLocaleOverrideParams{Locale: language})
	}))
}

// What was typed comes back also where it is folded away.
func TestWhatWasTypedIsUnfolded(t *testing.T) {
	h := newHouse(t)
	h.register("T01", "north", nil)
	b := h.open("manager", "/rigs/T01")
	b.press("Report a defect")
	b.type_("#defect-s-text", "nut loose")
	b.goTo("/workshop")
	b.goTo("/rigs/T01")
	b.until(`document.querySelector("#defect-s-text").value === "nut loose" && document.querySelector("#defect-s-text").offsetParent !== null`, "what was typed")
	if b.eval(`[...document.querySelectorAll("#main details[open]")].some((d) => !d.querySelector("#defect-s-text") && d.querySelector("form"))`) {
		t.Error("forms in which nothing was typed are unfolded too")
	}
}

// A session that ends in mid-form: the door takes the page's place, and what was
// typed is there again behind it.
func TestTheDoorInMidForm(t *testing.T) {
	h := newHouse(t)
	h.register("T01", "north", nil)
	h.token("short", fleet.RoleWorkshop, nil)
	b := h.open("short", "/rigs/T01")
	defer b.forgive()
	b.press("Report a defect")
	b.type_("#defect-s-text", "hose chafed")
	h.revoke("short")
	b.click("#form-defect button[type=submit]")
	b.sees("Your session has ended")
	b.type_("#token", h.tokens["workshop"])
	b.press("Sign in")
	b.until(`location.pathname === "/rigs/T01" && document.querySelector("#defect-s-text")?.value === "hose chafed"`, "what was typed")
	b.sees("You are signed in again")
	if b.eval(`location.search !== ""`) {
		t.Error("the address still has the mark of what was shown once")
	}
	b.click("#form-defect button[type=submit]")
	b.sees("Defect reported.")
}

// revoke ends a token.
func (h *house) revoke(name string) {
	h.t.Helper()
	for _, one := range h.send("manager", "GET", "/v1/tokens", nil)["tokens"].([]any) {
		if one := one.(obj); one["name"] == name {
			h.send("manager", "POST", fmt.Sprintf("/v1/tokens/%v/revoke", one["token"]), nil)
			return
		}
	}
	h.t.Fatalf("there is no token %s", name)
}
