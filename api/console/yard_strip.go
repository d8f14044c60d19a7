package console

import (
	"fmt"
	"strings"
	"time"

	"rigledger/fleet/plan"
)

// strip draws the six weeks from today: what is booked as blocks, the days in which
// the next jobs fall due as lines with a knob at the middle one.
type strip struct {
	Work, Rest string // path data; blocks and outlines
	Lines      string // from the early day to the late one
	Knobs      string
	On         int // the day asked about, from the left; below 0 when it is not on the strip
	Booked     int
	Jobs       int
}

// A day is ten units wide.
const (
	stripDays  = 42
	dayWide    = 10
	stripHigh  = 32
	stripLines = 3 // jobs that are drawn
)

type stripSpan struct {
	from, to plan.Date
	rest     bool
}

func stripOf(today, on plan.Date, booked []stripSpan, jobs []aheadJob) strip {
	d := strip{On: today.DaysUntil(on) * dayWide}
	if d.On >= stripDays*dayWide {
		d.On = -1
	}
	var work, rest, lines, knobs strings.Builder
	for _, b := range booked {
		from, to := max(0, today.DaysUntil(b.from)), min(stripDays, today.DaysUntil(b.to)+1)
		if from >= to {
			continue
		}
		d.Booked++
		into := &work
		if b.rest {
			into = &rest
		}
		fmt.Fprintf(into, "M%d 3h%dv9H%dz", from*dayWide+1, (to-from)*dayWide-2, from*dayWide+1)
	}
	for _, j := range jobs {
		if j.Status.Rank() >= plan.IsDue.Rank() || j.Middle.IsZero() || d.Jobs == stripLines {
			continue
		}
		from, middle := today.DaysUntil(j.Early), today.DaysUntil(j.Middle)
		to := stripDays - 1
		if !j.Late.IsZero() {
			to = min(to, today.DaysUntil(j.Late))
		}
		if from >= stripDays || from < 0 {
			continue
		}
		y := 16 + 5*d.Jobs
		d.Jobs++
		fmt.Fprintf(&lines, "M%d %dH%d", from*dayWide+5, y, max(to, from)*dayWide+6)
		if middle < stripDays {
			fmt.Fprintf(&knobs, "M%d %dv4", middle*dayWide+5, y-2)
		}
	}
	d.Work, d.Rest, d.Lines, d.Knobs = work.String(), rest.String(), lines.String(), knobs.String()
	return d
}

// stripScale names the weeks above the strips.
type stripScale struct {
	Weeks []stripWeek
	Ticks string
}

type stripWeek struct {
	X    int
	From string // the Monday's day and month
}

func scaleFrom(today plan.Date) stripScale {
	var sc stripScale
	for n := 0; n < stripDays; n++ {
		if day := today.AddDays(n); day.Weekday() == time.Monday {
			sc.Weeks = append(sc.Weeks, stripWeek{n * dayWide, day.Time(time.UTC).Format("2 Jan")})
			sc.Ticks += fmt.Sprintf("M%d 0V%d", n*dayWide, stripHigh)
		}
	}
	return sc
}
