package workshop

import (
	"time"

	"rigledger/api/shape"
	"rigledger/events"
	"rigledger/fleet"
	"rigledger/fleet/plan"
)

// Line is a service item in a list.
type Line struct {
	Item      string           `json:"item"`
	Rig       string           `json:"rig"`
	RigName   string           `json:"rig_name"`
	Yard      string           `json:"yard"`
	Part      string           `json:"part"`
	PartName  string           `json:"part_name"`
	Position  string           `json:"position"`
	Task      string           `json:"task"`
	Title     string           `json:"title"`
	Weight    string           `json:"weight"`
	By        string           `json:"usually_by,omitempty"` // workshop or operator
	Cycle     int              `json:"cycle"`
	Plan      shape.PlanRef    `json:"plan"`
	Status    string           `json:"status,omitempty"` // absent once it is done or struck
	Stage     string           `json:"stage"`
	Step      string           `json:"last_step,omitempty"` // that can be taken back
	Why       string           `json:"why,omitempty"`
	Due       shape.Limit      `json:"due"`
	Remaining *shape.Remaining `json:"remaining,omitempty"`
	Estimated []string         `json:"estimated,omitempty"` // units whose totals are estimates
	Minutes   int              `json:"planned_minutes,omitempty"`
	RaisedAt  time.Time        `json:"raised_at"`
	BookedOn  string           `json:"booked_on,omitempty"`
	BookedFor string           `json:"booked_for,omitempty"`
	Worker    string           `json:"worker,omitempty"`
	StartedAt *time.Time       `json:"started_at,omitempty"`
	Deferral  *deferralDoc     `json:"deferral,omitempty"`
	EndedAt   *time.Time       `json:"ended_at,omitempty"`
	EndedBy   string           `json:"ended_by,omitempty"`
	Done      *finishedDoc     `json:"finished,omitempty"`
	StruckFor string           `json:"struck_for,omitempty"`
	Changed   uint64           `json:"changed_commit"`
}

// itemDoc is a service item by itself, with what the worker needs to know.
type itemDoc struct {
	Line
	Checklist []string       `json:"checklist"`
	Pick      []plan.Spare   `json:"pick"`
	Cautions  []plan.Caution `json:"cautions"`
	Source    string         `json:"interval_source,omitempty"`
	Includes  []string       `json:"includes"`
}

type deferralDoc struct {
	Reason string        `json:"reason"`
	By     string        `json:"by"`
	Until  string        `json:"until,omitempty"`
	Limits *plan.Amounts `json:"limits,omitempty"`
}

type finishedDoc struct {
	By       string            `json:"by"`
	Findings string            `json:"findings,omitempty"`
	Minutes  int               `json:"minutes,omitempty"`
	Parts    []events.PartUsed `json:"parts"`
	Cost     *events.Money     `json:"cost,omitempty"`
	Counts   []string          `json:"counted_for"`       // "<part>.<task>"
	Checked  []string          `json:"checked,omitempty"` // lines of the check list
	Files    []string          `json:"files,omitempty"`   // hashes, see GET /v1/files/{file}
}

// LineOf gives an item of a rig as a list shows it; due is how it stands, nil
// once it has ended or where that does not matter.
func LineOf(s *fleet.State, it *fleet.Item, r *fleet.Rig, due *fleet.DueLine) Line {
	return lineOf(s, foundItem{it, r, due})
}

func lineOf(s *fleet.State, i foundItem) Line {
	it := i.item
	l := Line{
		Item: it.Item, Rig: it.Rig, Part: it.Part, Task: it.Task, Title: it.Task, Weight: string(plan.Routine), Cycle: it.Cycle,
		Plan: shape.PlanRef{Plan: it.Plan, Version: it.Version}, Stage: string(it.Stage), Step: it.Step(), Why: it.Why, RaisedAt: it.RaisedAt.UTC(),
		BookedOn: it.BookedOn, BookedFor: it.BookedFor, Worker: it.Worker, StartedAt: shape.Time(it.StartedAt),
		EndedAt: shape.Time(it.EndedAt), EndedBy: it.EndedBy, StruckFor: it.StruckFor, Changed: it.Changed,
	}
	if i.rig != nil {
		l.RigName, l.Yard = i.rig.Name, i.rig.Yard
	}
	if p := s.Parts[it.Part]; p != nil {
		l.PartName, l.Position = p.Name, p.Position
	}
	if t := taskOf(s, i); t != nil {
		l.Title, l.Weight, l.By, l.Minutes = t.Title, string(t.Weight), t.By, t.Minutes
	}
	date, _ := plan.ParseDate(it.DueDate)
	l.Due = shape.Limit{Amounts: shape.Amounts(it.Due), Date: date}
	if i.line != nil && it.Stage.Open() {
		var left shape.Remaining
		l.Status, l.Why = string(i.line.Due.Status), i.line.Due.Why
		l.Due, left = shape.Limits(&i.line.Due)
		l.Remaining, l.Estimated = &left, shape.Estimated(i.line)
	}
	if d := it.Deferral; d != nil {
		l.Deferral = &deferralDoc{Reason: d.Reason, By: it.DeferBy, Until: d.Date, Limits: shape.AmountsOrNil(shape.Amounts(d.Due))}
	}
	if f := it.Finish; f != nil {
		l.Done = &finishedDoc{By: f.Worker, Findings: f.Findings, Minutes: f.Minutes, Parts: shape.List(f.Used), Cost: f.Cost, Counts: shape.List(f.Includes), Checked: f.Checked, Files: f.Files}
	}
	return l
}

func itemDocOf(s *fleet.State, i foundItem) itemDoc {
	d := itemDoc{Line: lineOf(s, i), Checklist: []string{}, Pick: []plan.Spare{}, Includes: []string{}}
	var kinds []string
	if t := taskOf(s, i); t != nil {
		d.Checklist, d.Pick, d.Source, d.Includes = shape.List(t.Checklist), shape.List(t.Parts), t.Source, shape.List(t.Includes)
		kinds = t.Cautions
	}
	d.Cautions = plan.Cautions(kinds)
	return d
}
