package console

import (
	"bytes"
	"errors"
	"net/http"
	"slices"
	"strconv"
	"time"

	"rigledger/fleet"
	"rigledger/fleet/plan"
)

// page is one address that people look at. The same address takes the page's
// forms, so that a form that is refused is shown again where it was.
type page struct {
	path  string
	roles []fleet.Role // who may look; nil for everybody who is signed in
	show  func(v *visit) error
}

// visit is one request of a signed-in person to a page.
type visit struct {
	*Console
	w     http.ResponseWriter
	r     *http.Request
	who   fleet.Holder
	token string
	now   time.Time

	refused *refused       // the form of this page that was refused, nil for none
	answer  map[string]any // what the API answered to a form that shows it, nil for none
	part    bool           // only what follows the typing is asked for (bay_compute.go)
}

// param is a part of the page's path.
func (v *visit) param(name string) string { return v.r.PathValue(name) }

// query is a parameter of the page's address.
func (v *visit) query(name string) string { return v.r.URL.Query().Get(name) }

func (v *visit) today() plan.Date { return plan.Of(v.now, v.zone) }

// may says whether the person's role is among those.
func (v *visit) may(roles ...fleet.Role) bool { return slices.Contains(roles, v.who.Role) }

// rig finds a rig that the person may see. Within View.
func (v *visit) rig(s *fleet.State, code string) (*fleet.Rig, error) {
	r := s.Rigs[code]
	if r == nil || !v.who.MaySee(r.Yard) {
		return nil, &fleet.Error{Code: fleet.NotFound, Message: word("There is no such rig.")}
	}
	return r, nil
}

// rigsAt gives the yards that the person may see, and the rigs in use of one of
// them, "" for all; both in order. Within View.
func (v *visit) rigsAt(s *fleet.State, yard string) (yards, codes []string) {
	for code, r := range s.Rigs {
		if r.Retired || !v.who.MaySee(r.Yard) {
			continue
		}
		if !slices.Contains(yards, r.Yard) {
			yards = append(yards, r.Yard)
		}
		if yard == "" || r.Yard == yard {
			codes = append(codes, code)
		}
	}
	slices.Sort(yards)
	slices.Sort(codes)
	return yards, codes
}

// look serves a page.
func (c *Console) look(p page) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		if v := c.enter(w, r, p); v != nil {
			v.shown()
			v.serve(p)
		}
	}
}

// enter lets in who may look at a page, nil if it is answered already.
func (c *Console) enter(w http.ResponseWriter, r *http.Request, p page) *visit {
	who, token, ok := c.session(r)
	if !ok {
		c.askToSignIn(w, r)
		return nil
	}
	v := &visit{Console: c, w: w, r: r, who: who, token: token, now: c.fleet.Now()}
	if p.roles != nil && !v.may(p.roles...) {
		v.sorry(http.StatusForbidden, word("Not for this token"), word("The role of your token does not go here."))
		return nil
	}
	return v
}

func (v *visit) serve(p page) {
	err := p.show(v)
	var known *fleet.Error
	switch {
	case err == nil:
	case errors.As(err, &known) && known.Code == fleet.NotFound:
		v.sorry(http.StatusNotFound, word("Not found"), known.Message)
	case errors.As(err, &known) && known.Code == fleet.Invalid:
		v.sorry(http.StatusUnprocessableEntity, word("The address does not hold together"), known.Message)
	default:
		v.log.Error("a page could not be made", "page", p.path, "error", err)
		v.sorry(http.StatusServiceUnavailable, word("This page could not be made"), word("Nothing was lost. Try again in a moment."))
	}
}

// Lost answers a browser that asks for a page that is not there.
func (c *Console) Lost(w http.ResponseWriter, r *http.Request) {
	if v := c.enter(w, r, page{}); v != nil {
		v.sorry(http.StatusNotFound, word("Not found"), word("There is no such page."))
	}
}

// frame is what a template gets: what every page shows around its own, and D,
// what the page is about.
type frame struct {
	Title, Here string
	Name, Role  string // who is signed in
	Places      []place
	Form        string // the form token
	Address     string // the page's own
	Zone        string // IANA name of the fleet's
	Today       plan.Date
	Now         time.Time
	Commit      uint64 // what the page has seen
	Live        bool   // the page is made anew when facts come
	Version     string
	Notice      string
	Wrong       string       // what was wrong with the form as a whole
	Wrongs      []wrongField // and with its fields
	Refused     *refused     // the form that was refused
	Said        *said        // what was just put on record
	Answer      map[string]any
	D           any
}

// May says in a template whether the person's role is among those.
func (f frame) May(roles ...string) bool { return slices.Contains(roles, f.Role) }

func (v *visit) frame(title, here string, d any) frame {
	f := frame{
		Title: title, Here: here, Name: v.who.Name, Role: string(v.who.Role), Form: formToken(v.token), Address: v.r.URL.RequestURI(), Zone: v.zone.String(),
		Today: v.today(), Now: v.now, Version: v.version, Notice: fleet.FitnessNotice, Refused: v.refused, Answer: v.answer, D: d,
		Commit: v.fleet.Head().N,
	}
	for _, p := range places {
		if p.roles == nil || v.may(p.roles...) {
			f.Places = append(f.Places, p)
		}
	}
	if v.refused != nil {
		f.Wrong = v.refused.whole
	}
	if v.r.Method == http.MethodGet {
		f.Said = v.takeSaid()
	}
	return f
}

// show answers with a page. here is the path of the place it belongs to.
func (v *visit) show(file, title, here string, d any) error {
	return v.showFrame(file, v.frame(title, here, d))
}

// showLive is show for a page that is made anew when facts come.
func (v *visit) showLive(file, title, here string, d any) error {
	f := v.frame(title, here, d)
	f.Live = v.refused == nil && v.answer == nil
	return v.showFrame(file, f)
}

func (v *visit) showFrame(file string, f frame) error {
	status := http.StatusOK
	if v.refused != nil {
		status = v.refused.status
	}
	return v.write(file, status, f)
}

// sorry is a page that says why there is no other.
func (v *visit) sorry(status int, title, text string) {
	if err := v.write("sorry.html", status, v.frame(title, "", text)); err != nil {
		v.log.Error("a page could not be made", "page", "sorry.html", "error", err)
	}
}

// write fills in a page. One that shows a refused form is filled in twice: its
// head names the fields that are wrong by the labels that they have further down.
func (v *visit) write(file string, status int, f frame) error {
	if f.Wrong != "" && templates[file] != nil {
		var first bytes.Buffer
		if err := templates[file].ExecuteTemplate(&first, file, f); err != nil {
			return err
		}
		f.Wrongs = f.Refused.look(first.Bytes())
		f.Wrong = f.Refused.whole
	}
	return v.fill(v.w, file, status, f)
}

// policy allows our own style sheet, script, pictures and forms, and nothing else.
const policy = "default-src 'none'; style-src 'self'; script-src 'self'; img-src 'self'; connect-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"

func (c *Console) fill(w http.ResponseWriter, file string, status int, f any) error {
	t := templates[file]
	if t == nil {
		return errors.New("there is no template " + file)
	}
	var b bytes.Buffer
	if err := t.ExecuteTemplate(&b, file, f); err != nil {
		return err
	}
	h := w.Header()
	h.Set("Content-Type", "text/html; charset=utf-8")
	h.Set("Content-Security-Policy", policy)
	h.Set("Cache-Control", "no-store")
	h.Set("Content-Length", strconv.Itoa(b.Len()))
	w.WriteHeader(status)
	_, _ = w.Write(b.Bytes())
	return nil
}
