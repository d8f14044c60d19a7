package console

import (
	"html/template"
	"slices"
	"time"

	"rigledger/api/console/drawing"
	"rigledger/fleet"
	"rigledger/fleet/meter"
	"rigledger/fleet/plan"
	"rigledger/fleet/plan/forecast"
)

// How far the drawings look: bars back, the fan back and ahead, in days. Limits
// beyond the most that fit a drawing are in the list alone.
const (
	useDays    = 120
	useDaysAll = 400
	fanBack    = 28
	fanDays    = 84
	fanLimits  = 12
)

// rigAhead is the use of one of the rig's meters and what it leads to.
type rigAhead struct {
	Counters []rigCounter // to choose from
	Of       string       // the meter that is shown
	Unit     string
	Long     bool // more than a year of bars
	Bars     template.HTML
	Worked   []rigDay // days with use, the newest first
	Sum      float64
	Fan      template.HTML
	Weeks    []rigWeek
	Limits   []rigLimit
	Coming   []rigComing // every task by its forecast day
	Basis    string
}

type rigCounter struct {
	Meter string
	Here  bool
}

type rigDay struct {
	Day  plan.Date
	Gain float64
}

type rigWeek struct {
	Day           plan.Date
	P10, P50, P90 float64
}

// rigLimit is a due line of the fan.
type rigLimit struct {
	Letter, Title, Part, Item, Status string
	At                                float64
	Band                              forecast.Band
}

type rigComing struct {
	Title, Part, Item, Status string
	Band                      forecast.Band
	Guess                     bool
}

// ahead draws use and forecast of the meter that is asked for. Within View.
func (d *rigPage) ahead(v *visit, s *fleet.State, r *fleet.Rig, lines []fleet.DueLine, fans []fleet.Fan, f fleet.RigForecast) error {
	m := r.Meter(v.query("of"))
	if m == nil {
		m = r.MeterOf(meter.Hours, "pump")
	}
	if m == nil && len(r.Meters) > 0 {
		m = r.Meters[0]
	}
	byKey := map[string]*fleet.DueLine{}
	for i := range lines {
		byKey[lines[i].Part.Part+"."+lines[i].Task.Slug] = &lines[i]
	}
	for _, t := range f.Tasks {
		if line := byKey[t.Key]; line != nil && (t.Band.P50.OK || t.Band.P10.OK) {
			d.Coming = append(d.Coming, rigComing{t.Title, partOn(d.Rig, line.Part), t.Item, string(t.Status), t.Band, t.Estimated})
		}
	}
	if m == nil {
		return nil
	}
	for _, one := range r.Meters {
		d.Counters = append(d.Counters, rigCounter{one.Meter, one == m})
	}
	quantity := m.Series.Quantity
	d.Of, d.Unit, d.Long = m.Meter, rigUnit(quantity.Field()), v.query("back") == "year"
	if err := d.bars(v, s, r, m); err != nil {
		return err
	}
	d.Basis = rigBasis(f.Basis[string(quantity)])
	for _, fan := range fans {
		if fan.Meter == m.Meter {
			d.fan(v, m, fan, f, byKey)
		}
	}
	return nil
}

func (d *rigPage) bars(v *visit, s *fleet.State, r *fleet.Rig, m *fleet.Meter) error {
	days := useDays
	if d.Long {
		days = useDaysAll
	}
	today := v.today()
	from := today.AddDays(1 - days)
	buckets, err := m.Series.Buckets(v.zone, rigMorning(v, from), rigMorning(v, today.AddDays(1)), meter.Day, 1)
	if err != nil {
		return err
	}
	class := s.Class(r.Class)
	use := drawing.Use{Unit: d.Unit, Months: rigMonths(from, days)}
	for _, b := range buckets {
		day := plan.Of(b.From, v.zone)
		gain := m.Series.Quantity.FromBase(b.Usage)
		d.Sum += gain
		use.Days = append(use.Days, drawing.UseDay{Gain: gain, InSeason: class != nil && class.Season.Contains(day)})
		if b.Usage > 0 {
			d.Worked = append(d.Worked, rigDay{day, gain})
		}
	}
	slices.Reverse(d.Worked)
	d.Bars = drawing.Bars(use, word("Use by day"), word("Use by day, as in the list below"))
	return nil
}

