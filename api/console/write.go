package console

import (
	"bytes"
	"encoding/base64"
	"encoding/json"
	"maps"
	"net/http"
	"net/url"
	"slices"
	"strings"

	"rigledger/fleet"
)

// formMost bounds what a page's form sends, in bytes: photos go with it.
const formMost = 24 << 20

// formHeld is how much of it is kept in memory while it is read; photos beyond
// wait in files.
const formHeld = 1 << 20

// take serves a page's forms: what was typed becomes one request to the API. If
// it is taken the browser goes on to a page that says so; if not, it goes back to
// the page, with what was typed and what is wrong with it (refused.go).
func (c *Console) take(p page) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		r.Body = http.MaxBytesReader(w, r.Body, formMost)
		if r.Header.Get(partHeader) == formPart {
			w.Header().Set(partHeader, formPart) // it is we who answer, not something on the way
		}
		v := c.enter(w, r, p)
		if v == nil {
			return
		}
		if !c.readable(r) {
			v.sorry(http.StatusForbidden, word("Please try again"), word("The form was too large, or did not come from this page. Nothing was written."))
			return
		}
		if r.MultipartForm != nil {
			defer func() { _ = r.MultipartForm.RemoveAll() }()
		}
		f := form{visit: v, typed: r.PostForm, kept: map[string]string{}}
		if !c.bound(r, sessionCookie) { // somebody signed in anew in another tab, or it is no form of ours
			f.refuse(http.StatusForbidden, word("You have signed in anew since this page was made. Nothing was written: what you typed is here, look at it and send it again."))
		}
		switch {
		case f.refused == nil && f.write():
			f.done(p)
		case f.scripted():
			f.refused.status = http.StatusOK // a browser writes anything else to its console
			v.refused = f.refused
			v.serve(p)
		default:
			f.goBack(p)
		}
	}
}

// formPart is what the script says that it asks for when it sends a form: the page
// with what was refused, or in formThen the address to go on to. So a form that
// does not arrive leaves the page as it is.
const (
	formPart = "form"
	formThen = "Rigledger-Then"
)

// scripted says whether the script sent the form.
func (v *visit) scripted() bool { return v.r.Header.Get(partHeader) == formPart }

// form is one form on its way to the API.
type form struct {
	*visit
	typed   url.Values
	kept    map[string]string // names of files that are on record, by hash
	refused *refused
	reply   reply
	was     *grounded // what a yard's law stopped before, nil for another form
}

// write sends the form to the API; false if it was refused.
func (f *form) write() bool {
	path := f.typed.Get("do")
	if !strings.HasPrefix(path, "/v1/") || strings.Contains(path, "..") {
		f.refuse(http.StatusBadRequest, word("This form does not say what it writes."))
		return false
	}
	method := f.typed.Get("method")
	if method != http.MethodPatch {
		method = http.MethodPost
	}
	body := newSheet(f.zone)
	body.amend = method == http.MethodPatch
	f.keptBefore()
	whole := f.keepFiles()
	body.take(f.typed)
	halfSteps(f.typed, body.wrong)
	if len(body.wrong) > 0 {
		maps.Copy(f.refuse(http.StatusUnprocessableEntity, word("Something in the form cannot be read.")).fields, body.wrong)
	}
	if !whole || len(body.wrong) > 0 {
		return false
	}
	text, back := body.body()
	leftEmpty(f.typed, back)
	r, err := http.NewRequestWithContext(f.r.Context(), method, path, bytes.NewReader(text))
	if err != nil {
		f.refuse(http.StatusBadRequest, word("This form does not say what it writes."))
		return false
	}
	r.Header.Set("Content-Type", "application/json")
	if once := f.typed.Get("once"); once != "" && f.typed.Get("show") == "" && method == http.MethodPost {
		r.Header.Set("Idempotency-Key", once)
	}
	if match := f.typed.Get("match"); match != "" {
		r.Header.Set("If-Match", match)
	}
	f.was = f.groundedBefore(path)
	if f.reply = f.ask(r); f.reply.ok() {
		return true
	}
	f.explain(back)
	return false
}

