package console

import (
	"cmp"
	"net/http"
	"slices"
	"strconv"
	"time"

	"rigledger/events"
	"rigledger/fleet"
	"rigledger/fleet/meter"
	"rigledger/fleet/plan"
)

// jobMoves is a job and what can be decided about it: booked, put off, struck.
type jobMoves struct {
	Item, Title, Rig, RigName, Yard, Part, PartName string
	Weight                                          plan.Weight
	Status                                          plan.Status
	Stage                                           fleet.Stage
	BookedOn, BookedFor, Worker                     string
	Limits                                          []jobLimit
	Date                                            plan.Date // its calendar limit, zero for none
	Why                                             string
	Step                                            string // its last step, which can be taken back
	Deferral                                        *events.ItemDeferred
	DeferBy                                         string
	Today                                           plan.Date
	Asked                                           string // the form that was refused
}

// Open says whether there is still something to do.
func (j *jobMoves) Open() bool { return j.Stage.Open() }

// Binding says whether the job may not be put off past its own limit.
func (j *jobMoves) Binding() bool { return j.Weight.Binding() }

// Back is the request that takes a step back right after it was made, "" where it
// would not bring back what was before: another booking, an earlier deferral.
func (j *jobMoves) Back(step string) string {
	if step == fleet.StepBooked && j.BookedOn != "" || step == fleet.StepDeferred && j.Deferral != nil {
		return ""
	}
	return "/v1/items/" + j.Item + "/return"
}

// jobLimit is a count of the part at which the job falls due.
type jobLimit struct {
	Field, Unit      string
	Limit, Now, Left float64
	Estimated        bool
}

// movesOf gathers a job as it stands, nil if the person may not see it. Within View.
func (v *visit) movesOf(s *fleet.State, it *fleet.Item) *jobMoves {
	r := s.Rigs[it.Rig]
	if r == nil || !v.who.MaySee(r.Yard) {
		return nil
	}
	j := &jobMoves{
		Item: it.Item, Title: it.Task, Rig: r.Rig, RigName: r.Name, Yard: r.Yard, Part: it.Part, Weight: plan.Routine, Stage: it.Stage, Step: it.Step(),
		BookedOn: it.BookedOn, BookedFor: it.BookedFor, Worker: it.Worker, Deferral: it.Deferral, DeferBy: it.DeferBy, Why: it.Why, Today: v.today(),
	}
	if v.refused != nil {
		j.Asked = v.refused.form
	}
	if p := s.Parts[it.Part]; p != nil {
		j.PartName = partOn(r.Rig, p)
	}
	if t := taskOfItem(s, it); t != nil {
		j.Title, j.Weight = t.Title, t.Weight
	}
	if !it.Stage.Open() {
		return j
	}
	for _, l := range v.fleet.DueOf(s, r, v.now) {
		if l.Item != it.Item {
			continue
		}
		j.Status, j.Date, j.Why = l.Due.Status, l.Due.Date, l.Due.Why
		for q, limit := range l.Due.At.All() {
			left, _ := l.Due.Remaining.Get(q)
			j.Limits = append(j.Limits, jobLimit{
				Field: q.Unit(), Unit: rigUnit(q.Unit()), Limit: human(q, limit), Now: human(q, limit-left), Left: human(q, left),
				Estimated: slices.ContainsFunc(l.Estimated, func(e meter.Quantity) bool { return string(e) == q.String() }),
			})
		}
	}
	return j
}

func human(q plan.Quantity, base int64) float64 { return float64(base) / float64(q.Per()) }

// refusedAtField shows a rule that forbids a new limit at the field of the limit:
// the rule is about the item, so the API names no field.
func (v *visit) refusedAtField() {
	r := v.refused
	if r.status == http.StatusForbidden && len(r.fields) == 0 && r.form == "defer" {
		r.fields["d:/until"] = r.whole
	}
}

// jobPage is one job from the cautions before it to what it came to.
type jobPage struct {
	*jobMoves
	Kind, Position     string
	Cautions           []plan.Caution
	Condition          *jobCondition
	Calibrate          bool
	Includes           []string // titles of tasks that count as done with it
	Source             string
	Plan               string
	Minutes            int
	Checks             []jobCheck
	Pick               []jobPick
	Meters             []jobMeter
	Operator           bool // the plan gives it to operators
	MayWork            bool // the person may start and finish it
	MayMove            bool // and book and put it off
	Reopens            bool // it has ended and can be opened again
	HandOver           bool // the rig is to be handed over clean first
	By                 string
	Currency           string
	Fin                *events.ItemFinished
	Read               []jobRead // what the meters showed when it was finished
	Files              []*fleet.File
	StartedAt, EndedAt time.Time
	EndedBy, StruckFor string
	Next               []dayJob
	NextOf             string // where the rest of the day's list is
	ListOf             string // and the rig's own
	History            []jobFact
	Before             []jobBefore
	Code               *phoneCode
	Made               time.Time
}

