package console

import (
	"cmp"
	"net/url"
	"slices"

	"rigledger/fleet"
	"rigledger/fleet/plan"
)

var workshopPages = []page{
	{"/workshop", nil, showWorkshop},
	{"/items/:item", nil, showJob},
	{"/items/:item/card", nil, showCard},
	{"/items/:item/files/:file", nil, showJobFile},
}

// workshopPage answers: what is to be done today, and with which parts.
type workshopPage struct {
	Date, Today  plan.Date
	Before, Next string // addresses of the days beside it
	Yard         string
	All          []string
	Yards        []*workshopYard
	Always       plan.Caution // before any job
}

type workshopYard struct {
	Yard    string
	To      string // its own page
	Jobs    []dayJob
	Pick    []plan.Spare
	Minutes int
	Binding int // safety and statutory jobs among them
	Beyond  int
}

// AllJobs counts those too that are not shown.
func (y *workshopYard) AllJobs() int { return len(y.Jobs) + y.Beyond }

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

// Bounds of the list: of each yard where several are shown, and of one.
const (
	workshopMost    = 50
	workshopMostOne = 300
)

func showWorkshop(v *visit) error {
	d := workshopPage{Today: v.today(), Yard: v.query("yard"), Always: plan.Cautions(nil)[0]}
	d.Date = d.Today
	if asked := v.query("date"); asked != "" {
		day, err := plan.ParseDate(asked)
		if err != nil {
			return &fleet.Error{Code: fleet.Invalid, Message: word("The day must be a date like 2026-05-04.")}
		}
		d.Date = day
	}
	d.Before, d.Next = workshopAt(d.Yard, d.Date.AddDays(-1)), workshopAt(d.Yard, d.Date.AddDays(1))
	byYard := map[string][]dayJob{}
	var codes []string
	v.fleet.View(func(s *fleet.State) {
		d.All, codes = v.rigsAt(s, d.Yard)
	})
	for some := range slices.Chunk(codes, 25) { // one look for a few rigs, so that nobody waits for all of them
		v.fleet.View(func(s *fleet.State) {
			for _, code := range some {
				if r := s.Rigs[code]; r != nil && !r.Retired {
					byYard[r.Yard] = append(byYard[r.Yard], v.dayOf(s, r, d.Date)...)
				}
			}
		})
	}
	for _, yard := range d.All {
		if d.Yard == "" || d.Yard == yard {
			d.Yards = append(d.Yards, d.yard(yard, byYard[yard]))
		}
	}
	return v.showLive("workshop.html", word("The workshop"), "/workshop", d)
}

func workshopAt(yard string, day plan.Date) string {
	to := "/workshop?date=" + day.String()
	if yard != "" {
		to += "&yard=" + url.QueryEscape(yard)
	}
	return to
}

func (d *workshopPage) yard(yard string, jobs []dayJob) *workshopYard {
	y := &workshopYard{Yard: yard, To: workshopAt(yard, d.Date), Jobs: jobs}
	slices.SortFunc(y.Jobs, pressing)
	pick := map[string]*plan.Spare{}
	for i := range y.Jobs {
		j := &y.Jobs[i]
		y.Minutes += j.Minutes
		if j.Weight.Binding() {
			y.Binding++
		}
		for _, p := range j.pick {
			if known := pick[p.SKU]; known != nil {
				known.Count += p.Count
			} else {
				pick[p.SKU] = &p
			}
		}
	}
	for _, p := range pick {
		y.Pick = append(y.Pick, *p)
	}
	slices.SortFunc(y.Pick, func(a, b plan.Spare) int { return cmp.Compare(a.SKU, b.SKU) })
	most := workshopMost
	if d.Yard != "" {
		most = workshopMostOne
	}
	if len(y.Jobs) > most {
		y.Beyond, y.Jobs = len(y.Jobs)-most, y.Jobs[:most]
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
		j.PartName = p.Name
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
