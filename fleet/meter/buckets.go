package meter

import (
	"errors"
	"fmt"
	"time"
)

// Period is the length of a calendar bucket.
type Period string

// Calendar buckets. Weeks begin on Monday (ISO 8601); a season is twelve months from
// the first of its start month.
const (
	Day    Period = "day"
	Week   Period = "week"
	Month  Period = "month"
	Season Period = "season"
)

// Bucket is the usage, in base units, from one instant up to another.
type Bucket struct {
	From  time.Time
	To    time.Time
	Usage int64
}

// MaxBuckets bounds one answer: 100 years of days.
const MaxBuckets = 36_600

// Buckets splits the usage from one instant to another by calendar dates in a zone. The first and the
// last bucket are cut at from and to, so the buckets' usages add up to Usage(from, to). A day has 23 or 25
// hours where the zone's clocks change. seasonStartMonth (1..12) counts only for seasons.
func (s *Series) Buckets(loc *time.Location, from, to time.Time, by Period, seasonStartMonth int) ([]Bucket, error) {
	if loc == nil {
		return nil, errors.New("usage buckets: no zone")
	}
	if by == Season && (seasonStartMonth < 1 || seasonStartMonth > 12) {
		return nil, fmt.Errorf("usage buckets: season start month %d is not 1..12", seasonStartMonth)
	}
	var out []Bucket
	for from.Before(to) {
		end, err := nextEdge(from.In(loc), by, time.Month(seasonStartMonth))
		if err != nil {
			return nil, err
		}
		if end.After(to) {
			end = to
		}
		if len(out) == MaxBuckets {
			return nil, fmt.Errorf("usage buckets: more than %d", MaxBuckets)
		}
		out = append(out, Bucket{from.In(loc), end.In(loc), s.Usage(from.UnixMilli(), end.UnixMilli())})
		from = end
	}
	return out, nil
}

// nextEdge is the first instant of the calendar bucket after the one that t lies in, in t's zone.
func nextEdge(t time.Time, by Period, seasonStart time.Month) (time.Time, error) {
	y, m, d := t.Date()
	switch by {
	case Day:
		d++
	case Week:
		d += 7 - (int(t.Weekday())+6)%7
	case Month:
		m, d = m+1, 1
	case Season:
		if m >= seasonStart {
			y++
		}
		m, d = seasonStart, 1
	default:
		return time.Time{}, fmt.Errorf("usage buckets: %q is not day, week, month or season", string(by))
	}
	return FirstInstant(y, m, d, t.Location()), nil
}

// FirstInstant is when a calendar date begins in a zone: midnight, or, where the clocks skip midnight, the
// first instant after; where they show it twice, the first time. Months and days past their range carry over.
func FirstInstant(year int, month time.Month, day int, loc *time.Location) time.Time {
	// Noon is on the date in every zone, and says which date the carried-over one is.
	year, month, day = time.Date(year, month, day, 12, 0, 0, 0, time.UTC).Date()
	t := time.Date(year, month, day, 0, 0, 0, 0, loc)
	start, end := t.ZoneBounds()
	if t.Day() != day { // landed before a gap over midnight
		return end
	}
	if t.Hour() != 0 || t.Minute() != 0 { // landed after it
		return start
	}
	if !start.IsZero() {
		_, now := t.Zone()
		_, then := start.Add(-time.Nanosecond).Zone()
		if earlier := t.Add(-time.Duration(then-now) * time.Second); then > now && earlier.Before(start) {
			return earlier
		}
	}
	return t
}
