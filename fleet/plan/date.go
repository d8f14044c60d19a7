package plan

import (
	"fmt"
	"time"
)

// Date is a day in the proleptic Gregorian calendar, without time or zone. The
// zero value is no date. In JSON it is "2006-01-02", or "" for none.
type Date struct {
	Year  int
	Month time.Month
	Day   int
}

// On makes a date; the caller vouches that the day exists (see Valid).
func On(year int, month time.Month, day int) Date { return Date{year, month, day} }

// Of gives the day that an instant falls on in a zone.
func Of(t time.Time, zone *time.Location) Date {
	year, month, day := t.In(zone).Date()
	return Date{year, month, day}
}

// ParseDate reads "2006-01-02" and refuses days that do not exist.
func ParseDate(text string) (Date, error) {
	t, err := time.Parse(time.DateOnly, text)
	if err != nil {
		return Date{}, fmt.Errorf("reading date %q: want a day written 2006-01-02", text)
	}
	return Date{t.Year(), t.Month(), t.Day()}, nil
}

// IsZero tells whether it is no date.
func (d Date) IsZero() bool { return d == Date{} }

// Valid tells whether the day exists, between the years 1 and 9999.
func (d Date) Valid() bool {
	return d.Year >= 1 && d.Year <= 9999 && d.Month >= 1 && d.Month <= 12 &&
		d.Day >= 1 && d.Day <= daysIn(d.Year, d.Month)
}

func (d Date) String() string {
	if d.IsZero() {
		return ""
	}
	return fmt.Sprintf("%04d-%02d-%02d", d.Year, d.Month, d.Day)
}

// MarshalText writes "2006-01-02", or nothing for no date.
func (d Date) MarshalText() ([]byte, error) { return []byte(d.String()), nil }

// UnmarshalText reads what MarshalText writes.
func (d *Date) UnmarshalText(text []byte) error {
	if len(text) == 0 {
		*d = Date{}
		return nil
	}
	parsed, err := ParseDate(string(text))
	if err != nil {
		return err
	}
	*d = parsed
	return nil
}

// AddMonths moves by whole months and keeps the day of the month, or takes the
// month's last day where it has fewer: 31 January + 1 month is 28 or 29
// February, 29 February + 12 months is 28 February. It never runs over into
// the month after.
func (d Date) AddMonths(months int) Date {
	n := d.Year*12 + int(d.Month) - 1 + months
	year, month := n/12, n%12
	if month < 0 {
		year, month = year-1, month+12
	}
	moved := Date{year, time.Month(month + 1), d.Day}
	if last := daysIn(moved.Year, moved.Month); moved.Day > last {
		moved.Day = last
	}
	return moved
}

// AddDays moves by whole days.
func (d Date) AddDays(days int) Date {
	if days == 0 {
		return d
	}
	return dateOfNumber(d.number() + days)
}

// Compare gives -1, 0 or +1 as d lies before, on or after e.
func (d Date) Compare(e Date) int {
	switch {
	case d.before(e):
		return -1
	case d == e:
		return 0
	}
	return 1
}

// Before tells whether d lies before e.
func (d Date) Before(e Date) bool { return d.before(e) }

// After tells whether d lies after e.
func (d Date) After(e Date) bool { return e.before(d) }

func (d Date) before(e Date) bool {
	if d.Year != e.Year {
		return d.Year < e.Year
	}
	if d.Month != e.Month {
		return d.Month < e.Month
	}
	return d.Day < e.Day
}

// DaysUntil counts the days from d to e; negative when e lies before d.
func (d Date) DaysUntil(e Date) int { return e.number() - d.number() }

// Weekday gives the day of the week.
func (d Date) Weekday() time.Weekday {
	// Day number 0, 1970-01-01, was a Thursday.
	return time.Weekday(((d.number()+4)%7 + 7) % 7)
}

