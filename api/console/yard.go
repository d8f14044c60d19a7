package console

import (
	"fmt"
	"sort"
	"time"

	"rigledger/fleet"
	"rigledger/fleet/meter"
	"rigledger/fleet/plan"
)

var yardPages = []page{{"/", nil, showYard}}

type yardPage struct {
	Yards []yard
	Due   []dueYard
}

func showYard(v *visit) error {
	var d yardPage
	v.fleet.View(func(s *fleet.State) { d.Yards, d.Due = v.yardsOf(s, v.who, v.now) })
	return v.showLive("yard.html", word("The yard"), "/", d)
}

// yard is one yard with its rigs.
type yard struct {
	Yard string
	Rigs []rigRow
}

type rigRow struct {
	Rig, Name, Class string
	State            string // in words
	Stop             bool   // "do not use": the only thing that is red
	Reason           string // the first, and how many more
	Hours, Hectares  string
	Job              string // the most pressing
	Silent           int    // days
}

// dueYard is what is due in one yard.
type dueYard struct {
	Yard    string
	Jobs    []dueRow
	LeftOut int
}

type dueRow struct {
	Item, Rig, Name, Part, Task, Weight, Status, Stage, When string
	rank                                                     int
	fraction                                                 float64
}

// Bounds of a page; what is beyond them is counted.
const (
	rigsMost = 500
	jobsMost = 100
)

// yardsOf gathers both halves of the page. Within View.
func (c *Console) yardsOf(s *fleet.State, who fleet.Holder, now time.Time) ([]yard, []dueYard) {
	byYard := map[string]*yard{}
	jobs := map[string][]dueRow{}
	rigs := make([]*fleet.Rig, 0, len(s.Rigs))
	for _, r := range s.Rigs {
		if !r.Retired && who.MaySee(r.Yard) {
			rigs = append(rigs, r)
		}
	}
	sort.Slice(rigs, func(i, j int) bool { return rigs[i].Rig < rigs[j].Rig })
	for _, r := range rigs {
		y := byYard[r.Yard]
		if y == nil {
			y = &yard{Yard: r.Yard}
			byYard[r.Yard] = y
		}
		lines := c.fleet.DueOf(s, r, now)
		if len(y.Rigs) < rigsMost {
			y.Rigs = append(y.Rigs, c.rigRow(s, r, lines, now))
		}
		for i := range lines {
			if it := s.Items[lines[i].Item]; it != nil && lines[i].Due.Status.Rank() >= plan.IsDue.Rank() {
				jobs[r.Yard] = append(jobs[r.Yard], jobRow(r, it, &lines[i]))
			}
		}
	}
	var yards []yard
	for _, y := range byYard {
		yards = append(yards, *y)
	}
	sort.Slice(yards, func(i, j int) bool { return yards[i].Yard < yards[j].Yard })
	var due []dueYard
	for _, y := range yards {
		rows := jobs[y.Yard]
		sort.SliceStable(rows, func(i, j int) bool {
			if rows[i].rank != rows[j].rank {
				return rows[i].rank > rows[j].rank
			}
			return rows[i].fraction > rows[j].fraction
		})
		d := dueYard{Yard: y.Yard, Jobs: rows}
		if len(rows) > jobsMost {
			d.Jobs, d.LeftOut = rows[:jobsMost], len(rows)-jobsMost
		}
		due = append(due, d)
	}
	return yards, due
}

func (c *Console) rigRow(s *fleet.State, r *fleet.Rig, lines []fleet.DueLine, now time.Time) rigRow {
	fit := c.fleet.FitnessOf(s, r, now)
	row := rigRow{
		Rig: r.Rig, Name: r.Name, Class: r.Class, State: fit.State, Stop: fit.State == fleet.DoNotUse,
		Hours: totalOf(r, meter.Hours), Hectares: totalOf(r, meter.Area),
	}
	if n := len(fit.Reasons); n > 0 {
		first := fit.Reasons[0]
		for _, x := range fit.Reasons {
			if x.Stops {
				first = x
				break
			}
		}
		row.Reason = first.Text
		if n > 1 {
			row.Reason += fmt.Sprintf(", and %d more", n-1)
		}
	}
	if len(lines) > 0 && lines[0].Due.Status != plan.OK {
		row.Job = fmt.Sprintf("%s, %s: %s", lines[0].Task.Title, lines[0].Part.Name, lines[0].Due.Status)
	}
	since := r.LastHeard
	if since.IsZero() {
		since = r.Registered
	}
	row.Silent = max(0, plan.Of(since, s.Zone()).DaysUntil(plan.Of(now, s.Zone())))
	return row
}

// totalOf is the total of the rig's first meter of a quantity, to one decimal.
func totalOf(r *fleet.Rig, q meter.Quantity) string {
	m := r.MeterOf(q, "pump")
	if m == nil {
		return "–"
	}
	v, _ := m.Series.Total()
	return fmt.Sprintf("%.1f", q.FromBase(v))
}

func jobRow(r *fleet.Rig, it *fleet.Item, l *fleet.DueLine) dueRow {
	row := dueRow{
		Item: it.Item, Rig: r.Rig, Name: r.Name, Part: l.Part.Name, Task: l.Task.Title, Weight: string(l.Task.Weight),
		Status: string(l.Due.Status), Stage: string(it.Stage), rank: l.Due.Status.Rank(), fraction: l.Due.Fraction,
	}
	for q, left := range l.Due.Remaining.All() {
		if left <= 0 {
			row.When = fmt.Sprintf("%.1f %s past", float64(-left)/float64(q.Per()), q.Unit())
			break
		}
	}
	if !l.Due.Date.IsZero() && l.Due.RemainingDays <= 0 && row.When == "" {
		row.When = "since " + l.Due.Date.String()
	}
	if len(l.Estimated) > 0 && row.When != "" {
		row.When += " (estimated)"
	}
	return row
}
