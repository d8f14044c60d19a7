package fleet

import (
	"fmt"
	"time"

	"rigledger/events"
)

// Calendar is a calendar of due work at a secret address.
type Calendar struct {
	events.CalendarIssued
	IssuedAt time.Time `json:"issued_at"`
	IssuedBy string    `json:"issued_by"`
	Revoked  bool      `json:"revoked,omitempty"`
	Changed  uint64    `json:"changed"`
}

// applyExchange folds what other people's formats brought or were given; known
// is false for any other fact.
func (s *State) applyExchange(c *events.Commit, e *events.Entry, rig *Rig) (known bool, err error) {
	switch f := e.Fact.(type) {
	case *events.CalendarIssued:
		s.Calendars[f.Calendar] = &Calendar{CalendarIssued: *f, IssuedAt: e.At, IssuedBy: e.By, Changed: c.N}
	case *events.CalendarRevoked:
		k := s.Calendars[f.Calendar]
		if k == nil {
			return true, fmt.Errorf("unknown calendar %q", f.Calendar)
		}
		k.Revoked, k.Changed = true, c.N
	case *events.ExchangeTaken:
		if rig.Exchanged == nil {
			rig.Exchanged = map[string]bool{}
		}
		rig.Exchanged[f.Digest] = true
	default:
		return false, nil
	}
	return true, nil
}

// CalendarOf finds the calendar that a secret opens, nil when it opens none.
func (s *State) CalendarOf(secret string) *Calendar {
	hash := HashSecret(secret)
	for _, k := range s.Calendars {
		if k.Hash == hash && !k.Revoked {
			return k
		}
	}
	return nil
}
