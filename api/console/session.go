package console

import (
	"crypto/sha256"
	"crypto/subtle"
	"encoding/base64"
	"net/http"
	"strings"
	"time"

	"rigledger/fleet"
)

// formMost bounds a form's body, in bytes.
const formMost = 16 << 10

// sessionDays is how long a browser keeps a token.
const sessionDays = 30

func (c *Console) cookieName(plain string) string {
	if c.secure {
		return "__Host-" + plain // the browser then insists on Secure, path / and this very host
	}
	return plain
}

func (c *Console) cookie(name, value string, age int) *http.Cookie {
	return &http.Cookie{
		Name: c.cookieName(name), Value: value, Path: "/", MaxAge: age, HttpOnly: true, Secure: c.secure, SameSite: http.SameSiteStrictMode,
	}
}

const (
	sessionCookie = "rigledger"       // the token
	visitCookie   = "rigledger-visit" // a random value that binds the sign-in form to the browser
)

// session gives who the browser's token lets in. A rig's token has no page.
func (c *Console) session(r *http.Request) (who fleet.Holder, token string, ok bool) {
	k, err := r.Cookie(c.cookieName(sessionCookie))
	if err != nil {
		return who, "", false
	}
	who, ok = c.fleet.HolderOf(k.Value)
	return who, k.Value, ok && who.Role != fleet.RoleRig
}

// formToken is made of a secret that only this browser's cookie holds, so
// another site cannot write it into a form.
func formToken(secret string) string {
	sum := sha256.Sum256([]byte("rigledger form\x00" + secret))
	return base64.RawURLEncoding.EncodeToString(sum[:18])
}

func (c *Console) askToSignIn(w http.ResponseWriter, r *http.Request, status int, wrong string) {
	visit := ""
	if k, err := r.Cookie(c.cookieName(visitCookie)); err == nil && len(k.Value) == 43 {
		visit = k.Value
	} else {
		visit = fleet.Secret()
		http.SetCookie(w, c.cookie(visitCookie, visit, int((24*time.Hour).Seconds())))
	}
	c.show(w, status, "signin.html", frame{Title: "Sign in", Form: formToken(visit), Wrong: wrong})
}

// ours says whether a form was sent from our own page by this browser.
func (c *Console) ours(w http.ResponseWriter, r *http.Request, cookie string) bool {
	if c.guard.Check(r) != nil { // Sec-Fetch-Site, else Origin
		return false
	}
	r.Body = http.MaxBytesReader(w, r.Body, formMost)
	if r.ParseForm() != nil {
		return false
	}
	k, err := r.Cookie(c.cookieName(cookie))
	if err != nil {
		return false
	}
	return subtle.ConstantTimeCompare([]byte(r.PostForm.Get("form")), []byte(formToken(k.Value))) == 1
}

func (c *Console) signIn(w http.ResponseWriter, r *http.Request) {
	if !c.ours(w, r, visitCookie) {
		c.askToSignIn(w, r, http.StatusForbidden, "The form did not come from this page. Please try again.")
		return
	}
	token := strings.TrimSpace(r.PostForm.Get("token"))
	who, ok := c.fleet.HolderOf(token)
	switch {
	case !ok:
		c.askToSignIn(w, r, http.StatusUnauthorized, "This token is not known, was revoked or has expired.")
		return
	case who.Role == fleet.RoleRig:
		c.askToSignIn(w, r, http.StatusForbidden, "A rig's token is for the rig, not for this page.")
		return
	}
	http.SetCookie(w, c.cookie(sessionCookie, token, sessionDays*24*3600))
	http.SetCookie(w, c.cookie(visitCookie, "", -1))
	http.Redirect(w, r, "/", http.StatusSeeOther)
}

func (c *Console) signOut(w http.ResponseWriter, r *http.Request) {
	if !c.ours(w, r, sessionCookie) {
		c.show(w, http.StatusForbidden, "signin.html", frame{Title: "Sign out", Wrong: "The form did not come from this page."})
		return
	}
	http.SetCookie(w, c.cookie(sessionCookie, "", -1))
	http.Redirect(w, r, "/", http.StatusSeeOther)
}
