package forecast

import (
	"math"
	"sort"

	"rigledger/fleet/plan"
)

// Day is a date that may lie past the horizon: then OK is false and Date is zero.
type Day struct {
	Date plan.Date
	OK   bool
}

// Band is when something will be: in one of ten cases before or on P10, in half of
// them before or on P50, in nine of ten before or on P90.
type Band struct {
	P10, P50, P90 Day
}

// Passage is when the meter will have gained that many base units. 0 or less is
// today.
func (o *Outlook) Passage(remaining int64) Band {
	return Band{P10: o.passed(2, remaining), P50: o.passed(1, remaining), P90: o.passed(0, remaining)}
}

func (o *Outlook) passed(curve int, remaining int64) Day {
	days := o.daysUntil(curve, remaining)
	if days < 0 {
		return Day{}
	}
	return Day{o.today.AddDays(days), true}
}

// daysUntil is how many days from today the curve reaches an amount; -1 when it does not.
func (o *Outlook) daysUntil(curve int, remaining int64) int {
	if remaining <= 0 {
		return 0
	}
	use, want := o.use[curve], float64(remaining)
	// Half a base unit forgives the rounding of floats.
	k := sort.Search(len(use), func(i int) bool { return use[i]+0.5 >= want })
	if k == len(use) {
		return -1
	}
	// Knot 0 is today's morning with nothing used, so k > 0. The work of day n is
	// done after n+1 days have gone.
	first, last := int(o.at[k-1]), int(o.at[k])
	if last == first+1 {
		return first
	}
	part := (want - 0.5 - use[k-1]) / (use[k] - use[k-1])
	days := int(math.Ceil(part * float64(last-first)))
	return first + min(max(days, 1), last-first) - 1
}

// UseBy is the use from today's morning to the morning of a day, in base units,
// that 10, 50 and 90 % of the futures stay below. A day past the horizon is taken as the horizon.
func (o *Outlook) UseBy(day plan.Date) (p10, p50, p90 int64) {
	n := min(max(o.today.DaysUntil(day), 0), o.horizon)
	at := func(curve int) int64 {
		k := sort.Search(len(o.at), func(i int) bool { return int(o.at[i]) >= n })
		use := o.use[curve]
		if int(o.at[k]) == n {
			return int64(math.Round(use[k]))
		}
		part := float64(n-int(o.at[k-1])) / float64(o.at[k]-o.at[k-1])
		return int64(math.Round(use[k-1] + part*(use[k]-use[k-1])))
	}
	return at(0), at(1), at(2)
}

// Before is the earlier of a band and a calendar limit. A zero limit is none; one
// that has gone by counts as it stands.
func (b Band) Before(limit plan.Date) Band {
	if limit.IsZero() {
		return b
	}
	for _, d := range []*Day{&b.P10, &b.P50, &b.P90} {
		if !d.OK || limit.Before(d.Date) {
			*d = Day{limit, true}
		}
	}
	return b
}

// Through is the chance that the rig does booked work on its day without
// reaching the limit: that what it uses until that morning and the booked amount stay
// below remaining. A day before today counts as today, one past the horizon as the
// horizon's last.
func (o *Outlook) Through(b Booking, remaining int64) float64 {
	n := min(max(o.today.DaysUntil(b.Day), 0), o.horizon)
	room := float64(remaining) - float64(max(0, b.Amount))
	good := 0
	for number := range paths {
		if o.usedBy(number, n) < room {
			good++
		}
	}
	return float64(good) / paths
}

// ThroughTask is Through with the task's calendar limit: none when it falls on or
// before the day of the work.
func (o *Outlook) ThroughTask(b Booking, t Task) float64 {
	if !t.Calendar.IsZero() && !b.Day.Before(t.Calendar) {
		return 0
	}
	if !t.Counted {
		return 1
	}
	return o.Through(b, t.Remaining)
}

// usedBy is what one future uses in the first n days.
func (o *Outlook) usedBy(number, n int) float64 {
	p := o.future(number)
	gone, next := 0.0, 0
	for i := range o.stretch {
		s := &o.stretch[i]
		if s.ahead >= n {
			break
		}
		days := min(s.days, n-s.ahead)
		if from, shift := p.season(s); from != nil {
			gone += (from.upTo(s.index+days+shift) - from.upTo(s.index+shift)) * p.levels[s.season]
		}
		for ; next < len(o.booked) && o.booked[next].ahead < s.ahead+days; next++ {
			gone += o.booked[next].change(p.on(s, o.booked[next].ahead))
		}
	}
	return gone
}

// Today is the day the outlook looks from.
func (o *Outlook) Today() plan.Date { return o.today }

// Last is the last day of the horizon.
func (o *Outlook) Last() plan.Date { return o.today.AddDays(o.horizon - 1) }
