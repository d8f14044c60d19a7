package console

import (
	"cmp"
	"net/url"
	"slices"
	"strings"
	"time"

	"rigledger/fleet"
	"rigledger/fleet/meter"
	"rigledger/fleet/plan"
)

var yardPages = []page{{"/", nil, showYard}}

// yardPage answers one question: who can go out on a day.
type yardPage struct {
	On, Today plan.Date
	Weekday   string
	Gone      bool // the day asked for has gone by; On is another
	Near      []nearDay
	Yards     []string // that the person may see
	Yard      string   // the one looked at, "" for all
	Find      string
	Sort      string
	Sorts     []option
	All       string // address without yard and search
	Scale     stripScale
	Groups    []yardGroup
	Rigs      int // on the page
	Elsewhere int // left out by yard or search
	Torn      []*ride
	Waiting   int // rigs whose days are still being worked out
	Beyond    int // rigs past the bound of a page
}

type nearDay struct {
	Name, To string
	Here     bool
}

// yardGroup is one answer with its rigs; Folded are those that a click shows.
type yardGroup struct {
	ID, Name, Means string
	One, Many       string // how the summary says it of one rig and of several
	Rigs            int
	Shown, Folded   []*ride
}

// Bounds of the page: more rigs than that are counted and not shown; a group
// shows so many before the rest is folded.
const (
	rigsMost  = 1000
	groupOpen = 20
)

func showYard(v *visit) error {
	d := yardPage{Today: v.today(), Yard: v.query("yard"), Find: strings.TrimSpace(v.query("find")), Sort: v.query("sort")}
	if !slices.Contains([]string{"code", "hours", "next"}, d.Sort) {
		d.Sort = "decision"
	}
	d.Sorts = []option{{"decision", word("nearest booking first")}, {"code", word("by code")}, {"hours", word("most hours first")}, {"next", word("next job first")}}
	d.askFor(v.query("on"), v.now.In(v.zone))
	d.nearDays()
	d.Scale = scaleFrom(d.Today)

	codes, silent := v.yardRigs(&d)
	ahead, waiting := v.ahead.of(v.Console, codes, d.Today)
	d.Waiting = waiting
	var rides []*ride
	for some := range slices.Chunk(codes, 25) { // one look for a few rigs, so that nobody waits for all of them
		v.fleet.View(func(s *fleet.State) {
			for _, code := range some {
				if r := s.Rigs[code]; r != nil && !r.Retired {
					one := *v.rideOf(s, r, ahead[code], d.On, d.Today)
					one.Silent = silent[code]
					if d.Find == "" || strings.Contains(one.Words, strings.ToLower(d.Find)) {
						rides = append(rides, &one)
					} else {
						d.Elsewhere++
					}
				}
			}
		})
	}
	d.arrange(rides)
	return v.showLive("yard.html", word("The yard"), "/", d)
}

// yardRigs lists the rigs to show, by code, and for how many days those are
// silent that should be heard of.
func (v *visit) yardRigs(d *yardPage) (codes []string, silent map[string]int) {
	silent = map[string]int{}
	v.fleet.View(func(s *fleet.State) {
		for code, r := range s.Rigs {
			if r.Retired || !v.who.MaySee(r.Yard) {
				continue
			}
			if !slices.Contains(d.Yards, r.Yard) {
				d.Yards = append(d.Yards, r.Yard)
			}
			if d.Yard != "" && r.Yard != d.Yard {
				d.Elsewhere++
				continue
			}
			codes = append(codes, code)
			if s.Silent(r, v.now) {
				since := r.LastHeard
				if since.IsZero() {
					since = r.Registered
				}
				silent[code] = plan.Of(since, v.zone).DaysUntil(d.Today)
			}
		}
	})
	slices.Sort(d.Yards)
	slices.Sort(codes)
	if len(codes) > rigsMost {
		d.Beyond = len(codes) - rigsMost
		codes = codes[:rigsMost]
	}
	return codes, silent
}

// askFor sets the day that is asked about: the one in the address, else the next
// working day.
func (d *yardPage) askFor(text string, now time.Time) {
	d.On = nextWorkingDay(now)
	if on, err := plan.ParseDate(text); err == nil && d.Today.DaysUntil(on) <= 366 {
		if d.Gone = on.Before(d.Today); !d.Gone {
			d.On = on
		}
	}
	d.Weekday = weekdays[d.On.Weekday()]
}

// nextWorkingDay is the day that a manager who asks now has to decide about: today
// before noon, else the next day, and Monday instead of Saturday and Sunday.
func nextWorkingDay(now time.Time) plan.Date {
	day := plan.Of(now, now.Location())
	if now.Hour() >= 12 && day.Weekday() != time.Saturday && day.Weekday() != time.Sunday {
		day = day.AddDays(1)
	}
	for day.Weekday() == time.Saturday || day.Weekday() == time.Sunday {
		day = day.AddDays(1)
	}
	return day
}

