// Package feed reads the ledger's facts in order, from any commit since the
// beginning, for those who must not miss one: the API's feed, its live streams
// and the hooks. It decides what of a fact may be seen and by whom, and answers
// for /v1/feed, page by page or live. It never writes, and never shows a private
// kind (events.Private).
package feed

import (
	"context"
	"slices"
	"time"

	"rigledger/api/shape"
	"rigledger/events"
	"rigledger/fleet"
)

// scanMost bounds how much of the ledger one reading goes through, in bytes of
// encoded commits, however little of it is wanted.
const scanMost = 4 << 20

// Filter says which facts are wanted. Empty lists mean any.
type Filter struct {
	Kinds []string
	Rigs  []string
	Yards []string // the yards that the rigs belong to now
	Held  []string // yards that the reader is held to
	Quiet bool     // without meter.read, unless Kinds name it
}

// Fact is one fact with its place in the ledger.
type Fact struct {
	Position events.Position `json:"position"`
	Commit   uint64          `json:"commit"`
	Index    int             `json:"index"` // in its commit, from 0
	Kind     string          `json:"kind"`
	Rig      string          `json:"rig,omitempty"`
	At       time.Time       `json:"at"` // when it holds in the field
	By       string          `json:"by"`
	Recorded time.Time       `json:"recorded"`
	Fact     any             `json:"fact"`
	Changes  []string        `json:"changes"` // addresses of what it changed, as Changes gives them
}

// Page is a stretch of the feed. Next is where to go on; it lies further than
// where the reading began unless that was the head.
type Page struct {
	Facts []Fact          `json:"facts"`
	Next  events.Position `json:"next"`
	Head  uint64          `json:"head"` // newest commit when the reading began
}

// More says whether the ledger goes on beyond the page.
func (p *Page) More() bool { return p.Next.Before(events.After(p.Head)) }

// Reader reads the feed of one fleet.
type Reader struct{ Fleet *fleet.Fleet }

// Changes gives the addresses of what each fact of a commit changed, for those
// who may see all.
func (r *Reader) Changes(c *events.Commit) [][]string {
	var all Filter
	list := make([][]string, len(c.Facts))
	r.Fleet.View(func(s *fleet.State) {
		for i := range c.Facts {
			list[i] = all.seen(s, Changes(s, &c.Facts[i]), true)
		}
	})
	return list
}

// Read gives what follows a position: at most limit facts, and no more than
// about 4 MiB of the ledger.
func (r *Reader) Read(ctx context.Context, f Filter, after events.Position, limit int) (Page, error) {
	p := Page{Facts: []Fact{}, Next: after, Head: r.Fleet.Head().N}
	from := max(after.Commit, 1)
	if after.Whole() {
		from = after.Commit + 1
	}
	scanned := 0
	err := r.Fleet.ReadCommits(ctx, from, func(c *events.Commit) error {
		r.take(&p, &f, after, limit, c)
		scanned += c.Size()
		if len(p.Facts) >= limit || scanned >= scanMost {
			return fleet.ErrEnough
		}
		return nil
	})
	return p, err
}

// take adds what is wanted of a commit to the page, as far as it goes.
func (r *Reader) take(p *Page, f *Filter, after events.Position, limit int, c *events.Commit) {
	r.Fleet.View(func(s *fleet.State) {
		for i := range c.Facts {
			at := events.Position{Commit: c.N, Index: i}
			if !after.Before(at) {
				continue
			}
			if len(p.Facts) >= limit {
				return
			}
			p.Next = at
			e := &c.Facts[i]
			sight := f.sees(s, e)
			if sight == hidden {
				continue
			}
			subject := e.Fact.Subject()
			rig := s.Rigs[subject]
			fact := Fact{
				Position: at, Commit: c.N, Index: i, Kind: e.Fact.Kind(), Rig: subject, At: e.At.UTC(), By: e.By, Recorded: c.Recorded.UTC(),
			}
			if sight == left {
				fact.Fact, fact.Changes = map[string]string{"rig": subject}, leaving(rig)
			} else {
				fact.Fact, fact.Changes = shape.FeedFact(rig, e.Fact), f.seen(s, Changes(s, e), subject == "")
			}
			p.Facts = append(p.Facts, fact)
		}
		p.Next = events.After(c.N)
	})
}

// seen gives the addresses of what a reader may see. Those of no rig go with
// facts about no rig, which tell of what everybody may read.
func (f *Filter) seen(s *fleet.State, all []Address, general bool) []string {
	paths := make([]string, 0, len(all))
	for _, a := range all {
		rig := s.Rigs[a.Rig]
		if len(f.Held) == 0 || a.Rig == "" && general || rig != nil && slices.Contains(f.Held, rig.Yard) {
			paths = append(paths, a.Path)
		}
	}
	return paths
}
