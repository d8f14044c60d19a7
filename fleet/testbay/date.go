package testbay

import (
	"fmt"
	"time"
)

// Date is a calendar day without a time or a zone. Its text form is 2006-01-02.
type Date struct {
	Year  int
	Month time.Month
	Day   int
}

// NewDate checks that the day exists.
func NewDate(year int, month time.Month, day int) (Date, error) {
	d := Date{year, month, day}
	if !d.Valid() {
		return Date{}, fmt.Errorf("%04d-%02d-%02d is not a day of the calendar", year, month, day)
	}
	return d, nil
}

// ParseDate reads 2006-01-02.
func ParseDate(text string) (Date, error) {
	t, err := time.Parse(time.DateOnly, text)
	if err != nil {
		return Date{}, fmt.Errorf("%q is not a date like 2026-05-31", text)
	}
	d := DateOf(t)
	if !d.Valid() {
		return Date{}, fmt.Errorf("%q is not between the years 1900 and 2200", text)
	}
	return d, nil
}

// DateOf takes the calendar day of t in t's own zone.
func DateOf(t time.Time) Date {
	y, m, d := t.Date()
	return Date{y, m, d}
}

// Valid reports whether the day exists, in the years 1900 to 2200.
func (d Date) Valid() bool {
	return d.Year >= 1900 && d.Year <= 2200 && DateOf(d.utc()) == d
}

// IsZero reports the zero value, which is no day.
func (d Date) IsZero() bool { return d == Date{} }

func (d Date) utc() time.Time { return time.Date(d.Year, d.Month, d.Day, 0, 0, 0, 0, time.UTC) }

// Before reports whether d lies before e.
func (d Date) Before(e Date) bool { return d.utc().Before(e.utc()) }

// Compare orders dates as cmp.Compare does.
func (d Date) Compare(e Date) int { return d.utc().Compare(e.utc()) }

// AddDays moves by calendar days.
func (d Date) AddDays(n int) Date { return DateOf(d.utc().AddDate(0, 0, n)) }

// DaysUntil counts the days from d to e; negative when e lies before d.
func (d Date) DaysUntil(e Date) int { return int(e.utc().Sub(d.utc()) / (24 * time.Hour)) }

// AddMonths moves by months. A day the month does not have becomes the last day
// of that month: 29 February plus 12 months is 28 February, 31 August plus 6
// months is 28 or 29 February. (Rule of this program, the stricter of the two
// readings; the German Civil Code §188(3), from memory, rules the same way.)
func (d Date) AddMonths(n int) Date {
	first := time.Date(d.Year, d.Month, 1, 0, 0, 0, 0, time.UTC).AddDate(0, n, 0)
	last := first.AddDate(0, 1, -1).Day()
	return Date{first.Year(), first.Month(), min(d.Day, last)}
}

// EndOfHalfYear gives the last day of the calendar half-year that lies n
// half-years after the one d lies in: 30 June or 31 December.
func (d Date) EndOfHalfYear(n int) Date {
	half := d.Year * 2
	if d.Month > time.June {
		half++
	}
	half += n
	if half%2 == 0 {
		return Date{half / 2, time.June, 30}
	}
	return Date{half / 2, time.December, 31}
}

func (d Date) String() string { return fmt.Sprintf("%04d-%02d-%02d", d.Year, int(d.Month), d.Day) }

// MarshalText writes 2006-01-02.
func (d Date) MarshalText() ([]byte, error) {
	if !d.Valid() {
		return nil, fmt.Errorf("%s is not a day of the calendar", d)
	}
	return []byte(d.String()), nil
}

// UnmarshalText reads 2006-01-02.
func (d *Date) UnmarshalText(text []byte) error {
	parsed, err := ParseDate(string(text))
	if err != nil {
		return err
	}
	*d = parsed
	return nil
}
