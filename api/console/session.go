package console

import (
	"crypto/sha256"
	"crypto/subtle"
	"encoding/base64"
	"errors"
	"net/http"
	"net/url"
	"regexp"
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

// door is what the way in shows: where it leads, and what was typed when the
// session had ended before the form was sent.
type door struct {
	To, Carried string
	Ended       bool // there was a session
	Sent        bool // and a form that it did not take
	Photos      bool // with photos, which cannot be carried
}

// carriedMost bounds what was typed on its way through the door; browsers and
// proxies take a hidden field of that size anywhere.
const carriedMost = 128 << 10

// askToSignIn shows the way in, and where it leads after.
func (c *Console) askToSignIn(w http.ResponseWriter, r *http.Request) {
	status := http.StatusOK // the way in is a page like others; a browser writes anything else to its console
	d := door{To: r.URL.RequestURI()}
	if k, err := r.Cookie(c.cookieName(sessionCookie)); err == nil && k.Value != "" {
		d.Ended = true
	}
	if r.Method == http.MethodPost {
		status = http.StatusUnauthorized
		d.carry(c, r)
		if r.Header.Get(partHeader) == formPart {
			status = http.StatusOK
		}
	}
	c.showDoor(w, r, status, "", d)
}

// carry keeps what was typed into a form of a page that was sent after the
// session had ended. Another site's form is not carried.
func (d *door) carry(c *Console, r *http.Request) {
	if !c.readable(r) {
		return
	}
	d.Sent = true
	if page := r.PostForm.Get("page"); page != "" { // the address itself is for sending only
		d.To = page
	}
	if r.MultipartForm != nil {
		defer func() { _ = r.MultipartForm.RemoveAll() }()
		for _, files := range r.MultipartForm.File {
			for _, sent := range files {
				d.Photos = d.Photos || sent.Size > 0
			}
		}
	}
	carried := url.Values{}
	for name, values := range r.PostForm {
		if fieldName.MatchString(name) || name == "is" || name == "once" || name == writesField {
			carried[name] = values
		}
	}
	if text := carried.Encode(); carried.Get("is") != "" && len(text) <= carriedMost {
		d.Carried = text
	}
}

// fieldName is the name of a form's field (field.go).
var fieldName = regexp.MustCompile(`^[a-z]:/.`)

func (c *Console) showDoor(w http.ResponseWriter, r *http.Request, status int, wrong string, d door) {
	visit := ""
	if k, err := r.Cookie(c.cookieName(visitCookie)); err == nil && len(k.Value) == 43 {
		visit = k.Value
	} else {
		visit = fleet.Secret()
		http.SetCookie(w, c.cookie(visitCookie, visit, int((24*time.Hour).Seconds())))
	}
	if !localPath(d.To) {
		d.To = "/"
	}
	f := frame{Title: word("Sign in"), Form: formToken(visit), Wrong: wrong, Version: c.version, Notice: fleet.FitnessNotice, D: d}
	if err := c.fill(w, "signin.html", status, f); err != nil {
		c.log.Error("a page could not be made", "page", "signin.html", "error", err)
	}
}

// ours says whether a form was sent from our own page by this browser, in the
// session that it has now.
func (c *Console) ours(r *http.Request, cookie string) bool {
	return c.readable(r) && c.bound(r, cookie)
}

// readable says whether no other site sent a form, and it can be read.
func (c *Console) readable(r *http.Request) bool {
	if c.guard.Check(r) != nil { // Sec-Fetch-Site, else Origin
		return false
	}
	err := r.ParseMultipartForm(formHeld)
	return err == nil || errors.Is(err, http.ErrNotMultipart)
}

// bound says whether a form that was read has the secret of the browser's cookie.
func (c *Console) bound(r *http.Request, cookie string) bool {
	k, err := r.Cookie(c.cookieName(cookie))
	return err == nil && subtle.ConstantTimeCompare([]byte(r.PostForm.Get("form")), []byte(formToken(k.Value))) == 1
}

func (c *Console) signIn(w http.ResponseWriter, r *http.Request) {
	if !c.ours(r, visitCookie) {
		c.showDoor(w, r, http.StatusForbidden, word("The form did not come from this page. Please try again."), door{To: r.PostForm.Get("to")})
		return
	}
	d := door{To: r.PostForm.Get("to"), Carried: r.PostForm.Get("carried"), Ended: r.PostForm.Get("ended") != ""}
	d.Sent = d.Carried != ""
	token := strings.TrimSpace(r.PostForm.Get("token"))
	who, ok := c.holder(r.Context(), token)
	switch {
	case !ok:
		c.showDoor(w, r, http.StatusUnauthorized, word("This token is not known, was revoked or has expired."), d)
		return
	case who.Role == fleet.RoleRig:
		c.showDoor(w, r, http.StatusForbidden, word("A rig's token is for the rig, not for this page."), d)
		return
	case len(token) > cookieMost:
		c.showDoor(w, r, http.StatusForbidden, word("This token is longer than a browser keeps. Ask for one with fewer claims in it."), d)
		return
	}
	http.SetCookie(w, c.cookie(sessionCookie, token, sessionDays*24*3600))
	http.SetCookie(w, c.cookie(visitCookie, "", -1))
	if !localPath(d.To) {
		d.To = "/"
	}
	http.Redirect(w, r, c.broughtBack(d, token), http.StatusSeeOther)
}

// broughtBack is where the door leads: with what was typed before, as a form that
// is shown again and not yet sent.
func (c *Console) broughtBack(d door, token string) string {
	to, err := url.Parse(d.To)
	if err != nil {
		return "/"
	}
	q := to.Query()
	q.Del(refusedMark)
	typed, err := url.ParseQuery(d.Carried)
	if err == nil && anythingTyped(typed) {
		r := &refused{
			form: typed.Get("is"), status: http.StatusOK, typed: typed, fields: map[string]string{}, again: typed.Get("once") != "",
			whole: word("You are signed in again. What you typed is here, and not on record yet: look at it and send it."),
		}
		if id, ok := c.refusals.keep(r, token, to.Path, c.fleet.Now()); ok {
			q.Set(refusedMark, id)
			to.Fragment = "form-" + r.form
		}
	}
	to.RawQuery = q.Encode()
	return to.String()
}

// anythingTyped says whether a person entered something into a form's fields.
func anythingTyped(typed url.Values) bool {
	for name, values := range typed {
		if fieldName.MatchString(name) && name[0] != 'h' && strings.TrimSpace(strings.Join(values, "")) != "" {
			return true
		}
	}
	return false
}

func (c *Console) signOut(w http.ResponseWriter, r *http.Request) {
	if !c.ours(r, sessionCookie) {
		c.showDoor(w, r, http.StatusForbidden, word("The form did not come from this page. You are still signed in."), door{To: "/"})
		return
	}
	http.SetCookie(w, c.cookie(sessionCookie, "", -1))
	http.Redirect(w, r, "/", http.StatusSeeOther)
}
