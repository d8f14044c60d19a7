package shape

import (
	"math"
	"strconv"
	"time"

	"rigledger/events"
	"rigledger/fleet"
	"rigledger/fleet/meter"
	"rigledger/fleet/plan"
)

// Amount is one quantity as {"hours":12.5}, from base units without floats.
func Amount(q meter.Quantity, base int64) plan.Amounts {
	var a plan.Amounts
	a.SetNamed(string(q), base)
	return a
}

// Amounts turns a fact's amounts into the same form.
func Amounts(list events.Amounts) plan.Amounts {
	var a plan.Amounts
	for _, x := range list {
		a.SetNamed(x.Quantity, x.Value)
	}
	return a
}

// AmountsOrNil leaves out an empty object.
func AmountsOrNil(a plan.Amounts) *plan.Amounts {
	if a.Empty() {
		return nil
	}
	return &a
}

// Joined writes the amounts' own fields and more beside them in one object.
func Joined(a plan.Amounts, more func(b []byte) []byte) ([]byte, error) {
	b, err := a.MarshalJSON()
	if err != nil {
		return nil, err
	}
	return append(more(b[:len(b)-1]), '}'), nil
}

// Field begins a field of an object that is being written.
func Field(b []byte, name string) []byte {
	if b[len(b)-1] != '{' {
		b = append(b, ',')
	}
	b = append(b, '"')
	b = append(b, name...)
	return append(b, '"', ':')
}

func appendTime(b []byte, name string, t time.Time) []byte {
	if t.IsZero() {
		return b
	}
	b = append(Field(b, name), '"')
	return append(t.UTC().AppendFormat(b, time.RFC3339Nano), '"')
}

// Total is a meter's total: {"hours":12.5,"read_at":"…"}.
type Total struct {
	Amount plan.Amounts
	ReadAt time.Time
}

func (t Total) MarshalJSON() ([]byte, error) {
	return Joined(t.Amount, func(b []byte) []byte { return appendTime(b, "read_at", t.ReadAt) })
}

// Limit is where a task falls due: {"hours":500,"date":"2026-05-01"}.
type Limit struct {
	Amounts plan.Amounts
	Date    plan.Date
}

func (l Limit) MarshalJSON() ([]byte, error) {
	return Joined(l.Amounts, func(b []byte) []byte {
		if l.Date.IsZero() {
			return b
		}
		b = append(Field(b, "date"), '"')
		return append(append(b, l.Date.String()...), '"')
	})
}

// Remaining is what is left to a limit: {"hours":12.5,"days":-3}; negative when past.
type Remaining struct {
	Amounts plan.Amounts
	Days    int
	Dated   bool // there is a date that the days lead to
}

func (r Remaining) MarshalJSON() ([]byte, error) {
	return Joined(r.Amounts, func(b []byte) []byte {
		if !r.Dated {
			return b
		}
		return strconv.AppendInt(Field(b, "days"), int64(r.Days), 10)
	})
}

// Time leaves out a time that is not there.
func Time(t time.Time) *time.Time {
	if t.IsZero() {
		return nil
	}
	t = t.UTC()
	return &t
}

// Milli is a time in milliseconds since 1970, left out when there is none.
func Milli(ms int64) *time.Time {
	if ms == 0 {
		return nil
	}
	t := time.UnixMilli(ms).UTC()
	return &t
}

// List makes a list that is never null in JSON.
func List[T any](list []T) []T {
	if list == nil {
		return []T{}
	}
	return list
}

// FourDecimals rounds what is shown.
func FourDecimals(v float64) float64 { return math.Round(v*10_000) / 10_000 }

// Begin is when a date begins in the fleet's zone.
func Begin(s *fleet.State, d plan.Date) time.Time {
	return meter.FirstInstant(d.Year, d.Month, d.Day, s.Zone())
}