// JobMoves is the part of the page that decides about the job.
func (d *jobPage) JobMoves() *jobMoves { return d.jobMoves }

// Spare numbers the free lines for parts that the plan does not name.
func (d *jobPage) Spare() []int { return []int{len(d.Pick), len(d.Pick) + 1} }

type jobCondition struct {
	Code, Unit string
	Limit      float64
	Above      bool
	Measured   *float64
}

type jobCheck struct {
	Name, Text string
	Ticked     bool
}

type jobPick struct {
	plan.Spare
	Planned bool
}

type jobMeter struct {
	Meter, Unit, Code string
	Total             *float64 // its newest counter reading
	ReadAt            time.Time
}

// jobRead is a counter's reading that came with the end of the job.
type jobRead struct {
	Meter, Unit string
	Value       float64
}

// jobFact is a line of the job's history.
type jobFact struct {
	At     time.Time
	By     string
	What   string
	Day    string // that it was put on or off to
	Detail string
	Commit uint64
}

// jobBefore is an earlier time that the same work was done on the same part.
type jobBefore struct {
	Item     string
	At       time.Time
	By       string
	Findings string
	Minutes  int
	Struck   string
}

// jobBeforeMost is how many earlier times are listed.
const jobBeforeMost = 8

func showJob(v *visit) error {
	d, err := v.jobOf(v.param("item"))
	if err != nil {
		return err
	}
	if v.refused != nil {
		v.refusedAtField()
		for i := range d.Checks {
			d.Checks[i].Ticked = v.refused.form == "finish" && v.refused.typed.Get(d.Checks[i].Name) != ""
		}
	}
	return v.showLive("job.html", d.Title+", "+d.Rig, "/workshop", d)
}

// jobOf gathers everything about a job.
func (v *visit) jobOf(id string) (*jobPage, error) {
	var d *jobPage
	v.fleet.View(func(s *fleet.State) {
		it := s.Items[id]
		if it == nil {
			return
		}
		moves := v.movesOf(s, it)
		if moves == nil {
			return
		}
		d = &jobPage{
			jobMoves: moves, By: it.Worker, Fin: it.Finish, StartedAt: it.StartedAt, EndedAt: it.EndedAt, EndedBy: it.EndedBy,
			StruckFor: it.StruckFor, Plan: it.Plan + " " + strconv.Itoa(it.Version), Currency: "EUR", Made: v.now,
		}
		r := s.Rigs[it.Rig]
		d.task(v, s, it, r)
		for _, m := range r.Meters {
			d.Meters = append(d.Meters, jobMeterOf(m))
		}
		if it.Stage.Open() && !r.Retired {
			d.MayMove = v.may(fleet.RoleManager, fleet.RoleWorkshop)
			d.MayWork = d.MayMove || d.Operator && v.may(fleet.RoleOperator)
		}
		d.Reopens = s.MayReopen(it) == nil
		for _, c := range it.Read {
			if m := r.Meter(c.Meter); m != nil {
				d.Read = append(d.Read, jobRead{m.Meter, rigUnit(m.Series.Quantity.Field()), m.Series.Quantity.FromBase(c.Value)})
			}
		}
		if it.Finish != nil {
			for _, hash := range it.Finish.Files {
				if f := s.Bay.Files[hash]; f != nil {
					d.Files = append(d.Files, f)
				}
			}
		}
		d.history(v, s, it, r)
		d.next(v, s, r)
	})
	if d == nil {
		return nil, &fleet.Error{Code: fleet.NotFound, Message: word("There is no such job.")}
	}
	return d, nil
}

// task takes over what the plan says about the work.
func (d *jobPage) task(v *visit, s *fleet.State, it *fleet.Item, r *fleet.Rig) {
	part := s.Parts[it.Part]
	if part != nil {
		d.Kind, d.Position = part.Kind, part.Position
	}
	t := taskOfItem(s, it)
	if t == nil {
		d.Cautions = plan.Cautions(nil)
		return
	}
	d.Cautions, d.Source, d.Calibrate, d.Minutes, d.Operator = plan.Cautions(t.Cautions), t.Source, t.Calibrate, t.Minutes, t.By == plan.Operator
	for i, text := range t.Checklist {
		d.Checks = append(d.Checks, jobCheck{Name: "s:/checked/" + strconv.Itoa(i), Text: text})
	}
	for _, p := range t.Parts {
		d.Pick = append(d.Pick, jobPick{p, true})
	}
	if p := s.PlanOf(fleet.PlanRef{Plan: it.Plan, Version: it.Version}); p != nil {
		for _, slug := range p.ResetBy(t.Slug) {
			d.Includes = append(d.Includes, p.Task(slug).Title)
		}
	}
	if c := t.Condition; c != nil {
		d.Condition = &jobCondition{Code: c.Code, Unit: c.Unit}
		switch {
		case c.Above != nil:
			d.Condition.Limit, d.Condition.Above = *c.Above, true
		case c.Below != nil:
			d.Condition.Limit = *c.Below
		}
		for _, m := range r.Conditions {
			if m.Code == c.Code && (m.Part == "" || m.Part == it.Part) {
				d.Condition.Measured = &m.Value
			}
		}
	}
	if it.Stage.Open() && it.Stage != fleet.InHand && s.NeedsHandover(t, part) {
		clean, _ := s.Clean(r)
		d.HandOver = !clean
	}
}

