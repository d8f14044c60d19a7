package fleet

import (
	"strings"

	"github.com/oklog/ulid/v2"

	"rigledger/events"
)

// calendarsMost is how many calendars may be open at once.
const calendarsMost = 1000

// IssueCalendar opens a calendar of due work at a secret address, for a yard or
// for a rig. Make it with NewCalendar.
type IssueCalendar struct {
	id, hash string
	Name     string `json:"name"`
	Yard     string `json:"yard,omitempty"`
	Rig      string `json:"rig,omitempty"`
}

// NewCalendar draws a calendar's id and the secret of its address, which is
// shown once and kept nowhere.
func NewCalendar() (cmd *IssueCalendar, secret string) {
	secret = Secret()
	return &IssueCalendar{id: "k-" + strings.ToLower(ulid.Make().String()), hash: HashSecret(secret)}, secret
}

// ID is the calendar's public name.
func (k *IssueCalendar) ID() string { return k.id }

func (k *IssueCalendar) Touches() []string { return []string{"calendars"} }

func (k *IssueCalendar) Decide(d Deciding) ([]events.Entry, error) {
	var c check
	c.text("/name", k.Name, 100)
	switch {
	case k.Yard == "" && k.Rig == "":
		c.fail("/yard", "or rig must be given")
	case k.Yard != "" && k.Rig != "":
		c.fail("/rig", "does not go with yard")
	case k.Yard != "":
		c.code("/yard", k.Yard)
	case d.Rigs[k.Rig] == nil:
		c.fail("/rig", "there is no rig %q", k.Rig)
	}
	if err := c.err(); err != nil {
		return nil, err
	}
	open := 0
	for _, other := range d.Calendars {
		if !other.Revoked {
			open++
		}
	}
	if open >= calendarsMost {
		return nil, conflict("there are %d calendars already; revoke some", open)
	}
	return []events.Entry{d.entry(&events.CalendarIssued{Calendar: k.id, Name: k.Name, Yard: k.Yard, Rig: k.Rig, Hash: k.hash})}, nil
}

// RevokeCalendar closes a calendar's address.
type RevokeCalendar struct {
	Calendar string `json:"-"`
	Reason   string `json:"reason,omitempty"`
}

func (k *RevokeCalendar) Touches() []string { return []string{"calendars"} }

func (k *RevokeCalendar) Decide(d Deciding) ([]events.Entry, error) {
	known := d.Calendars[k.Calendar]
	if known == nil {
		return nil, missing("calendar", k.Calendar)
	}
	var c check
	c.optional("/reason", k.Reason, 500)
	if err := c.err(); err != nil {
		return nil, err
	}
	if known.Revoked {
		return nil, conflict("calendar %s was revoked already", k.Calendar)
	}
	return []events.Entry{d.entry(&events.CalendarRevoked{Calendar: k.Calendar, Reason: k.Reason})}, nil
}

// NoteExchange puts on record that a device's counters were all taken.
type NoteExchange struct{ Taken events.ExchangeTaken }

func (n *NoteExchange) Touches() []string { return []string{"rig:" + n.Taken.Rig} }

func (n *NoteExchange) Decide(d Deciding) ([]events.Entry, error) {
	rig := d.Rigs[n.Taken.Rig]
	if rig == nil {
		return nil, missing("rig", n.Taken.Rig)
	}
	if rig.Exchanged[n.Taken.Digest] {
		return nil, nil
	}
	f := n.Taken
	return []events.Entry{d.entry(&f)}, nil
}
