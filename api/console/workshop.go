package console

import (
	"cmp"
	"net/url"
	"slices"
	"strings"

	"rigledger/fleet"
	"rigledger/fleet/plan"
)

var workshopPages = []page{
	{"/workshop", nil, showWorkshop},
	{"/items/:item", nil, showJob},
	{"/items/:item/card", nil, showCard},
	{"/items/:item/files/:file", nil, showJobFile},
}

// workshopPage answers: what is to be done today, on which rig first, and with
// which parts.
type workshopPage struct {
	Date, Today  plan.Date
	Before, Next string // addresses of the days beside it
	Back         string // and of today
	Yard, Rig    string // the yard and the rig looked at, "" for all
	Known        bool   // there is such a rig
	All          []string
	Yards        []*workshopYard
	Always       plan.Caution // before any job
}

// Whole is the address of the same day with all rigs.
func (d *workshopPage) Whole() string { return d.at(d.Yard, "", d.Date) }

// workshopYard is a yard's day: its rigs, the one with the most pressing job first.
type workshopYard struct {
	Yard    string
	To      string // its own page
	Rigs    []*benchRig
	Others  []*benchRig // past the bound of a page: named, with the way to each
	Pick    []plan.Spare
	Jobs    int // of all rigs
	Shown   int
	Minutes int // of the workshop's work
	Own     int // of what plans give to operators
	Binding int // safety and statutory jobs among them
}

// Ways lead to each rig of the day: a few in the order of the page, many by their
// code, since one looks for the code then.
func (y *workshopYard) Ways() (ways []benchWay) {
	for _, of := range y.Rigs {
		ways = append(ways, benchWay{of.Rig, "#rig-" + of.Rig, len(of.Jobs)})
	}
	for _, of := range y.Others {
		ways = append(ways, benchWay{of.Rig, of.To, len(of.Jobs)})
	}
	if y.Fold() {
		slices.SortFunc(ways, func(a, b benchWay) int { return cmp.Compare(a.Rig, b.Rig) })
	}
	return ways
}

// benchWay is the way to a rig's jobs.
type benchWay struct {
	Rig, To string
	Jobs    int
}

// Fold says whether the rigs' names would be a wall of their own.
func (y *workshopYard) Fold() bool { return len(y.Rigs)+len(y.Others) > 12 }

// dayJob is one job of a day's list.
type dayJob struct {
	Item, Title, Rig, RigName, PartName string
	Weight                              plan.Weight
	Operator                            bool
	Stage                               fleet.Stage
	Worker, BookedOn, BookedFor         string
	Status                              plan.Status
	Minutes                             int
	Estimated                           bool
	pick                                []plan.Spare
	fraction                            float64
}

// Bounds of the list, in jobs: of each yard where several are shown, and of one.
// A rig that has begun is shown whole.
const (
	workshopMost    = 50
	workshopMostOne = 300
)

func showWorkshop(v *visit) error {
	d := &workshopPage{Today: v.today(), Yard: v.query("yard"), Rig: strings.TrimSpace(v.query("rig")), Always: plan.Cautions(nil)[0]}
	d.Date = d.Today
	if asked := v.query("date"); asked != "" {
		day, err := plan.ParseDate(asked)
		if err != nil {
			return &fleet.Error{Code: fleet.Invalid, Message: word("The day must be a date like 2026-05-04.")}
		}
		d.Date = day
	}
	var codes []string
	v.fleet.View(func(s *fleet.State) {
		d.All, codes = v.rigsAt(s, d.Yard)
	})
	if d.Rig != "" {
		codes = slices.DeleteFunc(codes, func(code string) bool { return code != d.Rig })
		d.Known = len(codes) > 0
	}
	d.Before, d.Back, d.Next = d.at(d.Yard, d.Rig, d.Date.AddDays(-1)), d.at(d.Yard, d.Rig, plan.Date{}), d.at(d.Yard, d.Rig, d.Date.AddDays(1))
	byYard, home := map[string][]*benchRig{}, ""
	for some := range slices.Chunk(codes, 25) { // one look for a few rigs, so that nobody waits for all of them
		v.fleet.View(func(s *fleet.State) {
			for _, code := range some {
				if r := s.Rigs[code]; r != nil && !r.Retired {
					if of := v.benchOf(s, r, d.Date); of != nil {
						byYard[r.Yard] = append(byYard[r.Yard], of)
					}
					home = r.Yard
				}
			}
		})
	}
	for _, yard := range d.All {
		if (d.Yard == "" || d.Yard == yard) && (d.Rig == "" || home == yard) {
			d.Yards = append(d.Yards, d.yard(yard, byYard[yard]))
		}
	}
	v.fleet.View(func(s *fleet.State) {
		for _, y := range d.Yards {
			for _, of := range y.Rigs {
				of.stands(v, s)
			}
		}
	})
	return v.showLive("workshop.html", word("The workshop"), "/workshop", d)
}

