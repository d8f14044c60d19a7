package fleet

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"rigledger/events"
	"rigledger/fleet/plan"
	"rigledger/fleet/testbay"
)

// PlaceRig says under which law a rig works, from At (absent: now) on. An empty
// Place leaves that to its yard. Contractor is true unless said otherwise.
type PlaceRig struct {
	Rig           string     `json:"-"`
	Place         string     `json:"place"`
	Schemes       []string   `json:"schemes,omitempty"`
	Contractor    *bool      `json:"contractor,omitempty"`
	Leased        bool       `json:"leased,omitempty"`
	FirstPurchase string     `json:"first_purchase,omitempty"`
	At            *time.Time `json:"at,omitempty"`
}

func (p *PlaceRig) Touches() []string { return []string{"rig:" + p.Rig, "intervals"} }

func (p *PlaceRig) Decide(d Deciding) ([]events.Entry, error) {
	rig, err := d.liveRig(p.Rig)
	if err != nil {
		return nil, err
	}
	var c check
	place := d.place(&c, p.Place, p.Schemes)
	purchase := c.date("/first_purchase", p.FirstPurchase)
	if day, err := plan.ParseDate(purchase); err == nil {
		if day.After(plan.Of(d.Now, d.zone)) {
			c.fail("/first_purchase", "lies in the future")
		}
		if use, err := plan.ParseDate(rig.FirstUse); err == nil && day.After(use) {
			c.fail("/first_purchase", "lies after the rig's first use, %s", rig.FirstUse)
		}
	}
	if place != "" && purchase == "" && rig.FirstUse == "" {
		c.fail("/first_purchase", "is needed: the rig has no first use either, and the law counts from one of them")
	}
	at := c.past("/at", p.At, d.Now)
	if err := c.err(); err != nil {
		return nil, err
	}
	e := d.entry(&events.RigPlaced{
		Rig: p.Rig, Place: place, Schemes: p.Schemes, Contractor: p.Contractor == nil || *p.Contractor, Leased: p.Leased, FirstPurchase: purchase,
	})
	e.At = at
	return []events.Entry{e}, nil
}

// place checks a place and schemes against the interval table in use.
func (d Deciding) place(c *check, place string, schemes []string) string {
	table := d.Intervals()
	name, known := placeNamed(table, place)
	if place != "" && !known {
		c.fail("/place", "must be one of %s, or empty; others can be added to the intervals", strings.Join(placeNames(table), ", "))
	}
	if len(schemes) > 20 {
		c.fail("/schemes", "has more than 20 entries")
		return name
	}
	for i, s := range schemes {
		if !slices.ContainsFunc(table, func(r testbay.IntervalRule) bool {
			return r.ID == s && r.Kind == testbay.Scheme && r.Place == name
		}) {
			c.fail(fmt.Sprintf("/schemes/%d", i), "there is no scheme %q in %q", s, place)
		}
	}
	return name
}

// PlaceYard says the same for the rigs of a yard that have no place of their own.
type PlaceYard struct {
	Yard       string     `json:"-"`
	Place      string     `json:"place"`
	Schemes    []string   `json:"schemes,omitempty"`
	Contractor *bool      `json:"contractor,omitempty"`
	At         *time.Time `json:"at,omitempty"`
}

func (p *PlaceYard) Touches() []string { return []string{"yard:" + p.Yard, "intervals"} }

func (p *PlaceYard) Decide(d Deciding) ([]events.Entry, error) {
	var c check
	c.code("/yard", p.Yard)
	place := d.place(&c, p.Place, p.Schemes)
	at := c.past("/at", p.At, d.Now)
	if err := c.err(); err != nil {
		return nil, err
	}
	e := d.entry(&events.YardPlaced{Yard: p.Yard, Place: place, Schemes: p.Schemes, Contractor: p.Contractor == nil || *p.Contractor})
	e.At = at
	return []events.Entry{e}, nil
}

// PublishRuleSet puts a set of limits on record: a new one, or a new edition.
type PublishRuleSet struct {
	Text string `json:"text"`
}

func (p *PublishRuleSet) Touches() []string { return []string{"rulesets"} }

func (p *PublishRuleSet) Decide(d Deciding) ([]events.Entry, error) {
	known := d.RuleSets()
	bases := make([]testbay.RuleSet, 0, len(known))
	for _, v := range known {
		bases = append(bases, v.Parsed)
	}
	parsed, err := testbay.ParseRuleSet([]byte(p.Text), bases...)
	if err != nil {
		return nil, invalid("/text", "%v", err)
	}
	var c check
	c.text("/text", p.Text, 256<<10)
	if err := c.err(); err != nil {
		return nil, err
	}
	for _, v := range known {
		if v.Parsed.ID != parsed.ID || v.Parsed.Edition != parsed.Edition {
			continue
		}
		if v.N > 0 && v.Text == p.Text {
			return nil, nil
		}
		return nil, invalid("/text", "edition %q of rule set %s is on record already; inspections remember it, so give a new edition", parsed.Edition, parsed.ID)
	}
	return []events.Entry{d.entry(&events.RuleSetPublished{RuleSet: parsed.ID, Edition: parsed.Edition, Text: p.Text})}, nil
}

// PublishIntervals adds inspection intervals, or replaces those of the same id.
type PublishIntervals struct {
	Text string `json:"text"`
}

func (p *PublishIntervals) Touches() []string { return []string{"intervals"} }

func (p *PublishIntervals) Decide(d Deciding) ([]events.Entry, error) {
	if _, err := testbay.ParseIntervals([]byte(p.Text)); err != nil {
		return nil, invalid("/text", "%v", err)
	}
	var c check
	c.text("/text", p.Text, 256<<10)
	if err := c.err(); err != nil {
		return nil, err
	}
	if n := len(d.Bay.Intervals); n > 0 && d.Bay.Intervals[n-1].Text == p.Text {
		return nil, nil
	}
	return []events.Entry{d.entry(&events.IntervalsPublished{Text: p.Text})}, nil
}
