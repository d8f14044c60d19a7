package rigs

import (
	"math"
	"net/http"
	"sort"
	"time"

	"rigledger/api/call"
	"rigledger/api/shape"
	"rigledger/events"
	"rigledger/fleet"
	"rigledger/fleet/plan"
)

// partLine is a part in a rig's list.
type partLine struct {
	Part     string       `json:"part"`
	Kind     string       `json:"kind"`
	Name     string       `json:"name"`
	Position string       `json:"position"`
	Rig      string       `json:"rig,omitempty"` // where it is now
	Serial   string       `json:"serial,omitempty"`
	SKU      string       `json:"sku,omitempty"`
	Made     string       `json:"made,omitempty"`
	Scrapped bool         `json:"scrapped"`
	Totals   plan.Amounts `json:"totals"` // its own, over all rigs, with what it carried in
}

// partDoc is a part by itself, with its whole life.
type partDoc struct {
	partLine
	Carried *plan.Amounts `json:"carried,omitempty"`
	Stays   []stayDoc     `json:"stays"`
	Tasks   []taskLogDoc  `json:"tasks"`
	NextDue []shape.Due   `json:"next_due"`
}

type stayDoc struct {
	Rig       string     `json:"rig,omitempty"`       // absent for a rig outside the caller's yards
	From      *time.Time `json:"from,omitempty"`      // absent: since the rig's meters began
	To        *time.Time `json:"to,omitempty"`        // absent while it lasts
	Elsewhere bool       `json:"elsewhere,omitempty"` // on a rig outside the caller's yards
}

type taskLogDoc struct {
	Task   string     `json:"task"`
	Cycles int        `json:"cycles"`
	Done   int        `json:"done"`
	LastAt *time.Time `json:"last_at,omitempty"`
	Item   string     `json:"item,omitempty"`
}

// always is after any reading: totals then are the newest known.
const always = math.MaxInt64 / 4

func partLineOf(s *fleet.State, p *fleet.Part) partLine {
	return partLine{
		Part: p.Part, Kind: p.Kind, Name: p.Name, Position: p.Position, Rig: p.Rig(), Serial: p.Serial, SKU: p.SKU,
		Made: p.Made, Scrapped: p.Scrapped, Totals: s.PartTotals(p, always),
	}
}

// partAsItLeft is a part that went on to a rig that the caller may not know of:
// what was said of it when it was fitted here and taken off, and its totals of
// then. What it counts there, and what became of it, is the other yard's.
func partAsItLeft(s *fleet.State, p *fleet.Part, r *fleet.Rig) partLine {
	line := partLine{Part: p.Part, Kind: p.Kind}
	for i := range r.Timeline {
		switch f := r.Timeline[i].Entry.Fact.(type) {
		case *events.PartFitted:
			if f.Part == p.Part {
				line.Kind, line.Name, line.Position, line.Serial, line.SKU, line.Made = f.Type, f.Name, f.Position, f.Serial, f.SKU, f.Made
			}
		case *events.PartRemoved:
			if f.Part == p.Part {
				line.Scrapped = f.Scrapped
			}
		}
	}
	for _, st := range p.Stays {
		if st.Rig == r.Rig {
			line.Totals = s.PartTotals(p, st.To)
		}
	}
	return line
}

// lastRig is where a part is, or was last.
func lastRig(s *fleet.State, p *fleet.Part) *fleet.Rig {
	if len(p.Stays) == 0 {
		return nil
	}
	return s.Rigs[p.Stays[len(p.Stays)-1].Rig]
}

func seenPart(c *call.Call, s *fleet.State, id string) (*fleet.Part, error) {
	p := s.Parts[id]
	if p == nil || !c.Sees(lastRig(s, p)) {
		return nil, call.NoSuch("part", id)
	}
	return p, nil
}

// partChanged is the newest commit that a part's answer depends on: every rig
// it was on counts its usage.
func partChanged(s *fleet.State, p *fleet.Part) (n uint64) {
	for i := range p.Stays {
		if r := s.Rigs[p.Stays[i].Rig]; r != nil {
			n = max(n, r.Changed)
		}
	}
	return n
}

