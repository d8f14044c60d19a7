package api

import (
	"log/slog"
	"net/http"
	"strings"

	"github.com/gin-gonic/gin"
	"github.com/prometheus/client_golang/prometheus"

	"rigledger/api/access"
	"rigledger/api/bay"
	"rigledger/api/call"
	"rigledger/api/console"
	"rigledger/api/exchange"
	"rigledger/api/feed"
	"rigledger/api/hooks"
	"rigledger/api/openid"
	"rigledger/api/rigs"
	"rigledger/api/workshop"
	"rigledger/fleet"
)

// Options say what the API serves and how.
type Options struct {
	Fleet   *fleet.Fleet
	Log     *slog.Logger         // nil for none
	Ready   func() []Check       // what else must work for /readyz; the fleet is checked by itself
	Metrics *prometheus.Registry // where the API's metrics go and what /metrics shows; nil for a new one
	Version string               // of the program
	Secure  bool                 // the API is reached over TLS: cookies are marked Secure

	Hooks    *hooks.Worker   // delivers the hooks; nil for one that only tests them
	Stopping <-chan struct{} // closed when the service ends, so that live streams do; nil for never
	Rate     float64         // requests a second that each token may make; 0 for any number

	Issuer *openid.Issuer // whose tokens are taken beside our own; nil for nobody's

	Rigs console.RigAddresses // where rigs reach the service, which the pages tell
}

// Check is one thing that must work; Err is nil while it does. A minor one is
// told, and the service is ready without it.
type Check struct {
	Name  string
	Err   error
	Minor bool
}

// API answers requests.
type API struct {
	fleet     *fleet.Fleet
	log       *slog.Logger
	ready     func() []Check
	version   string
	engine    *gin.Engine
	metrics   *metrics
	ids       requestIDs
	bearers   access.Bearers
	reception *call.Reception
	bodyMost  map[string]int64 // largest body by path, where it is not MaxBody

	// The rooms whose answers keep something from one request to the next.
	rigs     rigs.Resources
	workshop workshop.Resources
	exchange *exchange.Resources
	feed     *feed.Resources
	hooks    hooks.Resources
}

// New gives the handler of everything under /. Timeouts and TLS are those of
// the server that the caller puts it into.
func New(o Options) *API {
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	if o.Metrics == nil {
		o.Metrics = prometheus.NewRegistry()
	}
	reader := &feed.Reader{Fleet: o.Fleet}
	if o.Hooks == nil {
		o.Hooks = hooks.New(hooks.Options{Feed: reader, Log: o.Log})
	}
	gin.SetMode(gin.ReleaseMode)
	a := &API{
		fleet: o.Fleet, log: o.Log, ready: o.Ready, version: o.Version, engine: gin.New(), ids: newRequestIDs(), metrics: newMetrics(o.Metrics, o.Fleet),
		bearers:  access.Bearers{Fleet: o.Fleet, Issuer: o.Issuer},
		bodyMost: map[string]int64{bay.FilesPath: bay.FileBodyMost, exchange.TaskDataPath: exchange.TaskDataMost},
		exchange: exchange.New(), feed: feed.New(reader, o.Stopping), hooks: hooks.Resources{Worker: o.Hooks},
	}
	a.reception = &call.Reception{
		Fleet: o.Fleet, Log: o.Log, Holder: a.bearers.Holder, Unheard: a.bearers.Unheard, Wanted: a.bearers.Wanted(), PerSecond: o.Rate, Veiled: map[string]bool{exchange.CalendarPath: true},
	}
	e := a.engine
	e.HandleMethodNotAllowed = true
	e.RedirectTrailingSlash = false
	_ = e.SetTrustedProxies(nil) // cannot fail: nothing to parse
	e.Use(a.around, call.Compress)
	for _, r := range a.routes() {
		e.Handle(r.method, r.path, a.reception.Serve(r.roles, r.query, r.handle))
	}
	e.GET("/healthz", a.healthz)
	e.GET("/readyz", a.readyz)
	e.GET("/metrics", gin.WrapH(a.metrics.handler))
	for _, r := range a.open() {
		e.Handle(r.method, r.path, a.reception.Open(r.handle))
	}
	pages := console.New(console.Options{Fleet: o.Fleet, Log: o.Log, Secure: o.Secure, Version: o.Version, Holder: a.bearers.Holder, API: a, Stopping: o.Stopping, Rigs: o.Rigs})
	for _, p := range pages.Routes() {
		a.bodyMost[p.Path] = max(p.Most, a.bodyMost[p.Path])
		e.Handle(p.Method, p.Path, func(g *gin.Context) {
			for _, part := range g.Params {
				g.Request.SetPathValue(part.Key, part.Value)
			}
			p.Serve(g.Writer, g.Request)
		})
	}
	e.NoRoute(func(g *gin.Context) {
		if browses(g.Request) {
			pages.Lost(g.Writer, g.Request)
			return
		}
		a.reception.Refuse(g, &call.Problem{Kind: call.NoRoute, Detail: "there is nothing at " + call.Clip(g.Request.URL.Path, 200)})
	})
	e.NoMethod(func(g *gin.Context) {
		allow(g)
		if g.Request.Method == http.MethodOptions {
			g.Status(http.StatusNoContent)
			g.Writer.WriteHeaderNow()
			g.Abort()
			return
		}
		a.reception.Refuse(g, &call.Problem{Kind: call.NoMethod, Detail: g.Request.Method + " does not go here; see the header Allow"})
	})
	return a
}

// ServeHTTP answers HEAD as GET; the server leaves out the body.
func (a *API) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	a.engine.ServeHTTP(w, call.AsGet(r))
}

// browses says whether a person's browser asks for a page.
func browses(r *http.Request) bool {
	return r.Method == http.MethodGet && !strings.HasPrefix(r.URL.Path, "/v1/") && strings.HasPrefix(r.Header.Get("Accept"), "text/html")
}

// allow says which methods go with an address (RFC 9110, sections 9.3.7 and 15.5.6).
func allow(g *gin.Context) {
	h := g.Writer.Header()
	allow := h.Get("Allow")
	if strings.Contains(allow, http.MethodGet) {
		allow += ", " + http.MethodHead
	}
	h.Set("Allow", allow+", "+http.MethodOptions)
}
