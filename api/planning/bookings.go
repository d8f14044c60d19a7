package planning

import (
	"net/http"

	"rigledger/api/call"
	"rigledger/fleet"
	"rigledger/fleet/meter"
)

// bookingDoc is work or rest planned for a rig.
type bookingDoc struct {
	Booking   string  `json:"booking"`
	Rig       string  `json:"rig"`
	Yard      string  `json:"yard"`
	From      string  `json:"from"`
	To        string  `json:"to"`
	Hectares  float64 `json:"hectares,omitempty"`
	Hours     float64 `json:"hours,omitempty"`
	Rest      bool    `json:"rest"`
	Note      string  `json:"note,omitempty"`
	MadeBy    string  `json:"made_by"`
	Cancelled bool    `json:"cancelled"`
	Changed   uint64  `json:"changed_commit"`
}

func bookingDocOf(b *fleet.Booking, r *fleet.Rig) bookingDoc {
	return bookingDoc{
		Booking: b.Booking, Rig: b.Rig, Yard: r.Yard, From: b.From, To: b.To, Hectares: meter.Area.FromBase(b.AreaM2),
		Hours: meter.Hours.FromBase(b.Seconds), Rest: b.Rest, Note: b.Note, MadeBy: b.MadeBy, Cancelled: b.Cancelled, Changed: b.Changed,
	}
}

// GetBookings answers GET /v1/bookings.
func GetBookings(c *call.Call) error {
	p := c.Pages("bookings", bookingSorts...)
	wanted := c.Fields(bookingDoc{}, "booking")
	rigs, yards := c.Query.Words("rig"), c.Query.Words("yard")
	from, to := c.Query.Date("from"), c.Query.Date("to")
	if err := c.Query.Err(); err != nil {
		return err
	}
	docs := []bookingDoc{}
	var next string
	err := c.View(func(s *fleet.State) error {
		var found []call.Placed[*fleet.Booking]
		for _, b := range s.Bookings {
			r := s.Rigs[b.Rig]
			at := bookingPlace(b, p.Sort)
			outside := !from.IsZero() && b.To < from.String() || !to.IsZero() && b.From > to.String()
			if !b.Cancelled && c.Sees(r) && call.Wants(rigs, r.Rig) && call.Wants(yards, r.Yard) && !outside && p.Wants(at) {
				found = append(found, call.Placed[*fleet.Booking]{At: at, Of: b})
			}
		}
		found, next = call.Cut(&p, found)
		for _, f := range found {
			docs = append(docs, bookingDocOf(f.Of, s.Rigs[f.Of.Rig]))
		}
		return nil
	})
	if err != nil {
		return err
	}
	thin, err := wanted.Of(docs)
	if err != nil {
		return err
	}
	return c.List("bookings", thin, next, nil)
}

func seenBooking(c *call.Call, s *fleet.State, id string) (*fleet.Booking, error) {
	b := s.Bookings[id]
	if b == nil || !c.Sees(s.Rigs[b.Rig]) {
		return nil, call.NoSuch("booking", id)
	}
	return b, nil
}

// GetBooking answers GET /v1/bookings/{booking}.
func GetBooking(c *call.Call) error { return bookingAnswer(c, http.StatusOK, c.Param("booking")) }

func bookingAnswer(c *call.Call, status int, id string) error {
	var doc bookingDoc
	var tag string
	err := c.View(func(s *fleet.State) error {
		b, err := seenBooking(c, s, id)
		if err != nil {
			return err
		}
		r := s.Rigs[b.Rig]
		doc, tag = bookingDocOf(b, r), call.Tag(b.Changed, call.NoDate, r.Changed) // the rig's yard is in it
		return nil
	})
	if err != nil {
		return err
	}
	return c.Resource(status, tag, doc)
}

// PostBooking answers POST /v1/bookings.
func PostBooking(c *call.Call) error {
	cmd := fleet.MakeBooking{ID: fleet.NewBookingID()}
	if err := c.Body(&cmd); err != nil {
		return err
	}
	status, id, err := c.Create(&cmd, &cmd.Rig, "/v1/bookings", cmd.ID)
	if err != nil {
		return err
	}
	return bookingAnswer(c, status, id)
}

// CancelBooking answers POST /v1/bookings/{booking}/cancel.
func CancelBooking(c *call.Call) error {
	cmd := fleet.CancelBooking{Booking: c.Param("booking")}
	err := c.View(func(s *fleet.State) error {
		b, err := seenBooking(c, s, cmd.Booking)
		if err == nil {
			cmd.IfMatch, err = c.IfMatch(b.Changed, b.Changed)
		}
		return err
	})
	if err != nil {
		return err
	}
	if err := c.Body(&cmd); err != nil {
		return err
	}
	d, err := c.Do(&cmd, http.StatusOK, func(s *fleet.State) error {
		_, err := seenBooking(c, s, cmd.Booking)
		return err
	})
	if err != nil {
		return err
	}
	return bookingAnswer(c, d.Status, cmd.Booking)
}

// Orders of the list, the usual one first.
var bookingSorts = []string{"from", "rig"}

func bookingPlace(b *fleet.Booking, order string) call.Place {
	if order == "rig" {
		return call.ByRig(b.Rig, b.From+" "+b.Booking)
	}
	return call.Place{ID: b.From + " " + b.Booking}
}
