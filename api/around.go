package api

import (
	"crypto/rand"
	"encoding/hex"
	"log/slog"
	"net/http"
	"runtime/debug"
	"strconv"
	"sync/atomic"
	"time"

	"rigledger/api/call"

	"github.com/gin-gonic/gin"
)

// MaxBody is the largest request body taken.
const MaxBody = 1 << 20

// Header values that never change are made once: http.Header keeps slices.
var (
	nosniff      = []string{"nosniff"}
	noReferrer   = []string{"no-referrer"}
	denyFrames   = []string{"DENY"}
	sameOrigin   = []string{"same-origin"}
	noContentCSP = []string{"default-src 'none'; frame-ancestors 'none'"}
)

// around is what every request passes: its id, the bound of its body, security
// headers, recovery from a panic, metrics and the access log.
func (a *API) around(g *gin.Context) {
	began := time.Now()
	r := g.Request
	path := a.reception.LoggedPath(g)
	h := g.Writer.Header()
	id := a.ids.of(r)
	h["X-Request-Id"] = []string{id}
	h["X-Content-Type-Options"] = nosniff
	h["Referrer-Policy"] = noReferrer
	h["X-Frame-Options"] = denyFrames
	h["Cross-Origin-Resource-Policy"] = sameOrigin
	h["Content-Security-Policy"] = noContentCSP // pages set their own
	if r.Body != nil && r.Body != http.NoBody {
		most := max(MaxBody, a.bodyMost[g.FullPath()])
		r.Body = http.MaxBytesReader(g.Writer, r.Body, most)
	}
	defer func() {
		if p := recover(); p != nil {
			if p == http.ErrAbortHandler {
				panic(p)
			}
			a.log.Error("a request panicked", "request", id, "path", path, "panic", p, "stack", string(debug.Stack()))
			a.reception.Refuse(g, &call.Problem{Kind: call.Internal, Detail: "the request was not carried out"})
		}
		took := time.Since(began)
		a.metrics.observe(r.Method, g.FullPath(), g.Writer.Status(), took)
		level := slog.LevelInfo
		if r.Method == http.MethodGet && g.Writer.Status() < 400 {
			level = slog.LevelDebug
		}
		if a.log.Enabled(r.Context(), level) {
			// The query is left out: it may hold what people typed.
			a.log.Log(r.Context(), level, "request", "request", id, "method", r.Method, "path", path,
				"status", g.Writer.Status(), "bytes", g.Writer.Size(), "took", took, "from", r.RemoteAddr)
		}
	}()
	g.Next()
}

// requestIDs makes ids that are unique over restarts, without asking for
// random bytes each time.
type requestIDs struct {
	prefix string
	n      *atomic.Uint64
}

func newRequestIDs() requestIDs {
	var b [6]byte
	_, _ = rand.Read(b[:]) // never fails: crypto/rand ends the program instead
	return requestIDs{prefix: hex.EncodeToString(b[:]) + "-", n: new(atomic.Uint64)}
}

// of takes the caller's own id where it is a plain one.
func (i requestIDs) of(r *http.Request) string {
	if sent := r.Header["X-Request-Id"]; len(sent) == 1 && plainID(sent[0]) {
		return sent[0]
	}
	return i.prefix + strconv.FormatUint(i.n.Add(1), 36)
}

func plainID(s string) bool {
	if len(s) == 0 || len(s) > 64 {
		return false
	}
	for i := 0; i < len(s); i++ {
		b := s[i]
		if !(b >= 'a' && b <= 'z' || b >= 'A' && b <= 'Z' || b >= '0' && b <= '9' || b == '-' || b == '_' || b == '.') {
			return false
		}
	}
	return true
}
