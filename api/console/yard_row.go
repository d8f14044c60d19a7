package console

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"rigledger/events"
	"rigledger/fleet"
	"rigledger/fleet/meter"
	"rigledger/fleet/plan"
	"rigledger/fleet/testbay"
)

// The answers, in the order of the page.
const (
	staysIn = iota
	goesIf
	goes
	rests
)

// ride is one rig as the yard shows it: whether it can go out on the day asked
// about, and what would have to be done first.
type ride struct {
	Rig, Name, Yard string
	Answer          int
	State           string // its fitness on that day
	before
	Hours, Hectares *float64
	Next            *nextJob
	Known           bool // its days were worked out
	Certificate     certificateLine
	Worst           *events.WorstNozzle
	Measured        plan.Date // the day on which that nozzle was
	Silent          int
	Booking         *bookingLine  // the one of that day, work before rest, else the next
	Also            []bookingLine // that cover the day too
	Shop            shopLine      // when the workshop expects it
	OutThen         bool          // booked for work on that day
	Clash           bool          // and to rest, or to be in the workshop
	Place           *degrees
	Strip           strip
	Words           string // what it is found by, in small letters
}

// needsMost is how many of them a row shows.
const needsMost = 4

// Needs are the things that a row shows, More counts those beyond them, and Others
// what is due beside what stops a rig that stays in.
func (one *ride) Needs() []need { return one.deciding()[:min(len(one.deciding()), needsMost)] }
func (one *ride) More() int     { return len(one.deciding()) - len(one.Needs()) }
func (one *ride) Others() int {
	if len(one.Stops) == 0 {
		return 0
	}
	return len(one.First) + len(one.Own)
}

func (one *ride) deciding() []need {
	if len(one.Stops) > 0 {
		return one.Stops
	}
	return one.First
}

type certificateLine struct {
	Days  int
	Until plan.Date // zero when there is no such day
	Never bool      // the ledger knows of no inspection that was passed: it is the law's day
	Paper bool      // there is a certificate
	Text  string    // instead
}

// shopLine is when jobs of a rig are booked in the workshop: on the day asked
// about, else the next such day. No jobs: none is.
type shopLine struct {
	Day  plan.Date
	Jobs int
}

type bookingLine struct {
	From, To        plan.Date
	Rest            bool
	Hectares, Hours float64
	Note            string
}

type degrees struct {
	Latitude, Longitude float64
	At                  time.Time
}

// rideOf makes a rig's row, or gives the one made before. Within View.
func (c *Console) rideOf(s *fleet.State, r *fleet.Rig, ahead *outlook, on, today plan.Date) *ride {
	key, seen := rowOf{r.Rig, on}, uint64(0)
	if ahead != nil {
		seen = ahead.changed
	}
	if kept := c.ahead.row(key, r.Changed, seen); kept != nil {
		return kept
	}
	one, _ := c.rideNow(s, r, ahead, on, today)
	c.ahead.keep(key, r.Changed, seen, today, one)
	return one
}

// rideNow makes it, and gives how the rig stands on the day. Within View.
func (c *Console) rideNow(s *fleet.State, r *fleet.Rig, ahead *outlook, on, today plan.Date) (*ride, fleet.Fitness) {
	now := c.fleet.Now()
	var fit fleet.Fitness
	if on == today {
		fit = c.fleet.FitnessOf(s, r, now)
	} else {
		fit = s.FitnessAt(r, on.Time(s.Zone()), now)
	}
	one := &ride{
		Rig: r.Rig, Name: r.Name, Yard: r.Yard, State: fit.State, Known: ahead != nil,
		Hours: totalOf(r, meter.Hours), Hectares: totalOf(r, meter.Area), Certificate: certificateOf(s, r, today),
		Words: strings.ToLower(r.Rig + " " + r.Name + " " + r.Yard + " " + r.Serial),
	}
	if m := s.NozzlesOf(r); m != nil {
		one.Worst, one.Measured = m.Worst, plan.Of(m.At, s.Zone())
	}
	if r.Location != nil {
		one.Place = &degrees{At: r.Located}
		one.Place.Latitude, one.Place.Longitude = r.Location.Degrees()
	}
	var jobs []aheadJob
	if ahead != nil {
		jobs = ahead.jobs
	}
	spans, until := one.bookings(s, r, on, today)
	one.Strip = stripOf(today, on, spans, jobs)
	lines := c.fleet.DueOf(s, r, now)
	one.Next = nextJobOf(r.Rig, lines, jobs)
	one.before = beforeOf(r.Rig, fit, lines, jobs, until)
	one.answer(on)
	return one, fit
}

