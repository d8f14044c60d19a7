package call

import (
	"compress/gzip"
	"net/http"
	"strconv"
	"strings"
	"sync"

	"github.com/gin-gonic/gin"
)

// compressLeast is the smallest answer that is worth compressing, in bytes.
const compressLeast = 1 << 10

// gzipTag marks the entity tag of a compressed answer: a strong tag names one
// sequence of bytes (RFC 9110, section 8.8.3.3).
const gzipTag = `+gzip"`

// takesGzip reads Accept-Encoding (RFC 9110, section 12.5.3).
func takesGzip(sent []string) bool {
	takes, any := -1.0, -1.0 // weights; below 0 for not named
	for _, one := range strings.Split(strings.Join(sent, ","), ",") {
		name, params, _ := strings.Cut(one, ";")
		weight := 1.0
		if q, ok := strings.CutPrefix(strings.ToLower(strings.TrimSpace(params)), "q="); ok {
			var err error
			if weight, err = strconv.ParseFloat(q, 64); err != nil {
				weight = 0
			}
		}
		switch strings.ToLower(strings.TrimSpace(name)) {
		case "gzip", "x-gzip":
			takes = weight
		case "*":
			any = weight
		}
	}
	return takes > 0 || takes < 0 && any > 0
}

// compressible says whether a media type is text that is not compressed yet. A
// stream of events is not: each event has to arrive at once.
func compressible(mediaType string) bool {
	t, _, _ := strings.Cut(mediaType, ";")
	switch t = strings.TrimSpace(t); {
	case t == "text/event-stream":
		return false
	case strings.HasPrefix(t, "text/"), strings.HasSuffix(t, "+json"), strings.HasSuffix(t, "+xml"):
		return true
	}
	return t == "application/json" || t == "application/xml" || t == "application/yaml" || t == "application/x-ndjson"
}

var gzips = sync.Pool{New: func() any {
	z, _ := gzip.NewWriterLevel(nil, gzip.BestSpeed) // the level is a good one
	return z
}}

// compressing decides at the first bytes of an answer whether to compress it.
type compressing struct {
	gin.ResponseWriter
	z       *gzip.Writer
	decided bool
}

func (w *compressing) Write(b []byte) (int, error) {
	if !w.decided {
		w.decided = true
		w.decide(len(b))
	}
	if w.z != nil {
		return w.z.Write(b)
	}
	return w.ResponseWriter.Write(b)
}

func (w *compressing) WriteString(s string) (int, error) { return w.Write([]byte(s)) }

// Unwrap lets http.ResponseController reach the connection.
func (w *compressing) Unwrap() http.ResponseWriter { return w.ResponseWriter }

func (w *compressing) decide(first int) {
	h := w.Header()
	if w.ResponseWriter.Written() || h.Get("Content-Encoding") != "" || !compressible(h.Get("Content-Type")) {
		return
	}
	size := first
	if n, err := strconv.Atoi(h.Get("Content-Length")); err == nil {
		size = n
	}
	if size <= compressLeast || h.Get("Content-Range") != "" {
		return
	}
	h.Set("Content-Encoding", "gzip")
	h.Del("Content-Length")
	if tag := h.Get("ETag"); strings.HasSuffix(tag, `"`) {
		h.Set("ETag", strings.TrimSuffix(tag, `"`)+gzipTag)
	}
	w.z = gzips.Get().(*gzip.Writer)
	w.z.Reset(w.ResponseWriter)
}

// Written says whether anything was answered, also while it is still being
// compressed.
func (w *compressing) Written() bool { return w.z != nil || w.ResponseWriter.Written() }

// Flush sends what was written so far.
func (w *compressing) Flush() {
	if w.z != nil {
		_ = w.z.Flush()
	}
	w.ResponseWriter.Flush()
}

func (w *compressing) close() {
	if w.z == nil {
		return
	}
	_ = w.z.Close()
	w.z.Reset(nil)
	gzips.Put(w.z)
	w.z = nil
}

// Compress answers with gzip who takes it, where the answer is text of some size.
func Compress(g *gin.Context) {
	g.Writer.Header().Add("Vary", "Accept-Encoding")
	// With a cookie it is a page with a form's secret, beside what others may have
	// typed; the length of such a page compressed would tell of the secret.
	if len(g.Request.Header["Cookie"]) > 0 || !takesGzip(g.Request.Header["Accept-Encoding"]) {
		g.Next()
		return
	}
	w := &compressing{ResponseWriter: g.Writer}
	g.Writer = w
	defer w.close()
	g.Next()
}
