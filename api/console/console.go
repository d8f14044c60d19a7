// Package console owns the pages that people see: signing in with a token, the
// yard, and what is due. It reads the fleet and writes nothing to it.
//
// A page has no script and no inline style, works on a phone, and says fitness
// in words; red means "do not use" and nothing else. The session is the token
// itself in an http-only, same-site cookie, so revoking the token ends it at once.
package console

import (
	"bytes"
	"embed"
	"html/template"
	"log/slog"
	"net/http"
	"time"

	"rigledger/fleet"
)

// Options say what the pages show.
type Options struct {
	Fleet   *fleet.Fleet
	Log     *slog.Logger // nil for none
	Secure  bool         // cookies over TLS only
	Version string
}

// Console serves the pages.
type Console struct {
	fleet   *fleet.Fleet
	log     *slog.Logger
	secure  bool
	version string
	guard   *http.CrossOriginProtection
}

// Route is one page.
type Route struct {
	Method, Path string
	Serve        http.HandlerFunc
}

// New gives the pages.
func New(o Options) *Console {
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	return &Console{fleet: o.Fleet, log: o.Log, secure: o.Secure, version: o.Version, guard: http.NewCrossOriginProtection()}
}

// Routes lists the pages, for the caller to mount.
func (c *Console) Routes() []Route {
	return []Route{
		{"GET", "/", c.home},
		{"POST", "/sign-in", c.signIn},
		{"POST", "/sign-out", c.signOut},
		{"GET", "/console.css", c.css},
		{"GET", "/rigs/:rig/record", c.record(fleet.RigRecord)},
		{"GET", "/inspections/:inspection/record", c.record(fleet.InspectionRecord)},
		{"GET", "/calibrations/:calibration/record", c.record(fleet.CalibrationRecord)},
	}
}

//go:embed console.css
var cssText []byte

//go:embed *.html
var pageFiles embed.FS

var pages = template.Must(template.ParseFS(pageFiles, "*.html"))

// policy allows our own style sheet and forms, and nothing else.
const policy = "default-src 'none'; style-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"

func (c *Console) css(w http.ResponseWriter, _ *http.Request) {
	w.Header().Set("Content-Type", "text/css; charset=utf-8")
	w.Header().Set("Cache-Control", "no-cache")
	_, _ = w.Write(cssText)
}

// frame is what every page shows around its own.
type frame struct {
	Title   string
	Form    string // the form token
	Name    string // who is signed in, "" for nobody
	Wrong   string // what went wrong, "" for nothing
	Version string
	Notice  string
	Today   string
	Yards   []yard
	Due     []dueYard
	Moment  string
}

func (c *Console) show(w http.ResponseWriter, status int, page string, f frame) {
	f.Version, f.Notice = c.version, fleet.FitnessNotice
	var b bytes.Buffer
	if err := pages.ExecuteTemplate(&b, page, f); err != nil {
		c.log.Error("a page could not be made", "page", page, "error", err)
		http.Error(w, "the page could not be made", http.StatusInternalServerError)
		return
	}
	h := w.Header()
	h.Set("Content-Type", "text/html; charset=utf-8")
	h.Set("Content-Security-Policy", policy)
	h.Set("Cache-Control", "no-store")
	w.WriteHeader(status)
	_, _ = w.Write(b.Bytes())
}

func (c *Console) home(w http.ResponseWriter, r *http.Request) {
	who, token, ok := c.session(r)
	if !ok {
		c.askToSignIn(w, r, http.StatusOK, "")
		return
	}
	f := frame{Title: "The yard", Name: who.Name, Form: formToken(token)}
	now := c.fleet.Now()
	c.fleet.View(func(s *fleet.State) {
		f.Yards, f.Due = c.yardsOf(s, who, now)
		f.Moment = now.In(s.Zone()).Format("2006-01-02 15:04 MST")
		f.Today = now.In(s.Zone()).Format(time.DateOnly)
	})
	c.show(w, http.StatusOK, "yard.html", f)
}