// Time gives the first instant of the day in a zone. Where the clock skips
// midnight, it is the first instant after the gap that time.Date offers.
func (d Date) Time(zone *time.Location) time.Time {
	return time.Date(d.Year, d.Month, d.Day, 0, 0, 0, 0, zone)
}

// number counts days since 1970-01-01, over 400-year eras that begin on
// 1 March so that the leap day comes last.
func (d Date) number() int {
	y, m := d.Year, int(d.Month)
	if m <= 2 {
		y--
		m += 12
	}
	era := y / 400
	if y < 0 {
		era = (y - 399) / 400
	}
	yearOfEra := y - era*400
	dayOfYear := (153*(m-3)+2)/5 + d.Day - 1
	dayOfEra := yearOfEra*365 + yearOfEra/4 - yearOfEra/100 + dayOfYear
	return era*146097 + dayOfEra - 719468
}

func dateOfNumber(n int) Date {
	n += 719468
	era := n / 146097
	if n < 0 {
		era = (n - 146096) / 146097
	}
	dayOfEra := n - era*146097
	yearOfEra := (dayOfEra - dayOfEra/1460 + dayOfEra/36524 - dayOfEra/146096) / 365
	dayOfYear := dayOfEra - (365*yearOfEra + yearOfEra/4 - yearOfEra/100)
	shifted := (5*dayOfYear + 2) / 153
	day := dayOfYear - (153*shifted+2)/5 + 1
	month := shifted + 3
	year := yearOfEra + era*400
	if month > 12 {
		month -= 12
		year++
	}
	return Date{year, time.Month(month), day}
}

func daysIn(year int, month time.Month) int {
	switch month {
	case time.April, time.June, time.September, time.November:
		return 30
	case time.February:
		if year%4 == 0 && (year%100 != 0 || year%400 == 0) {
			return 29
		}
		return 28
	}
	return 31
}

// MonthDay is a day that comes every year, written "MM-DD". 29 February falls
// on the 28th in years without it.
type MonthDay struct {
	Month time.Month
	Day   int
}

// ParseMonthDay reads "MM-DD".
func ParseMonthDay(text string) (MonthDay, error) {
	t, err := time.Parse(time.DateOnly, "2024-"+text) // a leap year, so that 02-29 is a day
	if err != nil {
		return MonthDay{}, fmt.Errorf("%q is not a day of the year written MM-DD", text)
	}
	return MonthDay{t.Month(), t.Day()}, nil
}

func (m MonthDay) String() string { return fmt.Sprintf("%02d-%02d", m.Month, m.Day) }

// MarshalText writes "MM-DD".
func (m MonthDay) MarshalText() ([]byte, error) { return []byte(m.String()), nil }

// UnmarshalText reads "MM-DD".
func (m *MonthDay) UnmarshalText(text []byte) error {
	parsed, err := ParseMonthDay(string(text))
	if err != nil {
		return err
	}
	*m = parsed
	return nil
}

// In gives the day's date in a year.
func (m MonthDay) In(year int) Date {
	d := Date{year, m.Month, m.Day}
	if last := daysIn(year, m.Month); d.Day > last {
		d.Day = last
	}
	return d
}

// OnOrAfter gives the first such day that is not before d.
func (m MonthDay) OnOrAfter(d Date) Date {
	if this := m.In(d.Year); !this.Before(d) {
		return this
	}
	return m.In(d.Year + 1)
}

// Season is the part of the year in which rigs spray; it may span the new year.
type Season struct {
	From MonthDay `json:"from"`
	To   MonthDay `json:"to"`
}

// StartFor gives the first day of the season that today lies in, or, between
// seasons, of the next one.
func (s Season) StartFor(today Date) Date {
	for year := today.Year - 1; ; year++ {
		start := s.From.In(year)
		end := s.To.OnOrAfter(start)
		if !end.Before(today) {
			return start
		}
	}
}

// Contains tells whether a day lies in the season, its first and last day
// included.
func (s Season) Contains(day Date) bool { return !s.StartFor(day).After(day) }