// bookings takes over what is booked. until is the last day that the rig must get
// through: that of the booking on the day asked about, else the day itself.
func (one *ride) bookings(s *fleet.State, r *fleet.Rig, on, today plan.Date) (spans []stripSpan, until plan.Date) {
	until = on
	for _, id := range r.Booked {
		b := s.Bookings[id]
		from, err1 := plan.ParseDate(b.From)
		to, err2 := plan.ParseDate(b.To)
		if err1 != nil || err2 != nil || to.Before(today) {
			continue
		}
		spans = append(spans, stripSpan{from, to, b.Rest})
		line := &bookingLine{From: from, To: to, Rest: b.Rest, Hectares: meter.Area.FromBase(b.AreaM2), Hours: meter.Hours.FromBase(b.Seconds), Note: b.Note}
		covers := !from.After(on) && !to.Before(on)
		switch {
		case covers && one.onThatDay(on) && (one.OutThen || b.Rest): // work decides before rest
			one.Also = append(one.Also, *line)
		case covers:
			if one.onThatDay(on) {
				one.Also = append(one.Also, *one.Booking)
			}
			one.Booking, one.OutThen = line, !b.Rest
		case one.Booking == nil || !one.onThatDay(on) && from.Before(one.Booking.From):
			one.Booking = line
		}
		if covers && !b.Rest && to.After(until) {
			until = to
		}
	}
	one.Shop = shopOf(s, r, on, today)
	one.Clash = one.OutThen && (one.Shop.Jobs > 0 && one.Shop.Day == on || slices.ContainsFunc(one.Also, func(b bookingLine) bool { return b.Rest }))
	return spans, until
}

// shopOf counts the jobs that are booked in the workshop for one day.
func shopOf(s *fleet.State, r *fleet.Rig, on, today plan.Date) (shop shopLine) {
	for _, id := range r.Open {
		it := s.Items[id]
		day, err := plan.ParseDate(it.BookedOn)
		if it.Stage != fleet.Booked || err != nil || day.Before(today) {
			continue
		}
		if shop.Jobs == 0 || shop.Day != on && (day == on || day.Before(shop.Day)) {
			shop = shopLine{Day: day}
		}
		if shop.Day == day {
			shop.Jobs++
		}
	}
	return shop
}

func (one *ride) onThatDay(on plan.Date) bool {
	return one.Booking != nil && !one.Booking.From.After(on) && !one.Booking.To.Before(on)
}

// answer says whether the rig goes. One that is not fit stays in; another goes if
// its advisories are looked at and what is due by then is done first.
func (one *ride) answer(on plan.Date) {
	switch {
	case one.State == fleet.DoNotUse:
		one.Answer = staysIn
	case one.onThatDay(on) && one.Booking.Rest:
		one.Answer = rests
	case len(one.First) > 0:
		one.Answer = goesIf
	default:
		one.Answer = goes
	}
}

// workTime is so many minutes as people say it, "" for none.
func workTime(minutes int) string {
	switch {
	case minutes <= 0:
		return ""
	case minutes < 60:
		return fmt.Sprintf("%d min", minutes)
	case minutes%60 == 0:
		return fmt.Sprintf("%d h", minutes/60)
	}
	return fmt.Sprintf("%d h %d min", minutes/60, minutes%60)
}

// certificateOf says until when the rig's inspection is in force: by the law of its
// place, or its certificate's own last day where that is earlier (as fitness has it).
func certificateOf(s *fleet.State, r *fleet.Rig, today plan.Date) certificateLine {
	newest := s.CertificateOf(r)
	own := plan.Date{}
	if newest != nil {
		own, _ = plan.ParseDate(newest.Expires)
	}
	until := func(day plan.Date) certificateLine {
		return certificateLine{Days: today.DaysUntil(day), Until: day, Never: !s.EverInspected(r), Paper: newest != nil}
	}
	place, due, err := s.NextInspection(r, today)
	switch {
	case place == nil && !own.IsZero():
		return until(own)
	case place == nil && newest != nil:
		return certificateLine{Text: word("no last day, no law set")}
	case place == nil:
		return certificateLine{Text: word("none, no law set")}
	case err != nil:
		return certificateLine{Text: word("its last day cannot be worked out")}
	}
	for _, d := range due.Dates {
		if d.Kind == testbay.Scheme {
			continue
		}
		last := plan.On(d.Due.Year, d.Due.Month, d.Due.Day)
		if !own.IsZero() && own.Before(last) {
			last = own
		}
		return until(last)
	}
	return certificateLine{Text: word("not asked for")}
}
