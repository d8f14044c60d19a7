package api

import (
	"math"
	"net/http"
	"sort"
	"time"

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
	NextDue []dueDoc      `json:"next_due"`
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

// lastRig is where a part is, or was last.
func lastRig(s *fleet.State, p *fleet.Part) *fleet.Rig {
	if len(p.Stays) == 0 {
		return nil
	}
	return s.Rigs[p.Stays[len(p.Stays)-1].Rig]
}

func seenPart(c *call, s *fleet.State, id string) (*fleet.Part, error) {
	p := s.Parts[id]
	if p == nil || !c.sees(lastRig(s, p)) {
		return nil, notFound("part", id)
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

func partDocOf(c *call, s *fleet.State, p *fleet.Part) partDoc {
	d := partDoc{partLine: partLineOf(s, p), Carried: amountsOrNil(amountsOf(p.Carried)), Stays: []stayDoc{}, Tasks: []taskLogDoc{}, NextDue: []dueDoc{}}
	for _, st := range p.Stays {
		stay := stayDoc{Rig: st.Rig, To: milliOrNil(st.To)}
		if !st.FromStart {
			stay.From = milliOrNil(st.From)
		}
		if !c.sees(s.Rigs[st.Rig]) {
			stay.Rig, stay.Elsewhere = "", true
		}
		d.Stays = append(d.Stays, stay)
	}
	for slug, l := range p.Tasks {
		d.Tasks = append(d.Tasks, taskLogDoc{Task: slug, Cycles: l.Cycles, Done: l.Done, LastAt: milliOrNil(l.LastAt), Item: l.Open})
	}
	sort.Slice(d.Tasks, func(i, j int) bool { return d.Tasks[i].Task < d.Tasks[j].Task })
	if r := s.Rigs[p.Rig()]; r != nil {
		lines := c.Fleet.DueOf(s, r, c.Now)
		for i := range lines {
			if lines[i].Part.Part == p.Part {
				d.NextDue = append(d.NextDue, dueDocOf(&lines[i]))
			}
		}
	}
	return d
}

func (res *rigResources) getPart(c *call) error { return partAnswer(c, http.StatusOK, c.Param("part")) }

func partAnswer(c *call, status int, id string) error {
	var doc partDoc
	var tag string
	err := c.view(func(s *fleet.State) error {
		p, err := seenPart(c, s, id)
		if err != nil {
			return err
		}
		doc, tag = partDocOf(c, s, p), tagOf(partChanged(s, p), c.today(s))
		return nil
	})
	if err != nil {
		return err
	}
	return c.resource(status, tag, doc)
}

func (res *rigResources) getParts(c *call) error {
	p := c.pages("parts")
	left := c.Query.words("left", "true", "false")
	if err := c.Query.err(); err != nil {
		return err
	}
	var docs []partLine
	var next string
	err := c.view(func(s *fleet.State) error {
		r, err := c.rig(s)
		if err != nil {
			return err
		}
		ids := r.Fitted
		if len(left) == 1 && left[0] == "true" {
			ids = r.Left
		}
		var found []placed[*fleet.Part]
		for _, id := range ids {
			if at := (place{ID: id}); p.wants(at) {
				found = append(found, placed[*fleet.Part]{at, s.Parts[id]})
			}
		}
		found, next = cut(&p, found)
		docs = make([]partLine, 0, len(found))
		for _, f := range found {
			line := partLineOf(s, f.of)
			if line.Rig != "" && !c.sees(s.Rigs[line.Rig]) {
				line.Rig = ""
			}
			docs = append(docs, line)
		}
		return nil
	})
	if err != nil {
		return err
	}
	return c.list("parts", docs, next, nil)
}

func (res *rigResources) fitPart(c *call) error {
	cmd := fleet.FitPart{Rig: c.Param("rig")}
	if err := c.seesRig(); err != nil {
		return err
	}
	if err := c.body(&cmd); err != nil {
		return err
	}
	may := func(s *fleet.State) error {
		if known := s.Parts[cmd.Part]; known != nil && !c.sees(lastRig(s, known)) {
			return notFound("part", cmd.Part)
		}
		return c.mayRig(s)
	}
	d, err := c.do(&cmd, http.StatusCreated, may)
	if err != nil {
		return err
	}
	id := partFitted(d.facts)
	if d.replayed {
		c.Fleet.View(func(s *fleet.State) { id = fittedIn(s.Rigs[cmd.Rig], d.commit) })
	}
	c.setHeader("Location", "/v1/parts/"+id)
	return partAnswer(c, d.status, id)
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

func (res *rigResources) removePart(c *call) error {
	cmd := fleet.RemovePart{Rig: c.Param("rig"), Part: c.Param("part")}
	if err := c.seesRig(); err != nil {
		return err
	}
	if err := c.body(&cmd); err != nil {
		return err
	}
	d, err := c.do(&cmd, http.StatusOK, c.mayRig)
	if err != nil {
		return err
	}
	return partAnswer(c, d.status, cmd.Part)
}
