package console

import (
	"bytes"
	"encoding/base64"
	"encoding/json"
	"maps"
	"mime/multipart"
	"net/http"
	"net/url"
	"regexp"
	"slices"
	"strings"

	"rigledger/fleet"
)

// formMost bounds what a page's form sends, in bytes: photos go with it.
const formMost = 24 << 20

// formHeld is how much of it is kept in memory while it is read; photos beyond
// wait in files.
const formHeld = 1 << 20

// refused is a form that the API did not take, to be shown again as it was typed.
type refused struct {
	form   string
	status int
	whole  string // what was wrong with all of it
	typed  url.Values
	fields map[string]string // what was wrong, by field
	again  bool              // it is not known whether it was carried out
}

// take serves a page's forms: what was typed becomes one request to the API. If
// it is taken the browser goes on to a page that says so; if not, the page is
// shown with what was typed and what is wrong with it.
func (c *Console) take(p page) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		r.Body = http.MaxBytesReader(w, r.Body, formMost)
		v := c.enter(w, r, p)
		if v == nil {
			return
		}
		if !c.ours(r, sessionCookie) {
			v.sorry(http.StatusForbidden, word("Please try again"), word("The form was too large, or did not come from this page. Nothing was written."))
			return
		}
		if r.MultipartForm != nil {
			defer func() { _ = r.MultipartForm.RemoveAll() }()
		}
		f := form{visit: v, typed: r.PostForm}
		if f.write() {
			f.done(p)
			return
		}
		v.refused = f.refused
		v.serve(p)
	}
}

// form is one form on its way to the API.
type form struct {
	*visit
	typed   url.Values
	refused *refused
	reply   reply
}

func (f *form) refuse(status int, whole string) *refused {
	if f.refused == nil {
		f.refused = &refused{form: f.typed.Get("is"), status: status, whole: whole, typed: f.typed, fields: map[string]string{}}
	}
	return f.refused
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
	for name, values := range f.typed {
		body.put(name, values)
	}
	halfSteps(f.typed, body.wrong)
	if len(body.wrong) > 0 {
		f.refuse(http.StatusUnprocessableEntity, word("Something in the form cannot be read.")).fields = body.wrong
		return false
	}
	if !f.keepFiles(body) {
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
	if f.reply = f.ask(r); f.reply.ok() {
		return true
	}
	f.explain(back)
	return false
}

// explain turns the API's problem into what the form shows.
func (f *form) explain(back map[string]string) {
	var p struct {
		Title, Detail string
		Errors        []struct{ Pointer, Parameter, Detail string }
	}
	if err := json.Unmarshal(f.reply.body.Bytes(), &p); err != nil || p.Title == "" {
		p.Title = word("The service did not answer as it should.")
	}
	whole := p.Title
	if p.Detail != "" {
		whole += ": " + p.Detail
	}
	if f.reply.status == http.StatusPreconditionFailed {
		whole = word("Somebody changed this meanwhile. What you typed is still here; look at what is new and send it again.")
	}
	r := f.refuse(f.reply.status, whole)
	r.again = f.reply.status >= 500
	for _, e := range p.Errors {
		if field, ok := fieldOf(back, e.Pointer); ok {
			if r.fields[field] != "" {
				r.fields[field] += "; "
			}
			r.fields[field] += e.Detail
			continue
		}
		r.fields["b:"+e.Pointer] = e.Detail // a box that was not ticked is not sent; where there is none, nothing shows there
		r.whole += " (" + strings.TrimSpace(e.Pointer+e.Parameter+" "+e.Detail) + ")"
	}
}

// leftEmpty adds the fields that nobody filled in: what is missing is said there.
// Rows are left out, since those that were not filled in are not sent.
func leftEmpty(typed url.Values, back map[string]string) {
	for name := range typed {
		if len(name) < 4 || name[1] != ':' || name[2] != '/' || inRow.MatchString(name) {
			continue
		}
		if pointer := name[2:]; back[pointer] == "" {
			back[pointer] = name
		}
	}
}

var inRow = regexp.MustCompile(`/(\d+|-)(/|$)`)

// fieldOf finds the field at a pointer, or at what holds it.
func fieldOf(back map[string]string, pointer string) (string, bool) {
	for at := pointer; at != ""; at = at[:strings.LastIndexByte(at, '/')] {
		if field, ok := back[at]; ok {
			return field, true
		}
	}
	return "", false
}

// keepFiles puts the photos and files of a form on record and their hashes into
// the body.
func (f *form) keepFiles(body *sheet) bool {
	if f.r.MultipartForm == nil {
		return true
	}
	for name, files := range f.r.MultipartForm.File {
		for _, sent := range files {
			if sent.Size == 0 || !strings.HasPrefix(name, "f:/") {
				continue
			}
			hash, ok := f.keepFile(name, sent)
			if !ok {
				return false
			}
			body.file(name, hash)
		}
	}
	return true
}

func (f *form) keepFile(field string, sent *multipart.FileHeader) (hash string, ok bool) {
	content, err := sent.Open()
	if err != nil {
		f.refuse(http.StatusBadRequest, word("A file could not be read."))
		return "", false
	}
	defer func() { _ = content.Close() }()
	r, err := http.NewRequestWithContext(f.r.Context(), http.MethodPost, "/v1/files?name="+url.QueryEscape(sent.Filename), content)
	if err != nil {
		f.refuse(http.StatusBadRequest, word("A file could not be read."))
		return "", false
	}
	r.Header.Set("Content-Type", sent.Header.Get("Content-Type"))
	if f.reply = f.ask(r); !f.reply.ok() {
		f.explain(nil)
		f.refused.fields[field] = f.refused.whole
		return "", false
	}
	var kept struct{ File string }
	if err := json.Unmarshal(f.reply.body.Bytes(), &kept); err != nil || kept.File == "" {
		f.refuse(http.StatusBadGateway, word("A file was not kept."))
		return "", false
	}
	return kept.File, true
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
}

// Fields are the further fields of the request that takes it back.
func (s *said) Fields() []option {
	values, _ := url.ParseQuery(s.With)
	var all []option
	for _, name := range slices.Sorted(maps.Keys(values)) {
		all = append(all, option{name, values.Get(name)})
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
	if text, err := json.Marshal(s); err == nil {
		http.SetCookie(f.w, f.cookie(saidCookie, base64.RawURLEncoding.EncodeToString(text), 60))
	}
	then := strings.ReplaceAll(f.typed.Get("then"), "{ref}", url.PathEscape(ref))
	if !localPath(then) {
		then = f.r.URL.RequestURI()
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
