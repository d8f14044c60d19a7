package api

import (
	"rigledger/fleet"
	"rigledger/fleet/plan"
)

// planRef names a version of a plan.
type planRef struct {
	Plan    string `json:"plan"`
	Version int    `json:"version"`
}

// dueDoc is how a task stands on a part.
type dueDoc struct {
	Part       string    `json:"part"`
	Position   string    `json:"position"`
	Name       string    `json:"name"`
	Task       string    `json:"task"`
	Title      string    `json:"title"`
	Weight     string    `json:"weight"`
	Status     string    `json:"status"`
	Why        string    `json:"why,omitempty"`
	RunIn      bool      `json:"run_in,omitempty"`
	Due        limit     `json:"due"`
	Remaining  remaining `json:"remaining"`
	Unmeasured []string  `json:"unmeasured,omitempty"`
	Estimated  []string  `json:"estimated,omitempty"` // units whose totals are estimates, for want of a meter
	Item       string    `json:"item,omitempty"`
}

func dueDocOf(l *fleet.DueLine) dueDoc {
	d := dueDoc{
		Part: l.Part.Part, Position: l.Part.Position, Name: l.Part.Name, Task: l.Task.Slug, Title: l.Task.Title,
		Weight: string(l.Task.Weight), Status: string(l.Due.Status), Why: l.Due.Why, RunIn: l.Due.RunIn, Item: l.Item,
	}
	d.Due, d.Remaining = limitsOf(&l.Due)
	if l.Due.Unmeasured != 0 {
		d.Unmeasured = l.Due.Unmeasured.Units()
	}
	d.Estimated = estimatedOf(l)
	return d
}

func estimatedOf(l *fleet.DueLine) (units []string) {
	for _, q := range l.Estimated {
		units = append(units, q.Field())
	}
	return units
}

func limitsOf(d *plan.Due) (limit, remaining) {
	return limit{d.At, d.Date}, remaining{d.Remaining, d.RemainingDays, !d.Date.IsZero()}
}
