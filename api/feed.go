package api

import (
	"rigledger/api/feed"
	"rigledger/events"
	"rigledger/fleet"
	"rigledger/fleet/plan"
)

// NewFeed gives the reader of a fleet's feed, which shows facts as the API does.
func NewFeed(f *fleet.Fleet) *feed.Reader { return &feed.Reader{Fleet: f, Doc: feedDoc} }

// feedDoc shows a fact as the timeline does; readings, which no timeline has,
// with their counters in human units, and files without their bytes.
func feedDoc(rig *fleet.Rig, f events.Fact) any {
	type doc = map[string]any
	switch f := f.(type) {
	case *events.MeterRead:
		counters := make([]doc, 0, len(f.Counters))
		for _, c := range f.Counters {
			counter := plan.Amounts{}
			if m := rig.Meter(c.Meter); m != nil {
				counter = amountOf(m.Series.Quantity, c.Value)
			}
			counters = append(counters, doc{"meter": c.Meter, "counter": counter})
		}
		d := doc{"rig": f.Rig, "event": f.Event, "counters": counters}
		if f.Location != nil {
			lat, lon := f.Location.Degrees()
			d["position"] = doc{"latitude": lat, "longitude": lon}
		}
		return d
	case *events.FileKept:
		short := *f
		short.Bytes = nil
		return doc{"file": short.File, "name": short.Name, "type": short.Type, "bytes": len(f.Bytes)}
	}
	return factDoc(rig, f)
}

// feedQuery reads the filters of the feed and where to begin. fallback is the
// position of a caller who names none.
func (c *call) feedQuery(named string, fallback events.Position) (feed.Filter, events.Position) {
	f := feed.Filter{
		Kinds: c.query.words("kind", events.PublicKinds()...), Rigs: c.query.words("rig"), Yards: c.query.words("yard"),
		Held: c.who.Yards,
	}
	if named == "" {
		named = c.query.text("after")
	}
	if named == "" {
		return f, fallback
	}
	after, err := events.ParsePosition(named)
	if err != nil {
		c.query.fail("after", err.Error())
	}
	return f, after
}

// getFeed gives every fact since the beginning, in order and without a gap.
func getFeed(c *call) error {
	limit := c.query.number("limit", 1, pageMost, pageUsual)
	filter, after := c.feedQuery("", events.After(0))
	if err := c.query.err(); err != nil {
		return err
	}
	// Another instance may have given out a position that is not here yet.
	if err := c.waitFor(after.Commit); err != nil {
		return err
	}
	page, err := c.api.feed.Read(c.gin.Request.Context(), filter, after, limit)
	if err != nil {
		return err
	}
	setCommit(c.gin.Writer.Header(), page.Head)
	return c.answer(200, page)
}
