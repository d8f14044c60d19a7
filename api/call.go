package api

import (
	"context"
	"encoding/json"
	"errors"
	"math"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"time"

	"github.com/gin-gonic/gin"

	"rigledger/fleet"
	"rigledger/fleet/plan"
)

// call is one request to a route of the table, on its way.
type call struct {
	api     *API
	gin     *gin.Context
	who     fleet.Holder
	now     time.Time
	raw     []byte // the body, once read
	query   query
	keeping *keptList // where the answer is kept; nil for most
}

// serve gives the handler of a route.
func (a *API) serve(r *route) gin.HandlerFunc {
	return func(g *gin.Context) {
		c := &call{api: a, gin: g, now: a.now()}
		err := c.enter(r)
		if err == nil {
			err = r.handle(c)
		}
		if err != nil {
			a.refuse(g, err)
		}
	}
}

// enter lets in who may use the route, and waits for the commit that the
// caller wants to be seen.
func (c *call) enter(r *route) error {
	who, ok := c.holder()
	if !ok {
		return &problem{kind: kindUnknown, detail: c.api.wantedBearer()}
	}
	c.who = who
	if d := c.api.limits.wait(who.Token); d > 0 {
		return &problem{kind: kindTooMany, detail: "this token asks more often than it may", retry: strconv.Itoa(int(math.Ceil(d.Seconds())))}
	}
	if !r.allows(who.Role) {
		return &problem{kind: kindNotAllowed, detail: "the role " + string(who.Role) + " does not go here"}
	}
	// A rig's own token never tells whether other rigs exist.
	if who.Role == fleet.RoleRig && c.gin.Param("rig") != who.Rig {
		return notFound("rig", c.gin.Param("rig"))
	}
	raw := c.gin.Request.URL.RawQuery
	if raw == "" {
		return nil
	}
	values, err := url.ParseQuery(raw)
	if err != nil {
		return &problem{kind: kindBadRequest, detail: "the query cannot be read"}
	}
	c.query.values = values
	c.query.known(r.query)
	after := c.query.number("after_commit", 0, 1<<53, 0)
	if err := c.query.err(); err != nil {
		return err
	}
	return c.waitFor(uint64(after))
}

// behindMost is how long a read waits for the commit it asked for.
const behindMost = 5 * time.Second

func (c *call) waitFor(n uint64) error {
	if n == 0 {
		return nil
	}
	ctx, stop := context.WithTimeout(c.gin.Request.Context(), behindMost)
	defer stop()
	if err := c.api.fleet.WaitFor(ctx, n); err != nil {
		if errors.Is(err, context.DeadlineExceeded) || errors.Is(err, context.Canceled) {
			return &problem{kind: kindBehind, detail: "commit " + strconv.FormatUint(n, 10) + " is not here yet; the newest is in the header Rigledger-Commit"}
		}
		return err
	}
	return nil
}

func (c *call) holder() (fleet.Holder, bool) {
	sent := c.gin.Request.Header["Authorization"]
	if len(sent) != 1 {
		return fleet.Holder{}, false
	}
	scheme, token, found := strings.Cut(sent[0], " ")
	if !found || !strings.EqualFold(scheme, "Bearer") {
		return fleet.Holder{}, false
	}
	return c.api.Holder(c.gin.Request.Context(), strings.TrimSpace(token))
}

// sees says whether the caller may know of a rig.
func (c *call) sees(r *fleet.Rig) bool {
	switch {
	case r == nil:
		return false
	case c.who.Role == fleet.RoleRig:
		return r.Rig == c.who.Rig
	}
	return c.who.MaySee(r.Yard)
}

// rig finds the rig that the path names, if the caller may know of it.
func (c *call) rig(s *fleet.State) (*fleet.Rig, error) {
	code := c.gin.Param("rig")
	r := s.Rigs[code]
	if !c.sees(r) {
		return nil, notFound("rig", code)
	}
	return r, nil
}

// view looks at the state and keeps the number of the commit that was seen.
func (c *call) view(look func(s *fleet.State) error) (err error) {
	c.api.fleet.View(func(s *fleet.State) {
		setCommit(c.gin.Writer.Header(), s.Head.N)
		if c.keeping != nil {
			c.keeping.commit = s.Head.N
		}
		err = look(s)
	})
	return err
}

func (c *call) today(s *fleet.State) plan.Date { return plan.Of(c.now, s.Zone()) }

// head says whether the caller wants the headers alone.
func (c *call) head() bool {
	asked, _ := c.gin.Request.Context().Value(headKey{}).(bool)
	return asked
}

// setHeader sets a header of the answer.
func (c *call) setHeader(name, value string) { c.gin.Writer.Header().Set(name, value) }

var (
	jsonType     = []string{"application/json"}
	cacheControl = []string{"private, no-cache"}
)

// answer writes doc as JSON.
func (c *call) answer(status int, doc any) error {
	body, err := json.Marshal(doc)
	if err != nil {
		return err
	}
	return c.write(status, body)
}

func (c *call) write(status int, body []byte) error {
	h := c.gin.Writer.Header()
	h["Content-Type"] = jsonType
	if h["Cache-Control"] == nil {
		h["Cache-Control"] = cacheControl
	}
	h["Content-Length"] = []string{strconv.Itoa(len(body))}
	if c.keeping != nil {
		c.keeping.take(h, status, body)
	}
	c.gin.Status(status)
	_, err := c.gin.Writer.Write(body)
	if err != nil {
		c.api.log.Debug("an answer was not taken", "error", err)
	}
	return nil
}

// resource answers one resource under its tag; a reader that has it gets 304.
func (c *call) resource(status int, tag string, doc any) error {
	if c.unchanged(tag) {
		return nil
	}
	return c.answer(status, doc)
}

// unchanged sets the tag and answers 304 when the caller has that version.
func (c *call) unchanged(tag string) bool {
	h := c.gin.Writer.Header()
	h["Etag"] = []string{tag}
	if c.gin.Request.Method != http.MethodGet {
		return false
	}
	sent := c.gin.Request.Header["If-None-Match"]
	if len(sent) == 0 || !tagListed(sent, tag) {
		return false
	}
	h["Etag"] = []string{tagHeld(sent, tag)}
	h["Cache-Control"] = cacheControl
	c.gin.Status(http.StatusNotModified)
	c.gin.Writer.WriteHeaderNow()
	return true
}
