package rigs

import (
	"time"

	"rigledger/api/call"
	"rigledger/api/shape"
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

// GetTimeline answers GET /v1/rigs/{rig}/timeline.
func (res *Resources) GetTimeline(c *call.Call) error {
	p := c.Pages("timeline")
	kindsWanted := c.Query.Words("kind", events.Kinds()...)
	if err := c.Query.Err(); err != nil {
		return err
	}
	var docs []loggedDoc
	var next string
	err := c.View(func(s *fleet.State) error {
		r, err := c.Rig(s)
		if err != nil {
			return err
		}
		// The place counts down, so that the newest comes first and what is added
		// later stands before any page that was read.
		var found []call.Placed[*fleet.Logged]
		for i := len(r.Timeline) - 1; i >= 0 && len(found) <= p.Limit; i-- {
			l := &r.Timeline[i]
			at := call.Place{N: 1<<53 - uint64(i)}
			if p.Wants(at) && call.Wants(kindsWanted, l.Entry.Fact.Kind()) {
				found = append(found, call.Placed[*fleet.Logged]{At: at, Of: l})
			}
		}
		found, next = call.Cut(&p, found)
		docs = make([]loggedDoc, 0, len(found))
		for _, f := range found {
			e := &f.Of.Entry
			docs = append(docs, loggedDoc{f.Of.N, f.Of.Recorded.UTC(), e.Fact.Kind(), e.At.UTC(), e.By, shape.Fact(r, e.Fact)})
		}
		return nil
	})
	if err != nil {
		return err
	}
	return c.List("timeline", docs, next, nil)
}