// at is the address of a day's list; without a day it is that of today, whenever it is asked for.
func (d *workshopPage) at(yard, rig string, day plan.Date) string {
	q := url.Values{}
	for name, value := range map[string]string{"yard": yard, "rig": rig} {
		if value != "" {
			q.Set(name, value)
		}
	}
	if !day.IsZero() {
		q.Set("date", day.String())
	}
	if len(q) == 0 {
		return "/workshop"
	}
	return "/workshop?" + q.Encode()
}

func workshopAt(yard string, day plan.Date) string { return new(workshopPage).at(yard, "", day) }

// yard puts a yard's rigs in order and adds up their day.
func (d *workshopPage) yard(yard string, rigs []*benchRig) *workshopYard {
	y := &workshopYard{Yard: yard, To: d.at(yard, "", d.Date), Rigs: rigs}
	slices.SortFunc(y.Rigs, func(a, b *benchRig) int { return pressing(a.Jobs[0], b.Jobs[0]) })
	var picks []plan.Spare
	for _, of := range y.Rigs {
		of.To = d.at(yard, of.Rig, d.Date)
		y.Jobs, y.Minutes, y.Own, y.Binding = y.Jobs+len(of.Jobs), y.Minutes+of.Minutes, y.Own+of.Own, y.Binding+of.Binding
		picks = append(picks, of.Pick...)
	}
	y.Pick = picked(picks)
	most := workshopMost
	if d.Yard != "" {
		most = workshopMostOne
	}
	for i, of := range y.Rigs {
		if y.Shown >= most {
			y.Rigs, y.Others = y.Rigs[:i], y.Rigs[i:]
			break
		}
		y.Shown += len(of.Jobs)
	}
	return y
}

// dayOf gives a rig's jobs for a day, as GET /v1/workshop chooses them: those in
// hand, booked for the day or one before it, or due on it. Within View.
func (v *visit) dayOf(s *fleet.State, r *fleet.Rig, day plan.Date) (all []dayJob) {
	if len(r.Open) == 0 {
		return nil
	}
	var lines []fleet.DueLine
	if day == v.today() {
		lines = v.fleet.DueOf(s, r, v.now)
	} else {
		lines = s.Due(r, day)
	}
	for _, id := range r.Open {
		it := s.Items[id]
		var line *fleet.DueLine
		for i := range lines {
			if lines[i].Item == id {
				line = &lines[i]
				break
			}
		}
		wanted := it.Stage == fleet.InHand || it.Stage == fleet.Booked && it.BookedOn <= day.String()
		if wanted || line != nil && line.Due.Status.Rank() >= plan.IsDue.Rank() {
			all = append(all, dayJobOf(s, r, it, line))
		}
	}
	return all
}

func dayJobOf(s *fleet.State, r *fleet.Rig, it *fleet.Item, line *fleet.DueLine) dayJob {
	j := dayJob{
		Item: it.Item, Title: it.Task, Rig: r.Rig, RigName: r.Name, Weight: plan.Routine, Stage: it.Stage,
		Worker: it.Worker, BookedOn: it.BookedOn, BookedFor: it.BookedFor,
	}
	if p := s.Parts[it.Part]; p != nil {
		j.PartName = partOn(r.Rig, p)
	}
	if t := taskOfItem(s, it); t != nil {
		j.Title, j.Weight, j.Minutes, j.pick, j.Operator = t.Title, t.Weight, t.Minutes, t.Parts, t.By == plan.Operator
	}
	if line != nil {
		j.Status, j.fraction, j.Estimated = line.Due.Status, line.Due.Fraction, len(line.Estimated) > 0
	}
	return j
}

// taskOfItem is the item's task in the version of the plan that raised it, nil
// when there is none.
func taskOfItem(s *fleet.State, it *fleet.Item) *plan.Task {
	if p := s.PlanOf(fleet.PlanRef{Plan: it.Plan, Version: it.Version}); p != nil {
		return p.Task(it.Task)
	}
	return nil
}

// pressing is the order of the day: the status first, safety and statutory tasks
// before routine ones, then how far through its interval each is.
func pressing(a, b dayJob) int {
	binding := func(j dayJob) int {
		if j.Weight.Binding() {
			return 1
		}
		return 0
	}
	return cmp.Or(cmp.Compare(b.Status.Rank(), a.Status.Rank()), cmp.Compare(binding(b), binding(a)), cmp.Compare(b.fraction, a.fraction), cmp.Compare(a.Item, b.Item))
}
