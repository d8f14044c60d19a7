package call

import (
	"cmp"
	"context"
	"encoding/json"
	"log/slog"
	"net/http"

	"github.com/gin-gonic/gin"

	"rigledger/fleet"
)

// Reception is what all requests pass, and what is known between them: who is let
// in and how often, which Idempotency-Keys are on their way, which lists are kept.
// Its fields are set before the first request and not changed after.
type Reception struct {
	Fleet *fleet.Fleet
	Log   *slog.Logger

	Holder    func(ctx context.Context, token string) (fleet.Holder, bool) // who a bearer lets in
	Unheard   func(token string) bool                                      // whether it may be a token that has not come here yet; nil for none
	Wanted    string                                                       // what is told to who brings none that does
	PerSecond float64                                                      // requests that each token may make; 0 for any number
	Veiled    map[string]bool                                              // routes whose addresses hold a secret

	limits limits
	flying inFlight
	new    newcomers
	lists  keptLists
}

// Serve answers a route that the roles named may use, with the query parameters
// named (after_commit goes with all).
func (r *Reception) Serve(roles []fleet.Role, query []string, handle func(c *Call) error) gin.HandlerFunc {
	return r.Open(func(c *Call) error {
		if err := c.enter(roles, query); err != nil {
			return err
		}
		return handle(c)
	})
}

// Open answers a route that needs no token.
func (r *Reception) Open(handle func(c *Call) error) gin.HandlerFunc {
	return func(g *gin.Context) {
		c := &Call{Request: g.Request, Writer: g.Writer, Now: r.Fleet.Now(), Fleet: r.Fleet, Log: r.Log, gin: g, at: r}
		if err := handle(c); err != nil {
			r.Refuse(g, err)
		}
	}
}

// Refuse turns an error into a problem, unless something was answered already.
func (r *Reception) Refuse(g *gin.Context, err error) {
	p := problemOf(err)
	h := g.Writer.Header()
	id := h.Get("X-Request-Id")
	if p.Cause != nil || p.Kind.Status == http.StatusInternalServerError {
		r.Log.Error("a request failed", "request", id, "path", r.LoggedPath(g), "detail", p.Detail, "cause", p.Cause)
	}
	if g.Writer.Written() {
		return
	}
	if retry := cmp.Or(p.Retry, p.Kind.Retry); retry != "" {
		h.Set("Retry-After", retry)
	}
	if p.Kind.Status == http.StatusUnauthorized {
		h.Set("WWW-Authenticate", `Bearer realm="rigledger"`)
	}
	if h.Get("Rigledger-Commit") == "" {
		SetCommit(h, r.Fleet.Head().N)
	}
	h.Del("ETag")
	h.Set("Cache-Control", "no-store")
	h.Set("Content-Type", "application/problem+json")
	body, err := json.Marshal(ProblemDoc{
		Type: p.Kind.URI, Title: p.Kind.Title, Status: p.Kind.Status, Detail: p.Detail, Errors: p.Fields, Request: id,
	})
	if err != nil {
		body = []byte(`{"type":"/problems/internal","title":"Something broke on our side","status":500}`)
	}
	g.Status(p.Kind.Status)
	_, _ = g.Writer.Write(body)
	g.Abort()
}

// LoggedPath is the address as logs may have it: a calendar's holds a secret.
func (r *Reception) LoggedPath(g *gin.Context) string {
	if r.Veiled[g.FullPath()] {
		return g.FullPath()
	}
	return g.Request.URL.Path
}
