package fleet

import (
	"slices"

	"rigledger/events"
)

// BookVisit puts several items of a rig on one day, all or none: each is booked
// as by BookItem. A visit has no life of its own.
type BookVisit struct {
	Rig   string   `json:"-"`
	Date  string   `json:"date"`
	For   string   `json:"for,omitempty"`
	Items []string `json:"items"`
}

// visitMost is how many items one visit holds.
const visitMost = 100

func (b *BookVisit) Touches() []string {
	touches := []string{"rig:" + b.Rig, "parts"}
	for _, id := range b.Items {
		touches = append(touches, "item:"+id)
	}
	return touches
}

func (b *BookVisit) Decide(d Deciding) ([]events.Entry, error) {
	if _, err := d.liveRig(b.Rig); err != nil {
		return nil, err
	}
	var c check
	date := d.bookedDay(&c, b.Date)
	c.optional("/for", b.For, 100)
	switch n := len(b.Items); {
	case n == 0:
		c.fail("/items", "must name at least one item")
	case n > visitMost:
		c.fail("/items", "has more than %d entries", visitMost)
		return nil, c.err()
	}
	var facts []events.Entry
	for i, id := range b.Items {
		field := pointer("/items", i)
		it := d.Items[id]
		switch {
		case it == nil || it.Rig != b.Rig:
			c.fail(field, "rig %s has no item %q", b.Rig, id)
		case slices.Contains(b.Items[:i], id):
			c.fail(field, "is named twice")
		case !it.Stage.Open():
			c.fail(field, "is %s already", it.Stage)
		case it.Stage == InHand:
			c.fail(field, "is in hand already")
		default:
			facts = append(facts, d.entry(&events.ItemBooked{Item: id, Rig: b.Rig, Date: date, For: b.For}))
		}
	}
	if err := c.err(); err != nil {
		return nil, err
	}
	return facts, nil
}
