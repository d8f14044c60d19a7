package console

import (
	"cmp"
	"fmt"
	"hash/fnv"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"rigledger/fleet"
	"rigledger/fleet/meter"
	"rigledger/fleet/plan"
)

var seasonPages = []page{{"/season", nil, showSeason}}

// seasonPage answers: what falls due in the next weeks, when is the workshop full,
// and which jobs are better done in one visit.
type seasonPage struct {
	Yard           string
	All            []string // yards that the person may see
	Weeks          int
	Here           string // the page's address with yard and weeks
	Until          plan.Date
	Lanes          []*lane
	Dues           []dueGroup
	Rests, Visits  []seasonStop
	VisitsBeyond   int
	Bookings       []bookingRow
	BookingsBeyond int
	Rigs           []seasonRig
	Today          plan.Date
	Job            *jobMoves // the one that is being decided on
	Waiting, Older int
	refused        *refused
	may            []mayStop
}

type seasonRig struct{ Rig, Name, Yard string }

// mayStop is a visit that may be suggested, once it is known what of it is booked.
type mayStop struct {
	rig   string
	visit *seasonVisit
}

// Asked is the form that was refused, "" for none.
func (d *seasonPage) Asked() string {
	if d.refused == nil {
		return ""
	}
	return d.refused.form
}

// dueGroup is what falls due in a stretch of time.
type dueGroup struct {
	ID      string // now, soon or later
	Jobs    []*dueJob
	Rigs    []*dueRig // what is due now, by its rigs
	Minutes int       // of the workshop's work
	Own     int       // of what plans give to operators
	Beyond  int       // past what a page shows
}

// First are the jobs that a phone shows at once, Rest those it folds.
func (g dueGroup) First() []*dueJob { return g.Jobs[:min(len(g.Jobs), seasonAtOnce)] }
func (g dueGroup) Rest() []*dueJob  { return g.Jobs[len(g.First()):] }

// VisitsFirst and VisitsRest are likewise the suggested visits.
func (d *seasonPage) VisitsFirst() []seasonStop { return d.Visits[:min(len(d.Visits), seasonAtOnce)] }
func (d *seasonPage) VisitsRest() []seasonStop  { return d.Visits[len(d.VisitsFirst()):] }

// AskedBelow says whether the form that was refused stands among the folded visits.
func (d *seasonPage) AskedBelow() bool {
	return slices.ContainsFunc(d.VisitsRest(), func(s seasonStop) bool { return s.Form == d.Asked() })
}

// dueRig is what is due now on one rig: its most pressing job, and the others.
type dueRig struct {
	Rig, Name string
	First     *dueJob
	Rest      []*dueJob
	Open      bool // one of the others is being decided on
}

// BeyondAll counts those too that are not shown.
func (g dueGroup) BeyondAll() int { return len(g.Jobs) + g.Beyond }

type dueJob struct {
	seasonJob
	Rig, RigName, Yard, PartName string
	Stage                        fleet.Stage
	BookedOn, BookedFor, Worker  string
	Deferred                     string    // its reason
	On                           plan.Date // the day whose load it is
	Now                          bool      // it is due already
	To                           string    // where it is decided on
	Moves                        *jobMoves
}

// seasonStop is a suggested visit of a rig.
type seasonStop struct {
	seasonVisit
	Rig, RigName, Yard string
	Form               string // the form's name on the page
	Bookable           int
	PartNames          map[string]string
	Booked             map[string]string // item to its day
}

type bookingRow struct {
	*fleet.Booking
	Yard, RigName string
	Hectares      float64
	Hours         float64
	Percent       int
	InWay         string
	Gone          bool
	Both          bool        // booked to work and to rest on one of its days
	Shop          []plan.Date // days of it on which jobs are booked in the workshop
}

// Bounds of the page; what is beyond is counted.
const (
	seasonGroupMost   = 60
	seasonVisitMost   = 30
	seasonBookingMost = 60
	seasonAtOnce      = 8 // before a phone folds the rest
)

