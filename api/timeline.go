package api

import (
	"time"

	"rigledger/events"
	"rigledger/fleet"
)

// loggedDoc is one fact of a rig's timeline. What it says is in fact, in the
// units of the API; secrets' hashes and raw messages are left out.
type loggedDoc struct {
	Commit   uint64    `json:"commit"`
	Recorded time.Time `json:"recorded"`
	Kind     string    `json:"kind"`
	At       time.Time `json:"at"`
	By       string    `json:"by"`
	Fact     any       `json:"fact"`
}

func (res *rigResources) getTimeline(c *call) error {
	p := c.pages("timeline")
	kindsWanted := c.Query.words("kind", events.Kinds()...)
	if err := c.Query.err(); err != nil {
		return err
	}
	var docs []loggedDoc
	var next string
	err := c.view(func(s *fleet.State) error {
		r, err := c.rig(s)
		if err != nil {
			return err
		}
		// The place counts down, so that the newest comes first and what is added
		// later stands before any page that was read.
		var found []placed[*fleet.Logged]
		for i := len(r.Timeline) - 1; i >= 0 && len(found) <= p.limit; i-- {
			l := &r.Timeline[i]
			at := place{N: 1<<53 - uint64(i)}
			if p.wants(at) && has(kindsWanted, l.Entry.Fact.Kind()) {
				found = append(found, placed[*fleet.Logged]{at, l})
			}
		}
		found, next = cut(&p, found)
		docs = make([]loggedDoc, 0, len(found))
		for _, f := range found {
			e := &f.of.Entry
			docs = append(docs, loggedDoc{f.of.N, f.of.Recorded.UTC(), e.Fact.Kind(), e.At.UTC(), e.By, factDoc(r, e.Fact)})
		}
		return nil
	})
	if err != nil {
		return err
	}
	return c.list("timeline", docs, next, nil)
}
