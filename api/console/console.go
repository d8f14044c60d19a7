// Package console owns the pages that people see. They are arranged by what
// people decide: who may go out (the yard), what has to be done before it falls
// due (the season), today's jobs (the workshop), whether a rig passes (the test
// bay), what could not be believed (the intake) and what is on record (the ledger).
//
// Pages read the fleet. They write only through the REST API, as its first
// client: a form becomes one request with the person's own token, so that there
// is one table of who may and one set of checks. A page works without script;
// scripts add dates and numbers in the reader's language, live pages and keeping
// what was typed. There is no inline script or style, and nothing is loaded from
// elsewhere. Red means "do not use" and nothing else, and never stands alone.
//
// The session is the token itself in an http-only, same-site cookie, so revoking
// the token ends it at once.
package console

import (
	"context"
	"log/slog"
	"net/http"
	"time"

	"rigledger/fleet"
)

// Options say what the pages show.
type Options struct {
	Fleet    *fleet.Fleet
	API      http.Handler    // takes what forms write, and answers as it does to programs
	Stopping <-chan struct{} // closed when the service ends; nil for never
	Log      *slog.Logger    // nil for none
	Secure   bool            // cookies over TLS only
	// Holder gives who a token lets in; nil asks the ledger alone.
	Holder  func(ctx context.Context, token string) (fleet.Holder, bool)
	Version string
	Rigs    RigAddresses // where rigs reach the service, for the examples of a rig's first steps
}

// Console serves the pages.
type Console struct {
	fleet    *fleet.Fleet
	api      http.Handler
	stopping <-chan struct{}
	log      *slog.Logger
	secure   bool
	version  string
	rigs     RigAddresses
	zone     *time.Location // the fleet's
	holder   func(ctx context.Context, token string) (fleet.Holder, bool)
	guard    *http.CrossOriginProtection
	open     streams
	refusals refusals
	ahead    aheadBook // of the yard
}

// Route is one address. The caller puts the parts of its path into the request
// (PathValue) and takes bodies up to Most bytes there, 0 for its usual bound.
type Route struct {
	Method, Path string
	Serve        http.HandlerFunc
	Most         int64
}

// New gives the pages.
func New(o Options) *Console {
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	c := &Console{
		fleet: o.Fleet, api: o.API, stopping: o.Stopping, log: o.Log, secure: o.Secure, version: o.Version, rigs: o.Rigs, guard: http.NewCrossOriginProtection(),
	}
	if c.holder = o.Holder; c.holder == nil {
		c.holder = func(_ context.Context, token string) (fleet.Holder, bool) { return o.Fleet.HolderOf(token) }
	}
	c.fleet.View(func(s *fleet.State) { c.zone = s.Zone() })
	return c
}

// Routes lists the pages, for the caller to mount.
func (c *Console) Routes() []Route {
	routes := []Route{
		{"POST", "/sign-in", c.signIn, 0},
		{"POST", "/sign-out", c.signOut, 0},
		{"GET", "/pulse", c.pulse, 0},
		{"POST", "/bay/compute", c.compute, formMost},
		{"GET", "/console.css", serveAsset(styles), 0},
		{"GET", "/console.js", serveAsset(scripts), 0},
		{"GET", "/mark.svg", serveAsset(mark), 0},
	}
	for _, p := range pages() {
		routes = append(routes, Route{"GET", p.path, c.look(p), 0}, Route{"POST", p.path, c.take(p), formMost})
	}
	return routes
}
