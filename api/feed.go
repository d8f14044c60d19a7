package api

import (
	"rigledger/api/feed"
	"rigledger/events"
)

// feedResources answer with the feed, a page at a time or live.
type feedResources struct {
	Reader   *feed.Reader
	Stopping <-chan struct{} // closed when the service ends, so that live streams do; nil for never
	streams  streams
}

// readQuery reads the filters of the feed and where to begin. fallback is the
// position of a caller who names none.
func readQuery(c *call, named string, fallback events.Position) (feed.Filter, events.Position) {
	f := feed.Filter{
		Kinds: c.Query.words("kind", events.PublicKinds()...), Rigs: c.Query.words("rig"), Yards: c.Query.words("yard"),
		Held: c.Who.Yards,
	}
	if named == "" {
		named = c.Query.text("after")
	}
	if named == "" {
		return f, fallback
	}
	after, err := events.ParsePosition(named)
	if err != nil {
		c.Query.fail("after", err.Error())
	}
	return f, after
}

// getFeed gives every fact since the beginning, in order and without a gap.
func (res *feedResources) getFeed(c *call) error {
	limit := c.Query.number("limit", 1, pageMost, pageUsual)
	filter, after := readQuery(c, "", events.After(0))
	if err := c.Query.err(); err != nil {
		return err
	}
	// Another instance may have given out a position that is not here yet.
	if err := c.waitFor(after.Commit); err != nil {
		return err
	}
	page, err := res.Reader.Read(c.Context(), filter, after, limit)
	if err != nil {
		return err
	}
	c.SetCommit(page.Head)
	return c.answer(200, page)
}