func showSeason(v *visit) error {
	d := &seasonPage{Yard: v.query("yard"), Weeks: 6, Today: v.today(), refused: v.refused}
	if v.query("weeks") == "2" {
		d.Weeks = 2
	}
	d.Until = d.Today.AddDays(7 * d.Weeks)
	d.Here = "/season?weeks=" + strconv.Itoa(d.Weeks)
	if d.Yard != "" {
		d.Here += "&yard=" + url.QueryEscape(d.Yard)
	}
	var codes []string
	v.fleet.View(func(s *fleet.State) {
		d.All, codes = v.rigsAt(s, d.Yard)
	})
	codes = codes[:min(len(codes), rigsMost)]
	known, waiting, older := v.seasonsOf(codes, d.Today)
	d.Waiting, d.Older = waiting, older
	chosen := v.query("job")
	var due []*dueJob
	for some := range slices.Chunk(codes, 25) { // one look for a few rigs, so that nobody waits for all of them
		v.fleet.View(func(s *fleet.State) {
			for _, code := range some {
				if r := s.Rigs[code]; r != nil && !r.Retired {
					d.Rigs = append(d.Rigs, seasonRig{r.Rig, r.Name, r.Yard})
					if of := known[code]; of != nil {
						due = append(due, d.dueOf(s, r, of)...)
						d.mayStop(r.Rig, of)
					}
					d.bookingsOf(s, r, known[code])
				}
			}
			if it := s.Items[chosen]; it != nil && d.Job == nil && slices.Contains(some, it.Rig) {
				d.Job = v.movesOf(s, it)
			}
		})
	}
	v.fleet.View(d.stops)
	d.group(due)
	d.draw(due)
	d.sort()
	if v.refused != nil {
		v.refusedAtField()
	}
	if d.Job != nil || v.refused != nil {
		return v.show("season.html", word("The season"), "/season", d)
	}
	return v.showLive("season.html", word("The season"), "/season", d)
}

// dueOf gives a rig's jobs with how far each has come. Within View.
func (d *seasonPage) dueOf(s *fleet.State, r *fleet.Rig, of *rigSeason) (all []*dueJob) {
	for _, j := range of.jobs {
		row := &dueJob{seasonJob: j, Rig: r.Rig, RigName: r.Name, Yard: r.Yard, On: j.By}
		if p := s.Parts[j.Part]; p != nil {
			row.PartName = partOn(r.Rig, p)
		}
		if it := s.Items[j.Item]; it != nil {
			row.Stage, row.BookedOn, row.BookedFor, row.Worker = it.Stage, it.BookedOn, it.BookedFor, it.Worker
			if it.Deferral != nil {
				row.Deferred = it.Deferral.Reason
			}
			switch day, err := plan.ParseDate(it.BookedOn); {
			case it.Stage == fleet.InHand:
				row.On = d.Today
			case it.Stage == fleet.Booked && err == nil:
				row.On = day
			}
		}
		row.On = d.notBefore(row.On)
		all = append(all, row)
	}
	return all
}

// group sorts the jobs into what is due now, within two weeks, and after.
func (d *seasonPage) group(due []*dueJob) {
	binding := func(j *dueJob) int {
		if j.Weight.Binding() {
			return 1
		}
		return 0
	}
	groups := []dueGroup{{ID: "now"}, {ID: "soon"}, {ID: "later"}}
	slices.SortFunc(due, func(a, b *dueJob) int {
		return cmp.Or(compareDates(d.notBefore(a.By), d.notBefore(b.By)), cmp.Compare(b.Status.Rank(), a.Status.Rank()), cmp.Compare(binding(b), binding(a)), cmp.Compare(a.Rig, b.Rig), cmp.Compare(a.Key, b.Key))
	})
	for _, j := range due {
		at := &groups[2]
		switch {
		case j.By.IsZero() || j.By.After(d.Until):
			continue
		case !j.By.After(d.Today):
			at, j.Now = &groups[0], true
		case !j.By.After(d.Today.AddDays(14)):
			at = &groups[1]
		}
		if j.Operator {
			at.Own += j.Minutes
		} else {
			at.Minutes += j.Minutes
		}
		chosen := d.Job != nil && d.Job.Item == j.Item && j.Item != ""
		if len(at.Jobs) >= seasonGroupMost && !chosen {
			at.Beyond++
			continue
		}
		if chosen {
			j.Moves = d.Job
		}
		j.To = d.Here + "&job=" + url.QueryEscape(j.Item) + "#chosen"
		at.Jobs = append(at.Jobs, j)
	}
	groups[0].byRig()
	if d.Weeks == 2 {
		groups = groups[:2]
	}
	d.Dues = groups
}

// byRig puts what is due now under its rigs, the rig with the most pressing job first.
func (g *dueGroup) byRig() {
	of := map[string]*dueRig{}
	for _, j := range g.Jobs {
		r := of[j.Rig]
		if r == nil {
			r = &dueRig{Rig: j.Rig, Name: j.RigName, First: j}
			of[j.Rig] = r
			g.Rigs = append(g.Rigs, r)
			continue
		}
		r.Rest = append(r.Rest, j)
		r.Open = r.Open || j.Moves != nil
	}
}

// notBefore takes a day that has gone by for today.
func (d *seasonPage) notBefore(day plan.Date) plan.Date {
	if !day.IsZero() && day.Before(d.Today) {
		return d.Today
	}
	return day
}

func compareDates(a, b plan.Date) int {
	switch {
	case a.IsZero() && b.IsZero():
		return 0
	case a.IsZero():
		return 1
	case b.IsZero():
		return -1
	}
	return a.Compare(b)
}