// ask sends a request to the API as the person who is signed in.
func (v *visit) ask(r *http.Request) reply {
	r.Header.Set("Authorization", "Bearer "+v.token)
	r.RemoteAddr = v.r.RemoteAddr
	a := reply{header: http.Header{}}
	v.api.ServeHTTP(&a, r)
	if a.status == 0 {
		a.status = http.StatusOK
	}
	return a
}

// reply is what the API answered.
type reply struct {
	status int
	header http.Header
	body   bytes.Buffer
}

func (a *reply) ok() bool                    { return a.status >= 200 && a.status < 300 }
func (a *reply) Header() http.Header         { return a.header }
func (a *reply) Write(b []byte) (int, error) { return a.body.Write(b) }
func (a *reply) WriteHeader(status int) {
	if a.status == 0 {
		a.status = status
	}
}

// said is what was just put on record, for the next page that is shown. It
// travels in a cookie that only we set.
type said struct {
	Text   string `json:"text"`
	Commit string `json:"commit"`
	Form   string `json:"form"`           // the form that may forget what was typed
	Undo   string `json:"undo,omitempty"` // the request that takes it back
	Why    string `json:"why,omitempty"`  // the field that says why it is taken back
	With   string `json:"with,omitempty"` // further fields of that request, as a query

	Stops []string `json:"stops,omitempty"` // rigs that must not be used since
	More  int      `json:"more,omitempty"`  // and how many beside those
}

// Fields are the further fields of the request that takes it back.
func (s *said) Fields() []option {
	values, _ := url.ParseQuery(s.With)
	var all []option
	for _, name := range slices.Sorted(maps.Keys(values)) {
		if name == "" {
			continue
		}
		value := values.Get(name)
		if name[0] == 'n' {
			value = ownNumber(value)
		}
		all = append(all, option{name, value})
	}
	return all
}

const saidCookie = "rigledger-said"

// done goes on after a form that was taken.
func (f *form) done(p page) {
	var answer map[string]any
	d := json.NewDecoder(bytes.NewReader(f.reply.body.Bytes()))
	d.UseNumber()
	_ = d.Decode(&answer) // an answer without a body is none
	if f.typed.Get("show") != "" {
		f.answer = answer
		f.serve(p)
		return
	}
	ref := ""
	if at := f.reply.header.Get("Location"); at != "" {
		ref = at[strings.LastIndexByte(at, '/')+1:]
	}
	s := said{Text: f.typed.Get("said"), Commit: f.reply.header.Get("Rigledger-Commit"), Form: f.typed.Get("is"), Undo: f.typed.Get("undo"), Why: f.typed.Get("undo-why"), With: f.typed.Get("undo-with")}
	if s.Text == "" {
		s.Text = word("On record.")
	}
	s.Undo = strings.ReplaceAll(s.Undo, "{ref}", url.PathEscape(ref))
	f.was.tell(f.visit, &s)
	if text, err := json.Marshal(s); err == nil {
		http.SetCookie(f.w, f.cookie(saidCookie, base64.RawURLEncoding.EncodeToString(text), 60))
	}
	then := strings.ReplaceAll(f.typed.Get("then"), "{ref}", url.PathEscape(ref))
	if !localPath(then) {
		then = f.r.URL.RequestURI()
	}
	if f.scripted() {
		f.w.Header().Set("Cache-Control", "no-store")
		f.w.Header().Set(formThen, then)
		return
	}
	http.Redirect(f.w, f.r, then, http.StatusSeeOther)
}

// localPath says whether an address stays on this host.
func localPath(s string) bool {
	return strings.HasPrefix(s, "/") && !strings.HasPrefix(s, "//") && !strings.ContainsAny(s, "\\\r\n")
}

// takeSaid gives what was just put on record, once.
func (v *visit) takeSaid() *said {
	k, err := v.r.Cookie(v.cookieName(saidCookie))
	if err != nil {
		return nil
	}
	if v.r.Header.Get("Rigledger-Part") == "" { // the script's own look at the page leaves it to the reader's
		http.SetCookie(v.w, v.cookie(saidCookie, "", -1))
	}
	text, err := base64.RawURLEncoding.DecodeString(k.Value)
	if err != nil {
		return nil
	}
	s := &said{}
	if json.Unmarshal(text, s) != nil {
		return nil
	}
	if !strings.HasPrefix(s.Undo, "/v1/") || v.may(fleet.RoleReader) {
		s.Undo = ""
	}
	return s
}
