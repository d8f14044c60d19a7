package api

import (
	"net/http"

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

func getBookings(c *call) error {
	p := c.pages("bookings", bookingSorts...)
	wanted := c.fields(bookingDoc{}, "booking")
	rigs, yards := c.Query.words("rig"), c.Query.words("yard")
	from, to := c.Query.date("from"), c.Query.date("to")
	if err := c.Query.err(); err != nil {
		return err
	}
	docs := []bookingDoc{}
	var next string
	err := c.view(func(s *fleet.State) error {
		var found []placed[*fleet.Booking]
		for _, b := range s.Bookings {
			r := s.Rigs[b.Rig]
			at := bookingPlace(b, p.sort)
			outside := !from.IsZero() && b.To < from.String() || !to.IsZero() && b.From > to.String()
			if !b.Cancelled && c.sees(r) && has(rigs, r.Rig) && has(yards, r.Yard) && !outside && p.wants(at) {
				found = append(found, placed[*fleet.Booking]{at, b})
			}
		}
		found, next = cut(&p, found)
		for _, f := range found {
			docs = append(docs, bookingDocOf(f.of, s.Rigs[f.of.Rig]))
		}
		return nil
	})
	if err != nil {
		return err
	}
	thin, err := wanted.of(docs)
	if err != nil {
		return err
	}
	return c.list("bookings", thin, next, nil)
}

func seenBooking(c *call, s *fleet.State, id string) (*fleet.Booking, error) {
	b := s.Bookings[id]
	if b == nil || !c.sees(s.Rigs[b.Rig]) {
		return nil, notFound("booking", id)
	}
	return b, nil
}

func getBooking(c *call) error { return bookingAnswer(c, http.StatusOK, c.Param("booking")) }

func bookingAnswer(c *call, status int, id string) error {
	var doc bookingDoc
	var tag string
	err := c.view(func(s *fleet.State) error {
		b, err := seenBooking(c, s, id)
		if err != nil {
			return err
		}
		r := s.Rigs[b.Rig]
		doc, tag = bookingDocOf(b, r), tagOf(b.Changed, noDate, r.Changed) // the rig's yard is in it
		return nil
	})
	if err != nil {
		return err
	}
	return c.resource(status, tag, doc)
}

func postBooking(c *call) error {
	cmd := fleet.MakeBooking{ID: fleet.NewBookingID()}
	if err := c.body(&cmd); err != nil {
		return err
	}
	d, err := c.do(&cmd, http.StatusCreated, c.mayNamed(&cmd.Rig))
	if err != nil {
		return err
	}
	id := cmd.ID
	if d.replayed {
		id = d.ref
	}
	c.setHeader("Location", "/v1/bookings/"+id)
	return bookingAnswer(c, d.status, id)
}

func cancelBooking(c *call) error {
	cmd := fleet.CancelBooking{Booking: c.Param("booking")}
	err := c.view(func(s *fleet.State) error {
		b, err := seenBooking(c, s, cmd.Booking)
		if err == nil {
			cmd.IfMatch, err = c.ifMatch(b.Changed, b.Changed)
		}
		return err
	})
	if err != nil {
		return err
	}
	if err := c.body(&cmd); err != nil {
		return err
	}
	d, err := c.do(&cmd, http.StatusOK, func(s *fleet.State) error {
		_, err := seenBooking(c, s, cmd.Booking)
		return err
	})
	if err != nil {
		return err
	}
	return bookingAnswer(c, d.status, cmd.Booking)
}

// Orders of the list, the usual one first.
var bookingSorts = []string{"from", "rig"}

func bookingPlace(b *fleet.Booking, order string) place {
	if order == "rig" {
		return byRig(b.Rig, b.From+" "+b.Booking)
	}
	return place{ID: b.From + " " + b.Booking}
}
