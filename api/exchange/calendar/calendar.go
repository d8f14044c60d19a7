// Package calendar writes service items and bookings as a calendar that other
// programs subscribe to: iCalendar, RFC 5545.
//
// It owns the form: all-day events (many clients pass over to-dos), one fixed UID for each
// item through all its changes, and what tells a client that it changed. It never asks the
// time: the same entries give the same bytes, so a calendar can be compared and cached.
//
// # What clients see
//
//   - A date that is only forecast is TENTATIVE, one that is fixed is CONFIRMED.
//   - What is off (done, struck, moved away) stays in the calendar as CANCELLED for as long as the caller
//     lists it: an entry that merely vanishes stays on many a client's screen.
//   - SEQUENCE is the number of the commit that last changed the item, LAST-MODIFIED and DTSTAMP its time.
//     Commit numbers only rise, so a later state always has the higher sequence.
//   - Entries are transparent: they do not mark the day as busy.
//
// Lines end in CRLF and are folded at 75 octets between characters (by arran4/golang-ical, held to it by the tests);
// text is escaped, line breaks in it are kept, other control characters are dropped.
package calendar

import (
	"errors"
	"fmt"
	"io"
	"math"
	"net/url"
	"strings"
	"time"
	"unicode"

	ics "github.com/arran4/golang-ical"
)

// Standing is how firm an entry is.
type Standing int

// The standings of an entry.
const (
	Forecast  Standing = iota // TENTATIVE
	Firm                      // CONFIRMED
	Cancelled                 // CANCELLED
)

// Entry is a service item or booking on one day or several.
type Entry struct {
	ID          string // of the item: never another for the same item
	First       string // 2006-01-02, in the fleet's zone
	Last        string // last day, included; empty: one day
	Standing    Standing
	Summary     string
	Description string
	Place       string    // yard
	Category    string    // kind of item
	URL         string    // where to see it; http or https, empty for none
	Commit      uint64    // that changed it last
	Changed     time.Time // when that commit was recorded
}

// Calendar is a list of entries with a name.
type Calendar struct {
	Name    string // as the client shows it
	Domain  string // of this installation: makes UIDs unique in the world
	Entries []Entry
}

// ErrEntry says that an entry cannot be written.
var ErrEntry = errors.New("calendar entry not possible")

// MaxText is the longest text of an entry in bytes; longer ones are cut between characters and end in "…".
const MaxText = 16 << 10

// Write writes the calendar. An entry that cannot be is an error (ErrEntry) and nothing is written.
func Write(w io.Writer, c Calendar) error {
	cal := ics.NewCalendarFor("rigledger")
	cal.SetProductId("-//rigledger//fleet ledger//EN")
	cal.SetCalscale("GREGORIAN")
	cal.SetXWRCalName(text(c.Name))
	seen := map[string]bool{}
	for _, e := range c.Entries {
		if seen[e.ID] {
			return fmt.Errorf("entry %q is there twice: %w", e.ID, ErrEntry)
		}
		seen[e.ID] = true
		if err := add(cal, c.Domain, e); err != nil {
			return fmt.Errorf("entry %q: %w", e.ID, err)
		}
	}
	if err := cal.SerializeTo(w, ics.WithNewLineWindows); err != nil {
		return fmt.Errorf("write calendar: %w", err)
	}
	return nil
}

func add(cal *ics.Calendar, domain string, e Entry) error {
	first, err := time.Parse(time.DateOnly, e.First)
	if err != nil {
		return fmt.Errorf("first day %q: %w", e.First, ErrEntry)
	}
	last := first
	if e.Last != "" {
		if last, err = time.Parse(time.DateOnly, e.Last); err != nil || last.Before(first) {
			return fmt.Errorf("last day %q: %w", e.Last, ErrEntry)
		}
	}
	uid := oneLine(e.ID)
	if uid == "" || uid != e.ID {
		return fmt.Errorf("id is empty or has control characters: %w", ErrEntry)
	}
	if e.Commit > math.MaxInt32 { // RFC 5545 3.3.8: INTEGER is of 32 bits
		return fmt.Errorf("commit %d is past what SEQUENCE holds: %w", e.Commit, ErrEntry)
	}
	v := ics.NewEvent(uid + "@" + oneLine(domain))
	v.SetDtStampTime(e.Changed)
	v.SetLastModifiedAt(e.Changed)
	v.SetSequence(int(e.Commit))
	v.SetAllDayStartAt(first)
	v.SetAllDayEndAt(last.AddDate(0, 0, 1)) // DTEND is the first day after it
	v.SetTimeTransparency(ics.TransparencyTransparent)
	v.SetSummary(text(e.Summary))
	switch e.Standing {
	case Forecast:
		v.SetStatus(ics.ObjectStatusTentative)
	case Firm:
		v.SetStatus(ics.ObjectStatusConfirmed)
	case Cancelled:
		v.SetStatus(ics.ObjectStatusCancelled)
	default:
		return fmt.Errorf("standing %d: %w", e.Standing, ErrEntry)
	}
	if e.Description != "" {
		v.SetDescription(text(e.Description))
	}
	if e.Place != "" {
		v.SetLocation(text(e.Place))
	}
	if e.Category != "" {
		v.AddCategory(text(e.Category))
	}
	if e.URL != "" {
		// A URI is not escaped as text is: anything that could end the line is kept out.
		u, err := url.Parse(e.URL)
		if err != nil || u.Scheme != "https" && u.Scheme != "http" || u.Host == "" {
			return fmt.Errorf("URL %q: %w", e.URL, ErrEntry)
		}
		v.SetURL(oneLine(u.String()))
	}
	cal.AddVEvent(v)
	return nil
}

// text is what RFC 5545 can carry: valid UTF-8, line breaks as \n, tabs, no other control characters; bounded.
func text(s string) string {
	s = strings.ToValidUTF8(s, "\uFFFD")
	s = strings.NewReplacer("\r\n", "\n", "\r", "\n").Replace(s)
	s = strings.Map(func(r rune) rune {
		if unicode.IsControl(r) && r != '\n' && r != '\t' {
			return -1
		}
		return r
	}, s)
	if len(s) <= MaxText {
		return s
	}
	cut := MaxText - len("…")
	for cut > 0 && s[cut]&0xC0 == 0x80 {
		cut--
	}
	return s[:cut] + "…"
}

// oneLine is text without any control character.
func oneLine(s string) string {
	return strings.Map(func(r rune) rune {
		if unicode.IsControl(r) {
			return -1
		}
		return r
	}, strings.ToValidUTF8(s, "\uFFFD"))
}
