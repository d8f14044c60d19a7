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

// Reason is one thing that stops a rig or that its user should know. Clears
// says what would end it.
type Reason struct {
	Code   string `json:"code"`
	Text   string `json:"text"`
	Stops  bool   `json:"stops"`
	Defect string `json:"defect,omitempty"`
	Item   string `json:"item,omitempty"`
	Part   string `json:"part,omitempty"`
	Task   string `json:"task,omitempty"`
	Clears string `json:"clears"`
}

// FitnessOf judges a rig: an open safety defect or an overdue safety or
// statutory task stops it; other open defects, overdue routine tasks and
// safety or statutory tasks that are due are advisories. To be called within View.
func (f *Fleet) FitnessOf(s *State, rig *Rig, now time.Time) Fitness {
	fit := Fitness{State: Fit, Reasons: []Reason{}, Notice: FitnessNotice}
	add := func(r Reason) {
		fit.Reasons = append(fit.Reasons, r)
		switch {
		case r.Stops:
			fit.State = DoNotUse
		case fit.State == Fit:
			fit.State = FitAdvisories
		}
	}
	if rig.Retired {
		add(Reason{Code: "retired", Text: "the rig is retired", Stops: true, Clears: "nothing: register it anew to use it again"})
		return fit
	}
	for _, id := range rig.Defects {
		d := s.Defects[id]
		code, word := "open-defect", "open defect"
		if d.Safety {
			code, word = "open-safety-defect", "open safety defect"
		}
		add(Reason{
			Code: code, Text: word + ": " + d.Text, Stops: d.Safety, Defect: id, Part: d.Part,
			Clears: "repair it and clear the defect",
		})
	}
	for _, line := range f.DueOf(s, rig, now) {
		status, weight := line.Due.Status, line.Task.Weight
		r := Reason{Item: line.Item, Part: line.Part.Part, Task: line.Task.Slug, Clears: "do the task and finish its item"}
		switch {
		case status == plan.Overdue && weight.Binding():
			r.Code, r.Stops = "overdue-"+string(weight)+"-task", true
			r.Text = fmt.Sprintf("%s task overdue: %s", weight, line.Task.Title)
		case status == plan.Overdue:
			r.Code, r.Text = "overdue-task", "task overdue: "+line.Task.Title
		case status == plan.IsDue && weight.Binding():
			r.Code, r.Text = "due-"+string(weight)+"-task", fmt.Sprintf("%s task due: %s", weight, line.Task.Title)
		default:
			continue
		}
		add(r)
	}
	return fit
}
