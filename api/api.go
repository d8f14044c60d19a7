package api

import (
	"log/slog"
	"net/http"
	"sync"
	"time"

	"github.com/gin-gonic/gin"
	"github.com/prometheus/client_golang/prometheus"

	"rigledger/api/console"
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
}

// Check is one thing that must work; Err is nil while it does.
type Check struct {
	Name string
	Err  error
}

// API answers requests.
type API struct {
	fleet   *fleet.Fleet
	log     *slog.Logger
	ready   func() []Check
	version string
	engine  *gin.Engine
	metrics *metrics
	ids     requestIDs

	rigs   sync.Map // rig → *rigAnswer: bytes of GET /v1/rigs/{rig}
	flying inFlight
}

// New gives the handler of everything under /. Timeouts and TLS are those of
// the server that the caller puts it into.
func New(o Options) http.Handler { return newAPI(o) }

func newAPI(o Options) *API {
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	if o.Metrics == nil {
		o.Metrics = prometheus.NewRegistry()
	}
	gin.SetMode(gin.ReleaseMode)
	a := &API{fleet: o.Fleet, log: o.Log, ready: o.Ready, version: o.Version, engine: gin.New(), ids: newRequestIDs()}
	a.metrics = newMetrics(o.Metrics, o.Fleet)
	e := a.engine
	e.HandleMethodNotAllowed = true
	e.RedirectTrailingSlash = false
	_ = e.SetTrustedProxies(nil) // cannot fail: nothing to parse
	e.Use(a.around)
	for i := range routes {
		e.Handle(routes[i].method, routes[i].path, a.serve(&routes[i]))
	}
	e.GET("/healthz", a.healthz)
	e.GET("/readyz", a.readyz)
	e.GET("/metrics", gin.WrapH(a.metrics.handler))
	e.GET("/openapi.yaml", openapi)
	pages := console.New(console.Options{Fleet: o.Fleet, Log: o.Log, Secure: o.Secure, Version: o.Version})
	for _, p := range pages.Routes() {
		e.Handle(p.Method, p.Path, gin.WrapF(p.Serve))
	}
	e.NoRoute(func(g *gin.Context) {
		a.refuse(g, &problem{kind: kindNoRoute, detail: "there is nothing at " + clip(g.Request.URL.Path, 200)})
	})
	e.NoMethod(func(g *gin.Context) {
		a.refuse(g, &problem{kind: kindNoMethod, detail: g.Request.Method + " does not go here; see the header Allow"})
	})
	return a
}

// ServeHTTP answers HEAD as GET; the server leaves out the body.
func (a *API) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	if r.Method == http.MethodHead {
		get := *r
		get.Method = http.MethodGet
		r = &get
	}
	a.engine.ServeHTTP(w, r)
}

// today's answers depend on the calendar; now is asked once for each request.
func (a *API) now() time.Time { return a.fleet.Now() }
