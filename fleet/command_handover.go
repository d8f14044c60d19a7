package fleet

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/oklog/ulid/v2"

	"rigledger/events"
	"rigledger/fleet/plan"
)

// SignHandover hands a rig to the workshop as clean: rinsed three times,
// washed outside on a proper area, with the last products named. Make it with
// NewHandoverID.
type SignHandover struct {
	ID         string     `json:"-"`
	Rig        string     `json:"-"`
	Rinsed     bool       `json:"rinsed"`
	Washed     bool       `json:"washed_outside"`
	FiltersOut bool       `json:"filters_out,omitempty"`
	Products   []string   `json:"last_products"`
	Signed     string     `json:"signed_by"`
	At         *time.Time `json:"at,omitempty"`
	Note       string     `json:"note,omitempty"`
}

// NewHandoverID draws an id.
func NewHandoverID() string { return "h-" + strings.ToLower(ulid.Make().String()) }

func (h *SignHandover) Touches() []string { return []string{"rig:" + h.Rig, "parts"} }

func (h *SignHandover) Decide(d Deciding) ([]events.Entry, error) {
	if _, err := d.liveRig(h.Rig); err != nil {
		return nil, err
	}
	var c check
	if !h.Rinsed {
		c.fail("/rinsed", "must be true: tank, pump, boom and returns rinsed three times with clean water")
	}
	if !h.Washed {
		c.fail("/washed_outside", "must be true: washed outside on a proper area")
	}
	if len(h.Products) == 0 {
		c.fail("/last_products", "must name what was in the tank last; \"water only\" where it was that")
	}
	if len(h.Products) > 20 {
		c.fail("/last_products", "has more than 20 entries")
	}
	for i, p := range h.Products {
		c.text(fmt.Sprintf("/last_products/%d", i), p, 200)
	}
	c.text("/signed_by", h.Signed, 100)
	c.optional("/note", h.Note, 1000)
	at := c.past("/at", h.At, d.Now)
	if err := c.err(); err != nil {
		return nil, err
	}
	e := d.entry(&events.HandoverSigned{
		Handover: h.ID, Rig: h.Rig, Rinsed: h.Rinsed, Washed: h.Washed, FiltersOut: h.FiltersOut, Products: h.Products, Signed: h.Signed, Note: h.Note,
	})
	e.At = at
	return []events.Entry{e}, nil
}

// Ref is what an Idempotency-Key remembers.
func (h *SignHandover) Ref(State) string { return h.ID }

// liquidKinds are the kinds of part that carry spray liquid (trade.md section 7:
// treat as contaminated; before the workshop touches a sprayer it is rinsed,
// washed and handed over, common practice).
var liquidKinds = []string{
	"tank", "diaphragm-pump", "centrifugal-pump", "suction-filter", "pressure-filter", "section-filter",
	"spray-hoses", "regulation", "valves", "flow-meter", "nozzle-set", "boom-section",
}

// Clean says whether a rig was handed over clean since it last worked. A rig
// that no meter ever saw at work needs no hand-over.
func (s *State) Clean(rig *Rig) (clean bool, last *Handover) {
	for _, h := range rig.Bay.Handovers {
		if last == nil || !h.At.Before(last.At) {
			last = h
		}
	}
	worked, ever := rig.LastWorked(), false
	for _, m := range rig.Meters {
		ever = ever || m.Series.Epochs[0].Start > 0
	}
	if worked.IsZero() && !ever {
		return true, last
	}
	return last != nil && !last.At.Before(worked), last
}

// NeedsHandover says whether the workshop may start a task on a part only once
// the rig was handed over clean. What operators do in the field is not held up.
func (s *State) NeedsHandover(t *plan.Task, p *Part) bool {
	return t != nil && t.By != plan.Operator && p != nil && slices.Contains(liquidKinds, p.Kind)
}

// mayOpen refuses to start work on what carries spray liquid before the rig was
// handed over clean.
func (d Deciding) mayOpen(it *Item, rig *Rig) error {
	var t *plan.Task
	if p := d.PlanOf(PlanRef{it.Plan, it.Version}); p != nil {
		t = p.Task(it.Task)
	}
	part := d.Parts[it.Part]
	if !d.NeedsHandover(t, part) {
		return nil
	}
	clean, last := d.Clean(rig)
	if clean {
		return nil
	}
	since := "no hand-over was ever signed"
	if last != nil {
		since = "the last hand-over was signed " + last.At.In(d.zone).Format("2006-01-02 15:04") + ", before it worked again"
	}
	return forbidden("%s carries spray liquid, and rig %s is not handed over clean: %s. Rinse it, wash it outside and sign the hand-over of the rig, then start", part.Name, rig.Rig, since)
}

// shownCautions lists the kinds of job whose cautions an item shows.
func (s *State) shownCautions(it *Item) []string {
	var asked []string
	if p := s.PlanOf(PlanRef{it.Plan, it.Version}); p != nil {
		if t := p.Task(it.Task); t != nil {
			asked = t.Cautions
		}
	}
	var kinds []string
	for _, c := range plan.Cautions(asked) {
		kinds = append(kinds, c.Kind)
	}
	return kinds
}
