package feed

import (
	"rigledger/api/call"
	"rigledger/events"
)

// Resources answer with the feed, a page at a time or live.
type Resources struct {
	Reader   *Reader
	Stopping <-chan struct{} // closed when the service ends, so that live streams do; nil for never
	streams  call.Shares
}

// New gives resources that nobody follows yet.
func New(r *Reader, stopping <-chan struct{}) *Resources {
	return &Resources{Reader: r, Stopping: stopping, streams: call.Shares{All: streamsMost, Each: streamsEach}}
}

// lastID is the header in which a reader of a live stream says how far it came.
const lastID = "Last-Event-ID"

// readQuery reads the filters of the feed and where to begin: what named, which
// came in a header, says, else the parameter after, else the fallback.
func readQuery(c *call.Call, named string, fallback events.Position) (Filter, events.Position) {
	f := Filter{
		Kinds: c.Query.Words("kind", events.PublicKinds()...), Rigs: c.Query.Words("rig"), Yards: c.Query.Words("yard"),
		Held: c.Who.Yards,
	}
	inHeader := named != ""
	if !inHeader {
		named = c.Query.Text("after")
	}
	if named == "" {
		return f, fallback
	}
	after, err := events.ParsePosition(named)
	switch {
	case err == nil:
	case inHeader:
		c.Query.FailHeader(lastID, err.Error())
	default:
		c.Query.Fail("after", err.Error())
	}
	return f, after
}

// GetFeed gives every fact since the beginning, in order and without a gap.
func (res *Resources) GetFeed(c *call.Call) error {
	limit := c.Query.Number("limit", 1, call.PageMost, call.PageUsual)
	filter, after := readQuery(c, "", events.After(0))
	if err := c.Query.Err(); err != nil {
		return err
	}
	// Another instance may have given out a position that is not here yet.
	if err := c.WaitFor(after.Commit); err != nil {
		return err
	}
	page, err := res.Reader.Read(c.Context(), filter, after, limit)
	if err != nil {
		return err
	}
	c.SetCommit(page.Head)
	return c.Answer(200, page)
}
