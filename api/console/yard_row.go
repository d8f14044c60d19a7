package console

import (
	"cmp"
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
	Needs           []need // what has to be done or looked at first, the deciding one first
	More            int    // needs beyond those
	Others          int    // of a rig that stays in: what is due beside what stops it
	Minutes         int    // of work until it may go
	Work            string // that, as people say it
	Hours, Hectares *float64
	Next            *aheadJob // the next job that is not due yet
	Known           bool      // its days were worked out
	Certificate     certificateLine
	Worst           *events.WorstNozzle
	Calibrated      plan.Date
	Silent          int
	Booking         *bookingLine // the one of that day, else the next
	OutThen         bool         // booked for work on that day
	Place           *degrees
	Strip           strip
	Words           string // what it is found by, in small letters
}

// need is one thing that has to be done or looked at first.
type need struct {
	Text, Clears string
	To           string // where that is done
	Stops        bool
	Minutes      int
	Part         string
	Standing     string    // due or overdue
	Early, Late  plan.Date // when it falls due, where it is not due yet
}

// needsMost is how many of them a row shows.
const needsMost = 4

type certificateLine struct {
	Days  int
	Until plan.Date // zero when there is no such day
	Text  string    // instead
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
	if k := s.LastCalibration(r); k != nil && k.Worst != nil {
		one.Worst, one.Calibrated = k.Worst, plan.Of(k.At, s.Zone())
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
	for i := range jobs {
		if jobs[i].Status.Rank() < plan.IsDue.Rank() {
			one.Next = &jobs[i]
			break
		}
	}
	one.judge(fit, c.fleet.DueOf(s, r, now), jobs, on, until)
	c.ahead.keep(key, r.Changed, seen, today, one)
	return one
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
		case covers && (one.Booking == nil || !one.OutThen):
			one.Booking, one.OutThen = line, !b.Rest
			if !b.Rest && to.After(until) {
				until = to
			}
		case one.Booking == nil || !one.onThatDay(on) && from.Before(one.Booking.From):
			one.Booking = line
		}
	}
	return spans, until
}

func (one *ride) onThatDay(on plan.Date) bool {
	return one.Booking != nil && !one.Booking.From.After(on) && !one.Booking.To.Before(on)
}

// judge gives the answer. A rig that is not fit stays in. It goes if its
// advisories are looked at and what is due, or falls due before it is back, is done
// first: of a job by the middle of its days, of a safety or statutory one by
// the early end. Tasks of the operator are done between two fills and hold nobody back.
func (one *ride) judge(fit fleet.Fitness, lines []fleet.DueLine, jobs []aheadJob, on, until plan.Date) {
	told := map[string]bool{}
	byKey := map[string]*fleet.DueLine{}
	for i := range lines {
		byKey[lines[i].Part.Part+"."+lines[i].Task.Slug] = &lines[i]
	}
	for _, reason := range fit.Reasons {
		n := need{Text: plainReason(&reason), Clears: reason.Clears, Stops: reason.Stops, To: clearedAt(one.Rig, &reason)}
		if l := byKey[reason.Part+"."+reason.Task]; l != nil && reason.Task != "" {
			told[reason.Part+"."+reason.Task] = true
			n.Minutes, n.Part, n.Clears = l.Task.Minutes, l.Part.Name, ""
		}
		one.Needs = append(one.Needs, n)
	}
	for i := range lines {
		l := &lines[i]
		key := l.Part.Part + "." + l.Task.Slug
		if told[key] || l.Task.By == plan.Operator {
			continue
		}
		isDue := l.Due.Status.Rank() >= plan.IsDue.Rank()
		if !isDue && (l.Due.Date.IsZero() || l.Due.Date.After(until)) {
			continue
		}
		told[key] = true
		n := need{Text: l.Task.Title, Part: l.Part.Name, Minutes: l.Task.Minutes, To: jobAt(one.Rig, l.Item)}
		if isDue {
			n.Standing = string(l.Due.Status)
		} else {
			n.Early = l.Due.Date
		}
		one.Needs = append(one.Needs, n)
	}
	for _, j := range jobs {
		by := j.Middle
		if j.Weight.Binding() {
			by = j.Early
		}
		if told[j.Key] || by.IsZero() || by.After(until) {
			continue
		}
		one.Needs = append(one.Needs, need{Text: j.Title, Part: j.Part, Minutes: j.Minutes, To: jobAt(one.Rig, j.Item), Early: j.Early, Late: j.Late})
	}
	slices.SortStableFunc(one.Needs, func(a, b need) int {
		return cmp.Or(truthFirst(a.Stops, b.Stops), truthFirst(a.Standing == "" && a.Early.IsZero(), b.Standing == "" && b.Early.IsZero()), truthFirst(a.Standing == string(plan.Overdue), b.Standing == string(plan.Overdue)))
	})
	if fit.State == fleet.DoNotUse { // what stops it is what has to be done first
		stops := slices.IndexFunc(one.Needs, func(n need) bool { return !n.Stops })
		if stops > 0 {
			one.Others, one.Needs = len(one.Needs)-stops, one.Needs[:stops]
		}
	}
	for i := range one.Needs {
		one.Minutes += one.Needs[i].Minutes
	}
	one.Work = workTime(one.Minutes)
	switch {
	case fit.State == fleet.DoNotUse:
		one.Answer = staysIn
	case one.onThatDay(on) && one.Booking.Rest:
		one.Answer = rests
	case len(one.Needs) > 0:
		one.Answer = goesIf
	default:
		one.Answer = goes
	}
	if len(one.Needs) > needsMost {
		one.More = len(one.Needs) - needsMost
		one.Needs = slices.Clone(one.Needs[:needsMost])
	}
}

// plainReason is a reason's text without the codes of the rule set's points.
func plainReason(r *fleet.Reason) string {
	if r.Code == "failed-inspection" {
		return strings.ReplaceAll(r.Text, "_", " ")
	}
	return r.Text
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

func jobAt(rig, item string) string {
	if item == "" {
		return "/rigs/" + rig
	}
	return "/items/" + item
}

// clearedAt is the page on which a reason can be cleared.
func clearedAt(rig string, r *fleet.Reason) string {
	switch {
	case r.Code == "calibration-required" || r.Calibration != "":
		return "/bay/" + rig + "/calibration"
	case r.Inspection != "" && r.Defect == "":
		return "/inspections/" + r.Inspection
	case r.Code == "certificate-missing" || r.Code == "certificate-expired" || r.Code == "scheme-inspection-overdue":
		return "/bay/" + rig + "/inspection"
	case r.Task != "":
		return jobAt(rig, r.Item)
	}
	return "/rigs/" + rig
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
		return certificateLine{Days: today.DaysUntil(day), Until: day}
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
