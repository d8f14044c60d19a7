package call

import (
	"context"
	"encoding/json"
	"errors"
	"log/slog"
	"math"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/gin-gonic/gin"

	"rigledger/fleet"
	"rigledger/fleet/plan"
)

// Call is one request to a route, on its way.
type Call struct {
	Request *http.Request
	Writer  gin.ResponseWriter
	Who     fleet.Holder // who asks; nobody where the route is open
	Now     time.Time    // asked once for each request
	Query   Query
	Fleet   *fleet.Fleet
	Log     *slog.Logger

	gin     *gin.Context
	at      *Reception
	raw     []byte    // the body, once read
	keeping *keptList // where the answer is kept; nil for most
}

// enter lets in who may use the route, and waits for the commit that the
// caller wants to be seen.
func (c *Call) enter(roles []fleet.Role, known []string) error {
	who, ok := c.Holder()
	if !ok {
		if err := c.awaitToken(); err != nil {
			return err
		}
		if who, ok = c.Holder(); !ok {
			return &Problem{Kind: Unauthorized, Detail: c.at.Wanted}
		}
	}
	c.Who = who
	if d := c.at.limits.wait(who.Token, c.at.PerSecond); d > 0 {
		return &Problem{Kind: TooMany, Detail: "this token asks more often than it may", Retry: strconv.Itoa(int(math.Ceil(d.Seconds())))}
	}
	if !slices.Contains(roles, who.Role) {
		return &Problem{Kind: NotAllowed, Detail: "the role " + string(who.Role) + " does not go here"}
	}
	// A rig's own token never tells whether other rigs exist.
	if who.Role == fleet.RoleRig && c.Param("rig") != who.Rig {
		return NoSuch("rig", c.Param("rig"))
	}
	raw := c.Request.URL.RawQuery
	if raw == "" {
		return nil
	}
	values, err := url.ParseQuery(raw)
	if err != nil {
		return &Problem{Kind: BadRequest, Detail: "the query cannot be read"}
	}
	c.Query.values = values
	c.Query.known(known)
	after := c.Query.Number("after_commit", 0, 1<<53, 0)
	if err := c.Query.Err(); err != nil {
		return err
	}
	return c.WaitFor(uint64(after))
}

// Param is a part of the path.
func (c *Call) Param(name string) string { return c.gin.Param(name) }

// Context ends when the caller goes away.
func (c *Call) Context() context.Context { return c.Request.Context() }

// behindMost is how long a read waits for the commit it asked for.
const behindMost = 5 * time.Second

// WaitFor waits for a commit that the caller knows of, and refuses when it does not come.
func (c *Call) WaitFor(n uint64) error {
	if n == 0 {
		return nil
	}
	return c.waitFor(n, behindMost)
}

func (c *Call) waitFor(n uint64, most time.Duration) error {
	ctx, stop := context.WithTimeout(c.Context(), most)
	defer stop()
	if err := c.Fleet.WaitFor(ctx, n); err != nil {
		if errors.Is(err, context.DeadlineExceeded) || errors.Is(err, context.Canceled) {
			return &Problem{Kind: Behind, Detail: "commit " + strconv.FormatUint(n, 10) + " is not here yet; the newest is in the header Rigledger-Commit"}
		}
		return err
	}
	return nil
}

// Holder asks who the bearer of the request lets in: once for every call, again and again on a stream.
func (c *Call) Holder() (fleet.Holder, bool) {
	token, sent := c.bearer()
	if !sent {
		return fleet.Holder{}, false
	}
	return c.at.Holder(c.Context(), token)
}

// bearer is the token that was sent.
func (c *Call) bearer() (token string, sent bool) {
	all := c.Request.Header["Authorization"]
	if len(all) != 1 {
		return "", false
	}
	scheme, token, found := strings.Cut(all[0], " ")
	if !found || !strings.EqualFold(scheme, "Bearer") {
		return "", false
	}
	return strings.TrimSpace(token), true
}

