package console

import (
	"crypto/sha256"
	"crypto/subtle"
	"encoding/base64"
	"errors"
	"net/http"
	"strings"
	"time"

	"rigledger/fleet"
)

// cookieMost is how long a token may be: browsers keep cookies of at least 4096
// bytes with name and attributes (RFC 6265, section 6.1), and drop longer ones.
const cookieMost = 3900

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
	who, ok = c.holder(r.Context(), k.Value)
	return who, k.Value, ok && who.Role != fleet.RoleRig
}

// formToken is made of a secret that only this browser's cookie holds, so
// another site cannot write it into a form.
func formToken(secret string) string {
	sum := sha256.Sum256([]byte("rigledger form\x00" + secret))
	return base64.RawURLEncoding.EncodeToString(sum[:18])
}

// askToSignIn shows the way in, and where it leads after.
func (c *Console) askToSignIn(w http.ResponseWriter, r *http.Request, status int, wrong string) {
	visit := ""
	if k, err := r.Cookie(c.cookieName(visitCookie)); err == nil && len(k.Value) == 43 {
		visit = k.Value
	} else {
		visit = fleet.Secret()
		http.SetCookie(w, c.cookie(visitCookie, visit, int((24*time.Hour).Seconds())))
	}
	to := r.URL.RequestURI()
	if r.Method == http.MethodPost {
		to = r.PostForm.Get("to") // once the form was read, else nothing
	}
	if !localPath(to) {
		to = "/"
	}
	f := frame{Title: word("Sign in"), Form: formToken(visit), Wrong: wrong, Version: c.version, Notice: fleet.FitnessNotice, D: to}
	if err := c.fill(w, "signin.html", status, f); err != nil {
		c.log.Error("a page could not be made", "page", "signin.html", "error", err)
	}
}

// ours says whether a form was sent from our own page by this browser.
func (c *Console) ours(r *http.Request, cookie string) bool {
	if c.guard.Check(r) != nil { // Sec-Fetch-Site, else Origin
		return false
	}
	if err := r.ParseMultipartForm(formHeld); err != nil && !errors.Is(err, http.ErrNotMultipart) {
		return false
	}
	k, err := r.Cookie(c.cookieName(cookie))
	if err != nil {
		return false
	}
	return subtle.ConstantTimeCompare([]byte(r.PostForm.Get("form")), []byte(formToken(k.Value))) == 1
}

func (c *Console) signIn(w http.ResponseWriter, r *http.Request) {
	if !c.ours(r, visitCookie) {
		c.askToSignIn(w, r, http.StatusForbidden, word("The form did not come from this page. Please try again."))
		return
	}
	token := strings.TrimSpace(r.PostForm.Get("token"))
	who, ok := c.holder(r.Context(), token)
	switch {
	case !ok:
		c.askToSignIn(w, r, http.StatusUnauthorized, word("This token is not known, was revoked or has expired."))
		return
	case who.Role == fleet.RoleRig:
		c.askToSignIn(w, r, http.StatusForbidden, word("A rig's token is for the rig, not for this page."))
		return
	case len(token) > cookieMost:
		c.askToSignIn(w, r, http.StatusForbidden, word("This token is longer than a browser keeps. Ask for one with fewer claims in it."))
		return
	}
	http.SetCookie(w, c.cookie(sessionCookie, token, sessionDays*24*3600))
	http.SetCookie(w, c.cookie(visitCookie, "", -1))
	to := r.PostForm.Get("to")
	if !localPath(to) {
		to = "/"
	}
	http.Redirect(w, r, to, http.StatusSeeOther)
}

func (c *Console) signOut(w http.ResponseWriter, r *http.Request) {
	if !c.ours(r, sessionCookie) {
		c.askToSignIn(w, r, http.StatusForbidden, word("The form did not come from this page. You are still signed in."))
		return
	}
	http.SetCookie(w, c.cookie(sessionCookie, "", -1))
	http.Redirect(w, r, "/", http.StatusSeeOther)
}