// meterCodes are the UN/ECE Recommendation 20 codes that the forms send readings in.
var meterCodes = map[meter.Quantity]string{meter.Hours: "HUR", meter.Area: "H18", meter.Volume: "LTR", meter.Distance: "KMT", meter.Loads: "C62"}

func jobMeterOf(m *fleet.Meter) jobMeter {
	q := m.Series.Quantity
	j := jobMeter{Meter: m.Meter, Unit: rigUnit(q.Field()), Code: meterCodes[q]}
	if last, ok := m.Series.Last(); ok {
		shown := q.FromBase(last.Value)
		j.Total, j.ReadAt = &shown, time.UnixMilli(last.At)
	}
	return j
}

// history lists what is on record about the job, and earlier times.
func (d *jobPage) history(v *visit, s *fleet.State, it *fleet.Item, r *fleet.Rig) {
	for _, l := range r.Timeline {
		if line, ok := jobFactOf(l, it.Item); ok {
			d.History = append(d.History, line)
		}
	}
	for cycle := it.Cycle - 1; cycle > 0 && len(d.Before) < jobBeforeMost; cycle-- {
		was := s.Items[fleet.ItemID(it.Part, it.Task, cycle)]
		if was == nil || was.Stage.Open() {
			continue
		}
		if on := s.Rigs[was.Rig]; on == nil || !v.who.MaySee(on.Yard) {
			continue // the part was on another rig then
		}
		b := jobBefore{Item: was.Item, At: was.EndedAt, By: was.EndedBy, Struck: was.StruckFor}
		if f := was.Finish; f != nil {
			b.By, b.Findings, b.Minutes = f.Worker, f.Findings, f.Minutes
			if d.Currency == "EUR" && f.Cost != nil {
				d.Currency = f.Cost.Currency
			}
		}
		d.Before = append(d.Before, b)
	}
}

func jobFactOf(l fleet.Logged, item string) (jobFact, bool) {
	line := jobFact{At: l.Entry.At, By: l.Entry.By, Commit: l.N}
	of := ""
	switch f := l.Entry.Fact.(type) {
	case *events.ItemRaised:
		of, line.What = f.Item, word("put on the list")
	case *events.ItemBooked:
		of, line.What, line.Day, line.Detail = f.Item, word("booked"), f.Date, f.For
	case *events.ItemStarted:
		of, line.What, line.Detail = f.Item, word("taken in hand, cautions read"), f.Worker
	case *events.ItemDeferred:
		of, line.What, line.Day, line.Detail = f.Item, word("deferred"), f.Date, f.Reason
	case *events.ItemFinished:
		of, line.What, line.Detail = f.Item, word("done"), f.Worker
	case *events.ItemStruck:
		of, line.What, line.Detail = f.Item, word("struck"), f.Reason
	case *events.ItemReturned:
		of, line.What, line.Detail = f.Item, stepWords(f.Step), f.Reason
	}
	return line, of == item
}

// next is what the day's list of the yard holds beside this job.
func (d *jobPage) next(v *visit, s *fleet.State, r *fleet.Rig) {
	d.ListOf = new(workshopPage).at("", r.Rig, plan.Date{})
	if d.Open() {
		return
	}
	d.NextOf = workshopAt(r.Yard, v.today())
	var all []dayJob
	for _, other := range s.Rigs {
		if other.Yard == r.Yard && !other.Retired {
			all = append(all, v.dayOf(s, other, v.today())...)
		}
	}
	slices.SortFunc(all, pressing)
	// What is on the same rig comes first: it stands in the workshop.
	slices.SortStableFunc(all, func(a, b dayJob) int {
		same := func(j dayJob) int {
			if j.Rig == r.Rig {
				return 0
			}
			return 1
		}
		return cmp.Compare(same(a), same(b))
	})
	for _, j := range all {
		if v.who.Role != fleet.RoleOperator || j.Operator {
			d.Next = append(d.Next, j)
		}
		if len(d.Next) == 3 {
			break
		}
	}
}