// View looks at the state and keeps the number of the commit that was seen.
func (c *Call) View(look func(s *fleet.State) error) (err error) {
	c.Fleet.View(func(s *fleet.State) {
		c.SetCommit(s.Head.N)
		if c.keeping != nil {
			c.keeping.commit = s.Head.N
		}
		err = look(s)
	})
	return err
}

// Today is the fleet's local date.
func (c *Call) Today(s *fleet.State) plan.Date { return plan.Of(c.Now, s.Zone()) }

// headKey marks a request that came as HEAD.
type headKey struct{}

// AsGet gives a HEAD request as a GET that remembers it (the server leaves out the
// body); any other as it is.
func AsGet(r *http.Request) *http.Request {
	if r.Method != http.MethodHead {
		return r
	}
	r = r.WithContext(context.WithValue(r.Context(), headKey{}, true))
	r.Method = http.MethodGet
	return r
}

// Head says whether the caller wants the headers alone.
func (c *Call) Head() bool {
	asked, _ := c.Context().Value(headKey{}).(bool)
	return asked
}

// SetCommit tells the newest commit that the answer has seen.
func (c *Call) SetCommit(n uint64) { SetCommit(c.Writer.Header(), n) }

// SetHeader sets a header of the answer.
func (c *Call) SetHeader(name, value string) { c.Writer.Header().Set(name, value) }

var (
	jsonType     = []string{"application/json"}
	cacheControl = []string{"private, no-cache"}
)

// Answer writes doc as JSON.
func (c *Call) Answer(status int, doc any) error {
	body, err := json.Marshal(doc)
	if err != nil {
		return err
	}
	return c.WriteJSON(status, body)
}

// WriteJSON answers with JSON as it is.
func (c *Call) WriteJSON(status int, body []byte) error {
	h := c.Writer.Header()
	h["Content-Type"] = jsonType
	if h["Cache-Control"] == nil {
		h["Cache-Control"] = cacheControl
	}
	h["Content-Length"] = []string{strconv.Itoa(len(body))}
	if c.keeping != nil {
		c.keeping.take(h, status, body)
	}
	c.Writer.WriteHeader(status)
	_, err := c.Writer.Write(body)
	if err != nil {
		c.Log.Debug("an answer was not taken", "error", err)
	}
	return nil
}

// Bytes writes an answer that is not JSON.
func (c *Call) Bytes(status int, kind string, body []byte) error {
	h := c.Writer.Header()
	h.Set("Content-Type", kind)
	h.Set("Content-Length", strconv.Itoa(len(body)))
	if h["Cache-Control"] == nil {
		h["Cache-Control"] = cacheControl
	}
	c.Writer.WriteHeader(status)
	if _, err := c.Writer.Write(body); err != nil {
		c.Log.Debug("an answer was not taken", "error", err)
	}
	return nil
}

// Resource answers one resource under its tag; a reader that has it gets 304.
func (c *Call) Resource(status int, tag string, doc any) error {
	if c.Unchanged(tag) {
		return nil
	}
	return c.Answer(status, doc)
}

// Unchanged sets the tag and answers 304 when the caller has that version.
func (c *Call) Unchanged(tag string) bool {
	h := c.Writer.Header()
	h["Etag"] = []string{tag}
	if c.Request.Method != http.MethodGet {
		return false
	}
	sent := c.Request.Header["If-None-Match"]
	if len(sent) == 0 || !tagListed(sent, tag) {
		return false
	}
	h["Etag"] = []string{tagHeld(sent, tag)}
	if h["Cache-Control"] == nil {
		h["Cache-Control"] = cacheControl
	}
	c.Writer.WriteHeader(http.StatusNotModified)
	c.Writer.WriteHeaderNow()
	return true
}

// SetCommit tells the newest commit that an answer has seen.
func SetCommit(h http.Header, n uint64) { h["Rigledger-Commit"] = []string{strconv.FormatUint(n, 10)} }