// mayStop gathers a rig's visits.
func (d *seasonPage) mayStop(rig string, of *rigSeason) {
	for i := range of.visits {
		if v := &of.visits[i]; !v.Day.After(d.Until) {
			d.may = append(d.may, mayStop{rig, v})
		}
	}
}

// stops suggests the visits that are nearest. Within View.
func (d *seasonPage) stops(s *fleet.State) {
	slices.SortFunc(d.may, func(a, b mayStop) int {
		return cmp.Or(a.visit.Day.Compare(b.visit.Day), cmp.Compare(b.visit.Stops, a.visit.Stops), cmp.Compare(a.rig, b.rig))
	})
	for _, m := range d.may {
		r, visit := s.Rigs[m.rig], *m.visit
		if r == nil {
			continue
		}
		if visit.Booking == "" && len(d.Visits) == seasonVisitMost {
			d.VisitsBeyond++
			continue
		}
		stop := seasonStop{seasonVisit: visit, Rig: r.Rig, RigName: r.Name, Yard: r.Yard, PartNames: map[string]string{}, Booked: map[string]string{}}
		stop.Form = visitForm(r.Rig, &visit)
		stop.Jobs = slices.Clone(visit.Jobs) // what is known of the rig is shared
		open := 0
		for i := range stop.Jobs {
			j := &stop.Jobs[i]
			if p := s.Parts[j.Part]; p != nil {
				stop.PartNames[j.Part] = partOn(r.Rig, p)
			}
			it := s.Items[j.Item]
			switch {
			case it == nil || !it.Stage.Open():
				open++
			case it.Stage == fleet.Raised:
				open++
				j.Can = true
			case it.Stage == fleet.Booked:
				stop.Booked[j.Item] = it.BookedOn
				if it.BookedOn != visit.Day.String() {
					j.Can = true
					open++
				}
			}
			if j.Can {
				stop.Bookable++
			}
			j.Ticked = j.Can
			if d.refused != nil && d.refused.form == stop.Form {
				j.Ticked = d.refused.typed.Get("s:/items/"+strconv.Itoa(i)) != ""
			}
		}
		if open == 0 {
			continue // all of it is booked or in hand
		}
		if visit.Booking != "" {
			d.Rests = append(d.Rests, stop)
		} else {
			d.Visits = append(d.Visits, stop)
		}
	}
}

// visitForm names a visit's form by what it holds, so that ticks which a browser
// has kept never come to stand at other jobs.
func visitForm(rig string, v *seasonVisit) string {
	of := fnv.New32a()
	for i := range v.Jobs {
		_, _ = of.Write([]byte(v.Jobs[i].Key + "\n" + v.Jobs[i].Item + "\n"))
	}
	return fmt.Sprintf("visit-%s-%s-%08x", rig, v.Day, of.Sum32())
}

// bookingsOf gives a rig's bookings that have not gone by. Within View.
func (d *seasonPage) bookingsOf(s *fleet.State, r *fleet.Rig, of *rigSeason) {
	for _, id := range r.Booked {
		b := s.Bookings[id]
		if b == nil || b.Cancelled || b.To < d.Today.String() || b.From > d.Until.String() {
			continue
		}
		copied := *b
		row := bookingRow{Booking: &copied, Yard: r.Yard, RigName: r.Name, Hectares: meter.Area.FromBase(b.AreaM2), Hours: meter.Hours.FromBase(b.Seconds), Percent: -1}
		if of != nil && !b.Rest {
			if c, ok := of.bookings[id]; ok {
				row.Percent, row.InWay = int(c.Chance*100+0.5), c.InWay
			}
		}
		row.Both = slices.ContainsFunc(r.Booked, func(id string) bool {
			other := s.Bookings[id]
			return other != nil && !other.Cancelled && other.Rest != b.Rest && other.From <= b.To && b.From <= other.To // canonical dates sort as text
		})
		for _, item := range r.Open {
			if it := s.Items[item]; !b.Rest && it.Stage == fleet.Booked && b.From <= it.BookedOn && it.BookedOn <= b.To {
				if day, err := plan.ParseDate(it.BookedOn); err == nil && !slices.Contains(row.Shop, day) {
					row.Shop = append(row.Shop, day)
				}
			}
		}
		slices.SortFunc(row.Shop, plan.Date.Compare)
		d.Bookings = append(d.Bookings, row)
	}
}

func (d *seasonPage) sort() {
	slices.SortFunc(d.Bookings, func(a, b bookingRow) int {
		return cmp.Or(strings.Compare(a.From, b.From), strings.Compare(a.Rig, b.Rig), strings.Compare(a.Booking.Booking, b.Booking.Booking))
	})
	if more := len(d.Bookings) - seasonBookingMost; more > 0 {
		d.Bookings, d.BookingsBeyond = d.Bookings[:seasonBookingMost], more
	}
}
