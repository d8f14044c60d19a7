package console

import (
	"time"

	"rigledger/fleet"
)

// rigHandover is what the rig's page says of its way to the workshop and to other
// work (pages/part_handover.html).
type rigHandover struct {
	Clean     bool // handed over clean since it last worked
	Handed    *signedHandover
	OtherWork string // day since which it does other work
}

type signedHandover struct {
	At       time.Time
	Signed   string
	Products []string
}

// rigHandoverOf says how a rig stands. Within View.
func rigHandoverOf(s *fleet.State, r *fleet.Rig) (d rigHandover) {
	clean, last := s.Clean(r)
	d.Clean, d.OtherWork = clean, r.WorkChanged
	if last != nil {
		d.Handed = &signedHandover{At: last.At, Signed: last.Signed, Products: last.Products}
	}
	return d
}
