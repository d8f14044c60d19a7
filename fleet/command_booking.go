package fleet

import (
	"strings"

	"github.com/oklog/ulid/v2"

	"rigledger/events"
	"rigledger/fleet/meter"
	"rigledger/fleet/plan"
)

// bookingDays is the longest time that one booking may cover.
const bookingDays = 366

// PlannedWork is work or rest on the days From to To, for all days together in
// hectares or hours or both.
type PlannedWork struct {
	From     string  `json:"from"`
	To       string  `json:"to,omitempty"` // absent: one day
	Hectares float64 `json:"hectares,omitempty"`
	Hours    float64 `json:"hours,omitempty"`
	Rest     bool    `json:"rest,omitempty"`
	Note     string  `json:"note,omitempty"`
}

// fact checks planned work; field is the pointer of what holds it, "" at the top.
func (w PlannedWork) fact(c *check, field, rig string) *events.BookingMade {
	f := &events.BookingMade{Rig: rig, From: c.date(field+"/from", w.From), Rest: w.Rest, Note: w.Note}
	if w.From == "" {
		c.fail(field+"/from", "is missing")
	}
	if f.To = c.date(field+"/to", w.To); w.To == "" {
		f.To = f.From
	}
	from, err1 := plan.ParseDate(f.From)
	to, err2 := plan.ParseDate(f.To)
	if err1 == nil && err2 == nil {
		switch {
		case to.Before(from):
			c.fail(field+"/to", "lies before /from")
		case from.DaysUntil(to) >= bookingDays:
			c.fail(field+"/to", "is more than %d days after /from", bookingDays)
		}
	}
	var badArea, badHours error
	if f.AreaM2, badArea = meter.ToBase(meter.Area, w.Hectares, "H18"); badArea != nil {
		c.fail(field+"/hectares", "%v", badArea)
	}
	if f.Seconds, badHours = meter.ToBase(meter.Hours, w.Hours, "HUR"); badHours != nil {
		c.fail(field+"/hours", "%v", badHours)
	}
	switch amount := f.AreaM2 > 0 || f.Seconds > 0; {
	case w.Rest && amount:
		c.fail(field+"/rest", "goes without hectares and hours")
	case !w.Rest && !amount && badArea == nil && badHours == nil:
		c.fail(field+"/hectares", "or hours, or rest must be given")
	}
	c.optional(field+"/note", w.Note, 500)
	return f
}

// MakeBooking plans work or rest for a rig. Make its id with NewBookingID.
type MakeBooking struct {
	ID  string `json:"-"`
	Rig string `json:"rig"`
	PlannedWork
}

// NewBookingID draws an id for a booking.
func NewBookingID() string { return "b-" + strings.ToLower(ulid.Make().String()) }

func (b *MakeBooking) Touches() []string { return []string{"rig:" + b.Rig} }

func (b *MakeBooking) Decide(d Deciding) ([]events.Entry, error) {
	var c check
	if b.Rig == "" {
		c.fail("/rig", "is missing")
	} else if d.Rigs[b.Rig] == nil {
		c.fail("/rig", "there is no rig %q", b.Rig)
	}
	f := b.fact(&c, "", b.Rig)
	if to, err := plan.ParseDate(f.To); err == nil && to.Before(plan.Of(d.Now, d.zone)) {
		c.fail("/to", "lies in the past")
	}
	if err := c.err(); err != nil {
		return nil, err
	}
	if _, err := d.liveRig(b.Rig); err != nil {
		return nil, err
	}
	f.Booking = b.ID
	return []events.Entry{d.entry(f)}, nil
}

// Ref is what an Idempotency-Key remembers.
func (b *MakeBooking) Ref(State) string { return b.ID }

// CancelBooking takes a booking back.
type CancelBooking struct {
	Booking string `json:"-"`
	IfMatch uint64 `json:"-"`
	Reason  string `json:"reason,omitempty"`
}

func (b *CancelBooking) Touches() []string { return []string{"booking:" + b.Booking} }

func (b *CancelBooking) Decide(d Deciding) ([]events.Entry, error) {
	known := d.Bookings[b.Booking]
	if known == nil {
		return nil, missing("booking", b.Booking)
	}
	if err := unchanged(b.IfMatch, known.Changed); err != nil {
		return nil, err
	}
	var c check
	c.optional("/reason", b.Reason, 500)
	if err := c.err(); err != nil {
		return nil, err
	}
	if known.Cancelled {
		return nil, conflict("booking %s was cancelled already", b.Booking)
	}
	return []events.Entry{d.entry(&events.BookingCancelled{Booking: b.Booking, Rig: known.Rig, Reason: b.Reason})}, nil
}

// ChangeWork says that a rig does other work from a day on, so that forecasts
// do not take its past for its future.
type ChangeWork struct {
	Rig  string `json:"-"`
	Date string `json:"date"`
	Note string `json:"note,omitempty"`
}

func (w *ChangeWork) Touches() []string { return []string{"rig:" + w.Rig} }

func (w *ChangeWork) Decide(d Deciding) ([]events.Entry, error) {
	if _, err := d.liveRig(w.Rig); err != nil {
		return nil, err
	}
	var c check
	date := c.date("/date", w.Date)
	if w.Date == "" {
		c.fail("/date", "is missing")
	}
	c.optional("/note", w.Note, 500)
	if err := c.err(); err != nil {
		return nil, err
	}
	return []events.Entry{d.entry(&events.WorkChanged{Rig: w.Rig, Date: date, Note: w.Note})}, nil
}
