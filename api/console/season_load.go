package console

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	"rigledger/fleet/plan"
)

// The drawing of the workshop's load. All lengths are in its own units.
const (
	laneWidth   = 900
	laneLeft    = 8
	laneStrip   = 16  // height of one line of bookings
	laneStrips  = 5   // lines of bookings that are drawn
	laneBars    = 110 // height of the fullest stretch
	laneCaption = 22  // for the minutes above the bars
	laneFoot    = 22
)

// lane is one yard over the weeks: bookings above, minutes of work below.
type lane struct {
	Yard       string
	Width      int
	Height     int
	Foot       int // where the bars stand
	Stretches  []*stretch
	Bookings   []bookedSpan
	MoreBooked int
	Says       string // the drawing in words
}

// stretch is a day or a week of a lane. Every job is counted once among Booked
// and Planned, and once more among Early where it may come sooner than planned.
type stretch struct {
	From, To                plan.Date
	Booked, Planned, Early  int // minutes
	X, W                    int
	BookedY, BookedH        int
	PlannedY, PlannedH      int
	EarlyY, EarlyH          int
	CaptionY, Middle, Label int
	Day                     bool // one day, not a week
	Free                    bool // Saturday or Sunday
}

// All is what is planned for the stretch, booked or not.
func (s *stretch) All() int { return s.Booked + s.Planned }

// Caption names the stretch under its bar: Mon 4, 4–10 May, or 25 May – 1 Jun.
func (s *stretch) Caption() string {
	from, to := s.From.Time(time.UTC), s.To.Time(time.UTC)
	switch {
	case s.Day:
		return from.Format("Mon 2")
	case s.From.Month == s.To.Month:
		return from.Format("2") + "–" + to.Format("2 Jan")
	}
	return from.Format("2 Jan") + " – " + to.Format("2 Jan")
}

// bookedSpan is a booking drawn over its days.
type bookedSpan struct {
	X, Y, W, TextX, TextY int
	Rest, Behind          bool // Behind: its name stands behind it
	Label                 string
}

func (d *seasonPage) draw(due []*dueJob) {
	byYard := map[string]*lane{}
	lanes := func(yard string) *lane {
		l := byYard[yard]
		if l == nil {
			l = d.newLane(yard)
			byYard[yard] = l
			d.Lanes = append(d.Lanes, l)
		}
		return l
	}
	for _, r := range d.Rigs {
		lanes(r.Yard)
	}
	for i := range due {
		if due[i].Operator {
			continue // the workshop has no work with it
		}
		lanes(due[i].Yard).count(due[i])
	}
	booked := map[string][]*bookingRow{}
	for i := range d.Bookings {
		booked[d.Bookings[i].Yard] = append(booked[d.Bookings[i].Yard], &d.Bookings[i])
	}
	slices.SortFunc(d.Lanes, func(a, b *lane) int { return cmp.Compare(a.Yard, b.Yard) })
	for _, l := range d.Lanes {
		l.layOut(d.Today, 7*d.Weeks, booked[l.Yard])
	}
}

// newLane has a stretch for each day of two weeks, or for each of six weeks.
func (d *seasonPage) newLane(yard string) *lane {
	l := &lane{Yard: yard, Width: laneWidth}
	n, length := 6, 7
	if d.Weeks == 2 {
		n, length = 14, 1
	}
	for i := range n {
		s := &stretch{From: d.Today.AddDays(i * length), To: d.Today.AddDays((i+1)*length - 1), Day: length == 1}
		s.X = laneLeft + i*(laneWidth-2*laneLeft)/n
		s.W = laneLeft + (i+1)*(laneWidth-2*laneLeft)/n - s.X
		s.Free = s.Day && (s.From.Weekday() == 0 || s.From.Weekday() == 6)
		l.Stretches = append(l.Stretches, s)
	}
	return l
}

func (l *lane) at(day plan.Date) *stretch {
	for _, s := range l.Stretches {
		if !day.IsZero() && !day.Before(s.From) && !day.After(s.To) {
			return s
		}
	}
	return nil
}

func (l *lane) count(j *dueJob) {
	on := l.at(j.On)
	fixed := j.Stage == "booked" || j.Stage == "in-hand"
	switch {
	case on != nil && fixed:
		on.Booked += j.Minutes
	case on != nil:
		on.Planned += j.Minutes
	}
	if early := l.at(j.Early); !fixed && early != nil && early != on {
		early.Early += j.Minutes
	}
}

// layOut works out where everything is drawn.
func (l *lane) layOut(today plan.Date, days int, booked []*bookingRow) {
	lines := l.place(today, days, booked)
	top := lines*laneStrip + laneCaption
	l.Foot = top + laneBars
	l.Height = l.Foot + laneFoot
	most := 60
	for _, s := range l.Stretches {
		most = max(most, s.Booked+s.Planned+s.Early)
	}
	var says []string
	for _, s := range l.Stretches {
		up := func(minutes int, from *int) (y, h int) {
			h = minutes * laneBars / most
			if minutes > 0 {
				h = max(h, 2)
			}
			*from -= h
			return *from, h
		}
		y := l.Foot
		s.BookedY, s.BookedH = up(s.Booked, &y)
		s.PlannedY, s.PlannedH = up(s.Planned, &y)
		s.EarlyY, s.EarlyH = up(s.Early, &y)
		s.CaptionY, s.Middle, s.Label = y-5, s.X+s.W/2, l.Foot+15
		if s.All()+s.Early > 0 {
			says = append(says, fmt.Sprintf("%s: %s", s.From, workTime(s.All())))
		}
	}
	l.Says = strings.Join(says, ", ")
}

// place lays the bookings over their days, in as few lines as hold them.
func (l *lane) place(today plan.Date, days int, booked []*bookingRow) (lines int) {
	full := laneWidth - 2*laneLeft
	ends := []int{}
	for _, b := range booked {
		from, err1 := plan.ParseDate(b.From)
		to, err2 := plan.ParseDate(b.To)
		if err1 != nil || err2 != nil {
			continue
		}
		first, last := max(0, today.DaysUntil(from)), min(days-1, today.DaysUntil(to))
		if last < first {
			continue
		}
		line := slices.IndexFunc(ends, func(end int) bool { return end < first })
		if line < 0 {
			if len(ends) == laneStrips {
				l.MoreBooked++
				continue
			}
			line = len(ends)
			ends = append(ends, 0)
		}
		s := bookedSpan{X: laneLeft + first*full/days, Y: line * laneStrip, Rest: b.Rest, Label: b.Rig}
		s.W = laneLeft + (last+1)*full/days - s.X - 2
		s.TextX, s.TextY = s.X+4, s.Y+laneStrip-4
		end := last
		if name := 8 + 8*len(b.Rig); s.W < name { // it stands behind, and takes its room there
			s.TextX, s.Behind = s.X+s.W+4, true
			for laneLeft+(end+1)*full/days < s.TextX+name && end < days {
				end++
			}
		}
		ends[line] = end
		l.Bookings = append(l.Bookings, s)
	}
	return len(ends)
}