func partDocOf(c *call.Call, s *fleet.State, p *fleet.Part) partDoc {
	d := partDoc{partLine: partLineOf(s, p), Carried: shape.AmountsOrNil(shape.Amounts(p.Carried)), Stays: []stayDoc{}, Tasks: []taskLogDoc{}, NextDue: []shape.Due{}}
	for _, st := range p.Stays {
		stay := stayDoc{Rig: st.Rig, To: shape.Milli(st.To)}
		if !st.FromStart {
			stay.From = shape.Milli(st.From)
		}
		if !c.Sees(s.Rigs[st.Rig]) {
			stay.Rig, stay.Elsewhere = "", true
		}
		d.Stays = append(d.Stays, stay)
	}
	for slug, l := range p.Tasks {
		d.Tasks = append(d.Tasks, taskLogDoc{Task: slug, Cycles: l.Cycles, Done: l.Done, LastAt: shape.Milli(l.LastAt), Item: l.Open})
	}
	sort.Slice(d.Tasks, func(i, j int) bool { return d.Tasks[i].Task < d.Tasks[j].Task })
	if r := s.Rigs[p.Rig()]; r != nil {
		lines := c.Fleet.DueOf(s, r, c.Now)
		for i := range lines {
			if lines[i].Part.Part == p.Part {
				d.NextDue = append(d.NextDue, shape.DueOf(&lines[i]))
			}
		}
	}
	return d
}

// GetPart answers GET /v1/parts/{part}.
func (res *Resources) GetPart(c *call.Call) error {
	return partAnswer(c, http.StatusOK, c.Param("part"))
}

func partAnswer(c *call.Call, status int, id string) error {
	var doc partDoc
	var tag string
	err := c.View(func(s *fleet.State) error {
		p, err := seenPart(c, s, id)
		if err != nil {
			return err
		}
		doc, tag = partDocOf(c, s, p), call.Tag(partChanged(s, p), c.Today(s))
		return nil
	})
	if err != nil {
		return err
	}
	return c.Resource(status, tag, doc)
}

// GetParts answers GET /v1/rigs/{rig}/parts.
func (res *Resources) GetParts(c *call.Call) error {
	p := c.Pages("parts")
	left := c.Query.Words("left", "true", "false")
	if err := c.Query.Err(); err != nil {
		return err
	}
	var docs []partLine
	var next string
	err := c.View(func(s *fleet.State) error {
		r, err := c.Rig(s)
		if err != nil {
			return err
		}
		ids := r.Fitted
		if len(left) == 1 && left[0] == "true" {
			ids = r.Left
		}
		var found []call.Placed[*fleet.Part]
		for _, id := range ids {
			if at := (call.Place{ID: id}); p.Wants(at) {
				found = append(found, call.Placed[*fleet.Part]{At: at, Of: s.Parts[id]})
			}
		}
		found, next = call.Cut(&p, found)
		docs = make([]partLine, 0, len(found))
		for _, f := range found {
			if c.Sees(lastRig(s, f.Of)) {
				docs = append(docs, partLineOf(s, f.Of))
			} else {
				docs = append(docs, partAsItLeft(s, f.Of, r))
			}
		}
		return nil
	})
	if err != nil {
		return err
	}
	return c.List("parts", docs, next, nil)
}

// FitPart answers POST /v1/rigs/{rig}/parts.
func (res *Resources) FitPart(c *call.Call) error {
	cmd := fleet.FitPart{Rig: c.Param("rig")}
	cmd.Sees = func(s *fleet.State, p *fleet.Part) bool { return c.Sees(lastRig(s, p)) }
	if err := c.SeesRig(); err != nil {
		return err
	}
	if err := c.Body(&cmd); err != nil {
		return err
	}
	d, err := c.Do(&cmd, http.StatusCreated, c.MayRig)
	if err != nil {
		return err
	}
	id := partFitted(d.Facts)
	if d.Replayed {
		c.Fleet.View(func(s *fleet.State) { id = fittedIn(s.Rigs[cmd.Rig], d.Commit) })
	}
	c.SetHeader("Location", "/v1/parts/"+id)
	return partAnswer(c, d.Status, id)
}

func partFitted(facts []events.Entry) string {
	for _, e := range facts {
		if f, ok := e.Fact.(*events.PartFitted); ok {
			return f.Part
		}
	}
	return ""
}

// fittedIn finds the part that a commit fitted to a rig: two fittings to one rig
// never share a commit.
func fittedIn(r *fleet.Rig, commit uint64) string {
	if r == nil {
		return ""
	}
	for i := len(r.Timeline) - 1; i >= 0; i-- {
		if f, ok := r.Timeline[i].Entry.Fact.(*events.PartFitted); ok && r.Timeline[i].N == commit {
			return f.Part
		}
	}
	return ""
}

// RemovePart answers POST /v1/rigs/{rig}/parts/{part}/remove.
func (res *Resources) RemovePart(c *call.Call) error {
	cmd := fleet.RemovePart{Rig: c.Param("rig"), Part: c.Param("part")}
	if err := c.SeesRig(); err != nil {
		return err
	}
	if err := c.Body(&cmd); err != nil {
		return err
	}
	d, err := c.Do(&cmd, http.StatusOK, c.MayRig)
	if err != nil {
		return err
	}
	return partAnswer(c, d.Status, cmd.Part)
}