var weekdays = [...]string{word("Sunday"), word("Monday"), word("Tuesday"), word("Wednesday"), word("Thursday"), word("Friday"), word("Saturday")}

// nearDays are the days that are asked about most.
func (d *yardPage) nearDays() {
	monday := d.Today.AddDays(1)
	for monday.Weekday() != time.Monday {
		monday = monday.AddDays(1)
	}
	for _, day := range []struct {
		name string
		on   plan.Date
	}{{word("today"), d.Today}, {word("tomorrow"), d.Today.AddDays(1)}, {word("next Monday"), monday}} {
		if len(d.Near) == 2 && day.on == d.Today.AddDays(1) {
			continue // Monday is tomorrow
		}
		d.Near = append(d.Near, nearDay{day.name, d.address(day.on, d.Yard, d.Find), day.on == d.On})
	}
	d.All = d.address(d.On, "", "")
}

func (d *yardPage) address(on plan.Date, yard, find string) string {
	q := url.Values{"on": {on.String()}}
	for name, value := range map[string]string{"yard": yard, "find": find} {
		if value != "" {
			q.Set(name, value)
		}
	}
	if d.Sort != "decision" {
		q.Set("sort", d.Sort)
	}
	return "/?" + q.Encode()
}

// arrange puts the rigs under their answers, in the order asked for.
func (d *yardPage) arrange(rides []*ride) {
	slices.SortStableFunc(rides, orderOf(d.Sort))
	groups := []yardGroup{
		{ID: "stays", One: word("stays in"), Many: word("stay in"), Name: word("Stays in"), Means: word("Not to be used on that day until what stops it is cleared.")},
		{ID: "if", One: word("goes if something is done or looked at first"), Many: word("go if something is done or looked at first"), Name: word("Goes if …"), Means: word("Something falls due by then or wants a look first. Who sends it out decides.")},
		{ID: "goes", One: word("goes"), Many: word("go"), Name: word("Goes"), Means: word("Nothing on record holds it back. What the operator does before going out stands with it.")},
		{ID: "rests", One: word("rests"), Many: word("rest"), Name: word("Rests"), Means: word("It is booked to rest on that day.")},
	}
	for _, one := range rides {
		g := &groups[one.Answer]
		g.Rigs++
		if len(g.Shown) < groupOpen {
			g.Shown = append(g.Shown, one)
		} else {
			g.Folded = append(g.Folded, one)
		}
		if one.Answer == staysIn && one.OutThen {
			d.Torn = append(d.Torn, one)
		}
	}
	d.Rigs = len(rides)
	for _, g := range groups {
		if g.Rigs > 0 {
			d.Groups = append(d.Groups, g)
		}
	}
}

// orderOf compares two rigs of one answer. What needs a decision first: work booked
// for the day asked about, then the nearest booking, then what is done soonest.
func orderOf(by string) func(a, b *ride) int {
	switch by {
	case "code":
		return func(a, b *ride) int { return cmp.Compare(a.Rig, b.Rig) }
	case "hours":
		return func(a, b *ride) int {
			return cmp.Or(cmp.Compare(amountOf(b.Hours), amountOf(a.Hours)), cmp.Compare(a.Rig, b.Rig))
		}
	case "next":
		return func(a, b *ride) int { return cmp.Or(nextOf(a).Compare(nextOf(b)), cmp.Compare(a.Rig, b.Rig)) }
	}
	return func(a, b *ride) int {
		return cmp.Or(truthFirst(a.OutThen, b.OutThen), bookedFrom(a).Compare(bookedFrom(b)), cmp.Compare(a.Minutes, b.Minutes), cmp.Compare(a.Rig, b.Rig))
	}
}

func amountOf(of *float64) float64 {
	if of == nil {
		return -1
	}
	return *of
}

var never = plan.On(9999, time.December, 31)

func nextOf(r *ride) plan.Date {
	switch {
	case r.Minutes > 0 || r.Next != nil && r.Next.Due():
		return plan.Date{} // there is work due already
	case r.Next == nil || !r.Next.Band.P50.OK:
		return never
	}
	return r.Next.Band.P50.Date
}

func bookedFrom(r *ride) plan.Date {
	if r.Booking == nil {
		return never
	}
	return r.Booking.From
}

func truthFirst(a, b bool) int {
	switch {
	case a == b:
		return 0
	case a:
		return -1
	}
	return 1
}

// totalOf is the total of the rig's first meter of a quantity, nil without one.
func totalOf(r *fleet.Rig, q meter.Quantity) *float64 {
	m := r.MeterOf(q, "pump")
	if m == nil {
		return nil
	}
	base, _ := m.Series.Total()
	total := q.FromBase(base)
	return &total
}
