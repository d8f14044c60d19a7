package call

import (
	"net/url"
	"strconv"
	"sync/atomic"
	"time"
)

// A token that another instance has just made is not known here until its commit
// is. Who asks for that commit with after_commit is let wait for it before the token
// is judged. Anybody may send such a request, so that few wait at a time, not for
// long, and for no commit that lies further ahead than instances ever do.
const (
	newcomersMost = 16
	newcomerWait  = 2 * time.Second
	newcomerAhead = 10_000 // commits; an instance that far behind is no use to who has just written
)

// newcomers counts the requests that wait for their token to become known.
type newcomers struct{ waiting atomic.Int64 }

func (n *newcomers) enter() bool {
	if n.waiting.Add(1) > newcomersMost {
		n.waiting.Add(-1)
		return false
	}
	return true
}

func (n *newcomers) leave() { n.waiting.Add(-1) }

// awaitToken waits for the commit that the caller asks for, if his token may have
// come with it. Where there is nothing to wait for it returns nil at once; that the
// commit did not come is said as to anybody, with 503, for the token may be good.
func (c *Call) awaitToken() error {
	token, sent := c.bearer()
	if !sent || c.at.Unheard == nil || !c.at.Unheard(token) {
		return nil
	}
	values, err := url.ParseQuery(c.Request.URL.RawQuery)
	if err != nil {
		return nil
	}
	after, err := strconv.ParseUint(values.Get("after_commit"), 10, 53)
	head := c.Fleet.Head().N
	if err != nil || after <= head || after-head > newcomerAhead {
		return nil
	}
	if !c.at.new.enter() {
		return &Problem{Kind: Behind, Detail: "commit " + strconv.FormatUint(after, 10) + " is not here yet, and many wait for theirs"}
	}
	defer c.at.new.leave()
	return c.waitFor(after, newcomerWait)
}
