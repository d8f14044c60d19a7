package api

import (
	"math"
	"strconv"
	"time"

	"rigledger/events"
	"rigledger/fleet"
	"rigledger/fleet/meter"
	"rigledger/fleet/plan"
)

// amountOf is one quantity as {"hours":12.5}, from base units without floats.
func amountOf(q meter.Quantity, base int64) plan.Amounts {
	var a plan.Amounts
	a.SetNamed(string(q), base)
	return a
}

// amountsOf turns a fact's amounts into the same form.
func amountsOf(list events.Amounts) plan.Amounts {
	var a plan.Amounts
	for _, x := range list {
		a.SetNamed(x.Quantity, x.Value)
	}
	return a
}

// amountsOrNil leaves out an empty object.
func amountsOrNil(a plan.Amounts) *plan.Amounts {
	if a.Empty() {
		return nil
	}
	return &a
}

// joined writes the amounts' own fields and more beside them in one object.
func joined(a plan.Amounts, more func(b []byte) []byte) ([]byte, error) {
	b, err := a.MarshalJSON()
	if err != nil {
		return nil, err
	}
	return append(more(b[:len(b)-1]), '}'), nil
}

func field(b []byte, name string) []byte {
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
	b = append(field(b, name), '"')
	return append(t.UTC().AppendFormat(b, time.RFC3339Nano), '"')
}

// total is a meter's total: {"hours":12.5,"read_at":"…"}.
type total struct {
	Amount plan.Amounts
	ReadAt time.Time
}

func (t total) MarshalJSON() ([]byte, error) {
	return joined(t.Amount, func(b []byte) []byte { return appendTime(b, "read_at", t.ReadAt) })
}

// limit is where a task falls due: {"hours":500,"date":"2026-05-01"}.
type limit struct {
	Amounts plan.Amounts
	Date    plan.Date
}

func (l limit) MarshalJSON() ([]byte, error) {
	return joined(l.Amounts, func(b []byte) []byte {
		if l.Date.IsZero() {
			return b
		}
		b = append(field(b, "date"), '"')
		return append(append(b, l.Date.String()...), '"')
	})
}

// remaining is what is left to a limit: {"hours":12.5,"days":-3}; negative when past.
type remaining struct {
	Amounts plan.Amounts
	Days    int
	Dated   bool // there is a date that the days lead to
}

func (r remaining) MarshalJSON() ([]byte, error) {
	return joined(r.Amounts, func(b []byte) []byte {
		if !r.Dated {
			return b
		}
		return strconv.AppendInt(field(b, "days"), int64(r.Days), 10)
	})
}

// timeOrNil leaves out a time that is not there.
func timeOrNil(t time.Time) *time.Time {
	if t.IsZero() {
		return nil
	}
	t = t.UTC()
	return &t
}

func milliOrNil(ms int64) *time.Time {
	if ms == 0 {
		return nil
	}
	t := time.UnixMilli(ms).UTC()
	return &t
}

// orEmpty makes a list that is never null in JSON.
func orEmpty[T any](list []T) []T {
	if list == nil {
		return []T{}
	}
	return list
}

// fourDecimals rounds what is shown.
func fourDecimals(v float64) float64 { return math.Round(v*10_000) / 10_000 }

// instantOf is when a date begins in the fleet's zone.
func instantOf(s *fleet.State, d plan.Date) time.Time {
	return meter.FirstInstant(d.Year, d.Month, d.Day, s.Zone())
}
