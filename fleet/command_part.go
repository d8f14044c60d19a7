package fleet

import (
	"fmt"
	"sort"
	"time"

	"rigledger/events"
	"rigledger/fleet/meter"
)

// FitPart puts a part on a rig: a new one, or one that was removed from
// another rig and brings its usage along.
type FitPart struct {
	Rig      string             `json:"-"`
	Part     string             `json:"part,omitempty"` // its id; made from rig and position when absent
	Position string             `json:"position"`
	Kind     string             `json:"kind,omitempty"`
	Name     string             `json:"name,omitempty"`
	Serial   string             `json:"serial,omitempty"`
	SKU      string             `json:"sku,omitempty"`
	Made     string             `json:"made,omitempty"`
	At       *time.Time         `json:"at,omitempty"` // absent: now
	Carried  map[string]float64 `json:"carried,omitempty"`

	// Sees says whether the asker may know of a part; nil for any. One that he may
	// not is to him as if it were not there: whatever else is wrong is said first,
	// and in the end only that its id cannot be had, as ids are there once.
	Sees func(s *State, part *Part) bool `json:"-"`
}

func (p *FitPart) Touches() []string { return []string{"rig:" + p.Rig, "parts"} }

func (p *FitPart) Decide(d Deciding) ([]events.Entry, error) {
	rig, err := d.liveRig(p.Rig)
	if err != nil {
		return nil, err
	}
	var c check
	c.code("/position", p.Position)
	c.optional("/name", p.Name, 200)
	c.optional("/serial", p.Serial, 100)
	c.optional("/sku", p.SKU, 100)
	made := c.date("/made", p.Made)
	at := c.past("/at", p.At, d.Now)
	id, known, hidden := p.Part, (*Part)(nil), false
	if id != "" {
		c.code("/part", id)
		known = d.Parts[id]
		if hidden = known != nil && p.Sees != nil && !p.Sees(d.State, known); hidden {
			known = nil
		}
	}
	fact := &events.PartFitted{Rig: p.Rig, Position: p.Position, Type: p.Kind, Name: p.Name, Serial: p.Serial, SKU: p.SKU, Made: made}
	if known == nil {
		if fact.Type == "" {
			fact.Type = d.kindAt(rig.Class, p.Position)
		}
		c.code("/kind", fact.Type)
		fact.Carried = c.carried("/carried", p.Carried)
	} else {
		// A known part keeps what was said of it unless it is said anew.
		if len(p.Carried) > 0 {
			c.fail("/carried", "cannot be given for a part whose usage the ledger knows")
		}
		if p.Kind != "" && p.Kind != known.Kind {
			c.fail("/kind", "the part is of kind %q", known.Kind)
		}
		fact.Type = known.Kind
		keep(&fact.Name, known.Name)
		keep(&fact.Serial, known.Serial)
		keep(&fact.SKU, known.SKU)
		keep(&fact.Made, known.Made)
	}
	if err := c.err(); err != nil {
		return nil, err
	}
	if fact.Type == "rig" || known != nil && known.Kind == "rig" {
		return nil, conflict("a whole rig is not a part that can be fitted")
	}
	for _, other := range rig.Fitted {
		if d.Parts[other].Position == p.Position {
			return nil, conflict("position %q of rig %s is taken by part %s; remove that first", p.Position, p.Rig, other)
		}
	}
	if known != nil {
		switch on := known.Rig(); {
		case on != "":
			return nil, conflict("part %s is on rig %s; remove it there first", id, on)
		case known.Scrapped:
			return nil, conflict("part %s was scrapped", id)
		case known.Stays[len(known.Stays)-1].To > at.UnixMilli():
			return nil, conflict("part %s was still on rig %s then", id, known.Stays[len(known.Stays)-1].Rig)
		}
	}
	if hidden {
		return nil, conflict("the id %q cannot be had; leave it out for a new part", id)
	}
	if id == "" {
		id = d.freePartID(p.Rig + "-" + p.Position)
	} else if d.Rigs[id] != nil {
		return nil, conflict("a rig is named %q", id)
	}
	fact.Part = id
	if fact.Name == "" {
		fact.Name = d.titleAt(rig.Class, p.Position)
	}
	e := d.entry(fact)
	e.At = at
	return []events.Entry{e}, nil
}

// freePartID gives base, or base with the first free number behind it: the
// second pump at a position is T01-pump-2.
func (s *State) freePartID(base string) string {
	if s.Parts[base] == nil {
		return base
	}
	for n := 2; ; n++ {
		if id := fmt.Sprintf("%s-%d", base, n); s.Parts[id] == nil {
			return id
		}
	}
}

func keep(to *string, known string) {
	if *to == "" {
		*to = known
	}
}

// carried checks usage brought from outside the ledger, in human units.
func (c *check) carried(field string, given map[string]float64) events.Amounts {
	var out events.Amounts
	for _, q := range quantities {
		v, ok := given[q.Field()]
		if !ok {
			continue
		}
		base, err := meter.ToBase(q, v, q.Unit())
		if err != nil {
			c.fail(field+"/"+q.Field(), "%v", err)
			continue
		}
		out = append(out, events.Amount{Quantity: string(q), Value: base})
	}
	if len(out) != len(given) && len(c.fields) == 0 {
		c.fail(field, "may hold hours, hectares, litres, kilometres and loads")
	}
	sort.Slice(out, func(i, j int) bool { return out[i].Quantity < out[j].Quantity })
	return out
}

// past checks an optional time that may lie back but not ahead.
func (c *check) past(field string, at *time.Time, now time.Time) time.Time {
	if at == nil {
		return events.Milli(now)
	}
	if at.After(now.Add(futureSlack)) {
		c.fail(field, "lies in the future")
	}
	if at.Year() < 1950 {
		c.fail(field, "lies before 1950")
	}
	return events.Milli(*at)
}

// RemovePart takes a part off a rig.
type RemovePart struct {
	Rig      string     `json:"-"`
	Part     string     `json:"-"`
	Reason   string     `json:"reason"`
	Scrapped bool       `json:"scrapped,omitempty"`
	At       *time.Time `json:"at,omitempty"`
}

func (p *RemovePart) Touches() []string { return []string{"rig:" + p.Rig, "parts"} }

func (p *RemovePart) Decide(d Deciding) ([]events.Entry, error) {
	if _, err := d.liveRig(p.Rig); err != nil {
		return nil, err
	}
	known := d.Parts[p.Part]
	if known == nil || known.Kind == "rig" {
		return nil, missing("part", p.Part)
	}
	var c check
	c.text("/reason", p.Reason, 500)
	at := c.past("/at", p.At, d.Now)
	if err := c.err(); err != nil {
		return nil, err
	}
	if known.Rig() != p.Rig {
		return nil, conflict("part %s is not on rig %s", p.Part, p.Rig)
	}
	if stay := known.Stays[len(known.Stays)-1]; !stay.FromStart && stay.From > at.UnixMilli() {
		return nil, conflict("part %s was fitted only at %s", p.Part, unixMilli(stay.From).Format(time.RFC3339))
	}
	e := d.entry(&events.PartRemoved{Part: p.Part, Rig: p.Rig, Reason: p.Reason, Scrapped: p.Scrapped})
	e.At = at
	return []events.Entry{e}, nil
}
