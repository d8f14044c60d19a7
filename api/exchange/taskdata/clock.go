package taskdata

import (
	"fmt"
	"time"
)

// earliest: ISO 11783-10 is of 2009 and its drafts of a few years before, so a date before 2000 is a clock that was
// not set (house rule).
var earliest = time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC).UnixMilli()

const (
	hourMS = int64(time.Hour / time.Millisecond)
	dayMS  = 24 * hourMS
)

// clock turns the times of a file into Unix milliseconds.
type clock struct{ zone *time.Location }

// parse reads a TIM time: with Z or an offset as it stands, without one in the zone.
func (c clock) parse(text string) (int64, error) {
	if t, err := time.Parse(time.RFC3339Nano, text); err == nil {
		return t.UnixMilli(), nil
	}
	const local = "2006-01-02T15:04:05"
	if c.zone == nil {
		if _, err := time.Parse(local, text); err == nil {
			return 0, ErrZone
		}
	} else if t, err := time.ParseInLocation(local, text, c.zone); err == nil {
		return t.UnixMilli(), nil
	}
	return 0, fmt.Errorf("time %q is not a date with a time", text)
}

// row is the time of a record by the terminal's local clock; ok is false when it is none. The hour that comes twice in
// autumn is told by the record before it, prior (0 for none).
func (c clock) row(ms uint32, days uint16, prior int64) (at int64, ok bool) {
	if int64(ms) >= dayMS {
		return 0, false
	}
	m := int(ms)
	t := time.Date(1980, 1, 1+int(days), m/3_600_000, m/60_000%60, m/1000%60, m%1000*1_000_000, c.zone)
	first, second := t, t // of two times with this wall clock; time.Date does not say which of them it gives
	if u := t.Add(-time.Hour); sameWall(u, t) {
		first = u
	}
	if u := t.Add(time.Hour); sameWall(u, t) {
		second = u
	}
	at = first.UnixMilli()
	if at < prior && second.UnixMilli() >= prior {
		at = second.UnixMilli()
	}
	return at, at >= earliest
}

func sameWall(a, b time.Time) bool {
	return a.Hour() == b.Hour() && a.Minute() == b.Minute() && a.Day() == b.Day()
}

// satellite is the UTC time in a record's position; ok is false when there is none or it cannot belong to a
// local clock that shows near (no zone is further than 14 hours from UTC).
func satellite(ms uint32, days uint16, near int64) (at int64, ok bool) {
	if days == 0 {
		return 0, false
	}
	at = time.Date(1980, 1, 1+int(days), 0, 0, 0, 0, time.UTC).UnixMilli() + int64(ms)
	apart := at - near
	return at, at >= earliest && apart <= 15*hourMS && apart >= -15*hourMS
}

// date is the calendar date of a time in the zone.
func (c clock) date(at int64) string {
	t := time.UnixMilli(at)
	if c.zone != nil {
		t = t.In(c.zone)
	} else {
		t = t.UTC()
	}
	return t.Format("2006-01-02")
}
