package forecast

import (
	"fmt"
	"time"

	"rigledger/fleet/meter"
	"rigledger/fleet/plan"
)

// History is a meter's use day by day, in base units: Use[i] is the use of the
// day From + i. A day without work is 0, and so are the days between the last
// one given and today; days before From are not known. The zero value is a
// meter without history.
//
// Changed is the day on which the rig was given other work (another yard, other
// crops), where somebody said so; zero otherwise. What it did before then tells little of
// what it will do. A day after today is without effect.
type History struct {
	From    plan.Date
	Use     []int64
	Changed plan.Date
}

// maxYears bounds how far back a history is read; what lies before says nothing
// about the work a rig does now.
const maxYears = 12

// HistoryOf lays a map of daily use out from its first day to the day before today.
// Days from today on are left out.
func HistoryOf(use map[plan.Date]int64, today plan.Date) History {
	var first plan.Date
	for day := range use {
		if day.Before(today) && (first.IsZero() || day.Before(first)) {
			first = day
		}
	}
	if first.IsZero() {
		return History{}
	}
	h := History{From: first, Use: make([]int64, first.DaysUntil(today))}
	for day, v := range use {
		if day.Before(today) {
			h.Use[first.DaysUntil(day)] += v
		}
	}
	return h
}

// HistoryFrom takes the daily use of a meter's series from a day to the day
// before today, by the calendar of the zone. from is where the readings begin: a
// day before them would count as a day without work.
func HistoryFrom(series *meter.Series, zone *time.Location, from, today plan.Date) (History, error) {
	if !from.Before(today) {
		return History{}, nil
	}
	buckets, err := series.Buckets(zone,
		meter.FirstInstant(from.Year, from.Month, from.Day, zone),
		meter.FirstInstant(today.Year, today.Month, today.Day, zone), meter.Day, 1)
	if err != nil {
		return History{}, fmt.Errorf("daily use for the forecast: %w", err)
	}
	h := History{From: from, Use: make([]int64, from.DaysUntil(today))}
	for _, b := range buckets {
		if i := from.DaysUntil(plan.Of(b.From, zone)); i >= 0 && i < len(h.Use) {
			h.Use[i] += b.Usage
		}
	}
	return h, nil
}

// until cuts the history off before today and at maxYears, and makes negative
// days (a voided reading's echo) days without work.
func (h History) until(today plan.Date) History {
	if len(h.Use) == 0 || !h.From.Before(today) {
		return History{}
	}
	n := h.From.DaysUntil(today)
	use := h.Use
	if len(use) > n {
		use = use[:n]
	}
	if skip := n - maxYears*366; skip > 0 {
		h.From = h.From.AddDays(skip)
		use = use[min(skip, len(use)):]
	}
	h.Use = use
	return h
}

// on is the use on the i-th day from From; days past the end are days without work.
func (h History) on(i int) float64 {
	if i < 0 || i >= len(h.Use) || h.Use[i] < 0 {
		return 0
	}
	return float64(h.Use[i])
}
