package fleet

import (
	"fmt"
	"time"

	"rigledger/fleet/plan"
)

// The states of fitness to spray. They are advice to a competent person and
// never replace the law of the place, the maker's handbook or a licensed tester.
const (
	Fit           = "fit"
	FitAdvisories = "fit with advisories"
	DoNotUse      = "do not use"
)

// FitnessNotice is shown wherever a fitness is.
const FitnessNotice = "Advice to a competent person. The law of the place, the maker's handbook and a licensed tester come first."

// Fitness says whether a rig may go out, and why not.
type Fitness struct {
	State   string   `json:"state"`
	Reasons []Reason `json:"reasons"`
	Notice  string   `json:"notice"`
}

// Reason is one thing that stops a rig or that its user should know. Rule is
// what asks for it, Since the day from which it holds where that is known, and
// Clears what would end it.
type Reason struct {
	Code        string `json:"code"`
	Text        string `json:"text"`
	Stops       bool   `json:"stops"`
	Rule        string `json:"rule"`
	Since       string `json:"since,omitempty"`
	Defect      string `json:"defect,omitempty"`
	Item        string `json:"item,omitempty"`
	Part        string `json:"part,omitempty"`
	Task        string `json:"task,omitempty"`
	Inspection  string `json:"inspection,omitempty"`
	Certificate string `json:"certificate,omitempty"`
	Calibration string `json:"calibration,omitempty"`
	Clears      string `json:"clears"`
}

func (f *Fitness) add(r Reason) {
	f.Reasons = append(f.Reasons, r)
	switch {
	case r.Stops:
		f.State = DoNotUse
	case f.State == Fit:
		f.State = FitAdvisories
	}
}

// moment is what a question about fitness looks at: facts that held up to asOf
// (Unix ms), and the calendar of a day.
type moment struct {
	asOf  int64
	today plan.Date
}

func (m moment) covers(at time.Time) bool { return at.UnixMilli() <= m.asOf }

// FitnessOf judges a rig as it stands. What stops it: a certificate missing or
// expired where the law of its place asks for one, a failed inspection, an open
// safety defect, an overdue safety or statutory task, work on what decides the
// rate without a calibration since. Other open defects, overdue tasks of the workshop
// and safety or statutory tasks that are due are advisories. Within View.
func (f *Fleet) FitnessOf(s *State, rig *Rig, now time.Time) Fitness {
	return s.fitness(rig, moment{asOf: farFuture, today: plan.Of(now, s.zone)}, f.DueOf(s, rig, now))
}

// FitnessAt judges a rig at any time. For a time past it takes what is known
// today to have held then, facts that were entered late included; for a time
// ahead, the fleet as it stands and what will have expired by then on the
// calendar, counters staying as they are. It is a pure function of its parameters.
func (s *State) FitnessAt(rig *Rig, at, now time.Time) Fitness {
	day := plan.Of(at, s.zone)
	if !at.Before(now) {
		return s.fitness(rig, moment{asOf: farFuture, today: day}, s.Due(rig, day))
	}
	m := moment{asOf: at.UnixMilli(), today: day}
	return s.fitness(rig, m, s.dueThen(rig, m))
}

func (s *State) fitness(rig *Rig, m moment, lines []DueLine) Fitness {
	fit := Fitness{State: Fit, Reasons: []Reason{}, Notice: FitnessNotice}
	if s.retired(rig, m) {
		fit.add(Reason{
			Code: "retired", Text: "the rig is retired", Stops: true, Rule: "a retired rig is out of the fleet",
			Clears: "nothing: register it anew to use it again",
		})
		return fit
	}
	if m.asOf < rig.Registered.UnixMilli() {
		fit.add(Reason{
			Code: "before-the-ledger", Text: "the rig came under the ledger only on " + plan.Of(rig.Registered, s.zone).String(),
			Rule:   "the ledger tells only what was entered in it",
			Clears: "nothing: look at the papers of that time",
		})
	}
	byLaw := s.lawReasons(&fit, rig, m)
	s.inspectionReasons(&fit, rig, m)
	s.defectReasons(&fit, rig, m)
	s.calibrationReasons(&fit, rig, m)
	for i := range lines {
		if byLaw && lines[i].Task.Slug == statutoryTask {
			continue // the place's own law was asked, which comes before the plan
		}
		fit.addTask(&lines[i])
	}
	return fit
}

// addTask adds what a task is about, if it is about anything.
func (f *Fitness) addTask(line *DueLine) {
	status, weight := line.Due.Status, line.Task.Weight
	r := Reason{
		Item: line.Item, Part: line.Part.Part, Task: line.Task.Slug, Clears: "do the task and finish its item",
		Rule: fmt.Sprintf("plan %s version %d, %s task %s: %s", line.Plan.Plan, line.Plan.Version, weight, line.Task.Slug, line.Task.Source),
	}
	if line.Due.Why == "months" || line.Due.Why == "days" || line.Due.Why == "date" || line.Due.Why == "deferred" {
		if !line.Due.Date.IsZero() {
			r.Since = line.Due.Date.String()
		}
	}
	switch {
	case status == plan.Overdue && weight.Binding():
		r.Code, r.Stops = "overdue-"+string(weight)+"-task", true
		r.Text = fmt.Sprintf("%s task overdue: %s", weight, line.Task.Title)
	case status == plan.Overdue && line.Task.By != plan.Operator:
		// What the operator does between two fills (filters, grease) is on the list
		// all the time; as a reason it would only hide those that matter.
		r.Code, r.Text = "overdue-task", "task overdue: "+line.Task.Title
	case status == plan.IsDue && weight.Binding():
		r.Code, r.Text = "due-"+string(weight)+"-task", fmt.Sprintf("%s task due: %s", weight, line.Task.Title)
	default:
		return
	}
	f.add(r)
}
