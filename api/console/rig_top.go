package console

import (
	"math"
	"time"

	"rigledger/fleet"
	"rigledger/fleet/meter"
	"rigledger/fleet/plan"
)

// rigTop answers whether the rig may go out, and what has to be done before.
type rigTop struct {
	State       string
	On          plan.Date // the day that is asked about, as in the yard
	Weekday     string
	Row         *ride       // its row there
	Stops       []rigReason // each with what clears it
	Advice      []rigReason
	Heard       time.Time
	SilentDays  int
	Silent      bool // although it is its season
	Where       *rigWhere
	Held        int
	Next        *nextJob
	Booking     *rigBooking // the next
	Certificate *rigCertificate
	InspectBy   plan.Date // by the law of its place
}

// rigReason is a reason of the fitness and where to do something about it.
type rigReason struct {
	Text, Clears, Rule, Since string
	Href, Do                  string // "" where nothing on a page clears it
}

type rigWhere struct {
	Latitude, Longitude float64
	At                  time.Time
}

type rigBooking struct {
	Booking, From, To, Note string
	Rest                    bool
	Hours, Hectares         float64
	InTen                   int // so many futures of ten get through it
	InWay                   string
}

// top fills it in: how the rig stands now, and what there is to do before it goes
// out on the day that the yard asks about.
func (d *rigPage) top(v *visit, s *fleet.State, r *fleet.Rig, fit fleet.Fitness, lines []fleet.DueLine, ahead fleet.RigForecast) {
	d.State = fit.State
	d.On = nextWorkingDay(v.now.In(v.zone))
	d.Weekday = weekdays[d.On.Weekday()]
	row, then := v.rideNow(s, r, &outlook{changed: r.Changed, jobs: aheadJobs(ahead, aheadAbout(r.Rig, lines))}, d.On, v.today())
	d.Row, d.Next = row, row.Next
	for _, x := range then.Reasons {
		reason := rigReason{Text: x.Text, Clears: x.Clears, Rule: x.Rule, Since: x.Since}
		if p := s.Parts[x.Part]; p != nil && x.Task != "" && x.Part != r.Rig {
			reason.Text += ", " + p.Name
		}
		reason.Href, reason.Do = rigWayOut(r, x)
		if x.Stops {
			d.Stops = append(d.Stops, reason)
		} else {
			d.Advice = append(d.Advice, reason)
		}
	}
	d.Heard, d.Silent, d.Held = r.LastHeard, s.Silent(r, v.now), s.OpenHeld(r.Rig)
	if !r.LastHeard.IsZero() {
		d.SilentDays = max(0, plan.Of(r.LastHeard, v.zone).DaysUntil(v.today()))
	}
	if r.Location != nil {
		lat, lon := r.Location.Degrees()
		d.Where = &rigWhere{lat, lon, r.Located}
	}
	if len(d.Booked) > 0 {
		d.Booking = &d.Booked[0]
	}
	if c := s.CertificateOf(r); c != nil {
		one := rigCertificateOf(c)
		d.Certificate = &one
	}
	if p, due, err := s.NextInspection(r, v.today()); p != nil && err == nil && due.On != nil {
		d.InspectBy = plan.Date{Year: due.On.Year, Month: due.On.Month, Day: due.On.Day}
	}
}

// rigWayOut is where to do what clears a reason, and what the link says.
func rigWayOut(r *fleet.Rig, x fleet.Reason) (href, do string) {
	switch {
	case x.Code == "calibration-required" || x.Calibration != "":
		return "/bay/" + r.Rig + "/calibration", word("Calibrate it")
	case x.Defect != "":
		return "#defect-" + x.Defect, word("Repair it and clear the defect")
	case x.Item != "":
		return "/items/" + x.Item, word("Do the job")
	case x.Inspection != "":
		return "/inspections/" + x.Inspection, word("See what failed")
	case x.Code == "certificate-missing" || x.Code == "certificate-expired" || x.Code == "scheme-inspection-overdue":
		return "/bay/" + r.Rig + "/inspection", word("Inspect it")
	case x.Code == "place-incomplete":
		return "/bay/" + r.Rig + "/place", word("Put its place right")
	}
	return "", ""
}

// rigBookings lists what is booked, the next first, with the chance to get through.
func rigBookings(f fleet.RigForecast) (out []rigBooking) {
	titles := map[string]string{}
	for _, t := range f.Tasks {
		titles[t.Key] = t.Title
	}
	for _, b := range f.Bookings {
		out = append(out, rigBooking{
			Booking: b.Booking, From: b.Work.From, To: b.Work.To, Note: b.Work.Note, Rest: b.Work.Rest,
			Hours: meter.Hours.FromBase(b.Work.Seconds), Hectares: meter.Area.FromBase(b.Work.AreaM2),
			InTen: int(math.Round(b.Chance * 10)), InWay: titles[b.InWay],
		})
	}
	return out
}

type rigCertificate struct {
	Certificate, Number, Sticker, Tester, Inspected, Expires string
	Withdrawn, Why                                           string
}

func rigCertificateOf(c *fleet.Certificate) rigCertificate {
	out := rigCertificate{Certificate: c.CertificateIssued.Certificate, Number: c.Number, Sticker: c.Sticker, Tester: c.Tester, Inspected: c.Inspected, Expires: c.Expires}
	if c.Withdrawn != nil {
		out.Withdrawn, out.Why = plan.Of(c.Withdrawn.At, time.UTC).String(), c.Withdrawn.Reason
	}
	return out
}

// rigBayLine is an inspection or calibration in a list.
type rigBayLine struct {
	ID      string
	At      time.Time
	By      string
	Outcome string
	Law     bool // a licensed inspection
	LHa     float64
}

func rigBayLines(v *visit, s *fleet.State, r *fleet.Rig) (certificates []rigCertificate, inspections, calibrations []rigBayLine) {
	for i := len(r.Bay.Certificates) - 1; i >= 0; i-- {
		c := s.Bay.Certificates[r.Bay.Certificates[i]]
		one := rigCertificateOf(c)
		if c.Withdrawn != nil {
			one.Withdrawn = plan.Of(c.Withdrawn.At, v.zone).String()
		}
		certificates = append(certificates, one)
	}
	for i := len(r.Bay.Inspections) - 1; i >= 0; i-- {
		in := s.Bay.Inspections[r.Bay.Inspections[i]]
		inspections = append(inspections, rigBayLine{ID: in.Inspection, At: in.At, By: in.Tester, Outcome: in.Outcome, Law: in.Statutory})
	}
	for i := len(r.Bay.Calibrations) - 1; i >= 0; i-- {
		c := s.Bay.Calibrations[r.Bay.Calibrations[i]]
		calibrations = append(calibrations, rigBayLine{ID: c.Calibration, At: c.At, By: c.Tester, Outcome: c.Outcome, LHa: c.LHa})
	}
	return certificates, inspections, calibrations
}
