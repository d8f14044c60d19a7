package feed

import (
	"rigledger/api/call"
	"rigledger/events"
)

// Resources answer with the feed, a page at a time or live.
type Resources struct {
	Reader   *Reader
	Stopping <-chan struct{} // closed when the service ends, so that live streams do; nil for never
	streams  streams
}

// readQuery reads the filters of the feed and where to begin. fallback is the
// position of a caller who names none.
func readQuery(c *call.Call, named string, fallback events.Position) (Filter, events.Position) {
	f := Filter{
		Kinds: c.Query.Words("kind", events.PublicKinds()...), Rigs: c.Query.Words("rig"), Yards: c.Query.Words("yard"),
		Held: c.Who.Yards,
	}
	if named == "" {
		named = c.Query.Text("after")
	}
	if named == "" {
		return f, fallback
	}
	after, err := events.ParsePosition(named)
	if err != nil {
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