// fan draws the meter's fan with the due lines that lie in it.
func (d *rigPage) fan(v *visit, m *fleet.Meter, fan fleet.Fan, f fleet.RigForecast, byKey map[string]*fleet.DueLine) {
	quantity := m.Series.Quantity
	today := v.today()
	chart := drawing.Fan{Unit: d.Unit, Today: word("today"), Months: rigMonths(today.AddDays(-fanBack), fanBack+fanDays)}
	for n := -fanBack; n < 0; n++ {
		chart.Past = append(chart.Past, quantity.FromBase(m.Series.TotalAt(rigMorning(v, today.AddDays(n)).UnixMilli())))
	}
	chart.Past = append(chart.Past, quantity.FromBase(fan.Total))
	for i, day := range fan.Days {
		one := drawing.FanDay{P10: quantity.FromBase(day.P10), P50: quantity.FromBase(day.P50), P90: quantity.FromBase(day.P90)}
		chart.Ahead = append(chart.Ahead, one)
		if i > 0 && i%7 == 0 {
			d.Weeks = append(d.Weeks, rigWeek{day.Day, one.P10, one.P50, one.P90})
		}
	}
	bands := map[string]forecast.Band{}
	for _, t := range f.Tasks {
		bands[t.Key] = t.Band
	}
	for _, l := range rigLimits(fan, byKey) {
		line := byKey[l.Key]
		one := rigLimit{
			Letter: string(rune('a' + len(d.Limits))), Title: line.Task.Title, Part: partBeside(d.Rig, line.Part), Item: line.Item, Status: string(line.Due.Status),
			At: quantity.FromBase(l.At), Band: bands[l.Key],
		}
		d.Limits = append(d.Limits, one)
		chart.Limits = append(chart.Limits, drawing.FanLimit{At: one.At, Letter: one.Letter, Href: "#limit-" + one.Letter, Says: one.Letter + ": " + one.Title})
	}
	for _, b := range d.Booked {
		from, err1 := plan.ParseDate(b.From)
		to, err2 := plan.ParseDate(b.To)
		if err1 == nil && err2 == nil {
			chart.Booked = append(chart.Booked, drawing.FanBooking{From: today.DaysUntil(from), To: today.DaysUntil(to), Rest: b.Rest})
		}
	}
	d.Fan = drawing.FanChart(chart, word("What is to come"), word("The total so far and where it may go, as in the list below"))
}

// rigLimits keeps the due lines that the fan reaches; of more than fit, what
// the workshop does goes before what the operator does between two fills.
func rigLimits(fan fleet.Fan, byKey map[string]*fleet.DueLine) []fleet.FanLimit {
	if len(fan.Days) == 0 {
		return nil
	}
	top := fan.Days[len(fan.Days)-1].P90
	var within []fleet.FanLimit
	for _, l := range fan.Limits {
		if l.At > fan.Total && l.At <= top && byKey[l.Key] != nil {
			within = append(within, l)
		}
	}
	slices.SortStableFunc(within, func(a, b fleet.FanLimit) int {
		operator := func(l fleet.FanLimit) int {
			if byKey[l.Key].Task.By == plan.Operator {
				return 1
			}
			return 0
		}
		return operator(a) - operator(b)
	})
	within = within[:min(len(within), fanLimits)]
	slices.SortStableFunc(within, func(a, b fleet.FanLimit) int {
		switch {
		case a.At < b.At:
			return -1
		case a.At > b.At:
			return 1
		}
		return 0
	})
	return within
}

func rigBasis(b forecast.Basis) string {
	switch b {
	case forecast.OnOwnSeasons:
		return word("Drawn from the rig's own seasons.")
	case forecast.OnBookings:
		return word("Nothing is known of its use yet: only what is booked counts.")
	case forecast.OnOwnDays:
		return word("Drawn from the part of a season that it has worked.")
	case forecast.OnClass:
		return word("Drawn from the seasons of rigs of its class.")
	}
	return ""
}

// rigMonths marks the first of each month in a run of days.
func rigMonths(from plan.Date, days int) (out []drawing.Tick) {
	for n := range days {
		if day := from.AddDays(n); day.Day == 1 {
			out = append(out, drawing.Tick{At: n, Month: day.String()[:7], Name: day.Time(time.UTC).Format("Jan 2006")})
		}
	}
	return out
}

// rigMorning is when a day begins in the fleet's zone.
func rigMorning(v *visit, d plan.Date) time.Time {
	return meter.FirstInstant(d.Year, d.Month, d.Day, v.zone)
}
