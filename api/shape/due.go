package shape

import (
	"rigledger/fleet"
	"rigledger/fleet/plan"
)

// PlanRef names a version of a plan.
type PlanRef struct {
	Plan    string `json:"plan"`
	Version int    `json:"version"`
}

// Due is how a task stands on a part.
type Due struct {
	Part       string    `json:"part"`
	Position   string    `json:"position"`
	Name       string    `json:"name"`
	Task       string    `json:"task"`
	Title      string    `json:"title"`
	Weight     string    `json:"weight"`
	Status     string    `json:"status"`
	Why        string    `json:"why,omitempty"`
	RunIn      bool      `json:"run_in,omitempty"`
	Due        Limit     `json:"due"`
	Remaining  Remaining `json:"remaining"`
	Unmeasured []string  `json:"unmeasured,omitempty"`
	Estimated  []string  `json:"estimated,omitempty"` // units whose totals are estimates, for want of a meter
	Item       string    `json:"item,omitempty"`
}

// DueOf shows a due line.
func DueOf(l *fleet.DueLine) Due {
	d := Due{
		Part: l.Part.Part, Position: l.Part.Position, Name: l.Part.Name, Task: l.Task.Slug, Title: l.Task.Title,
		Weight: string(l.Task.Weight), Status: string(l.Due.Status), Why: l.Due.Why, RunIn: l.Due.RunIn, Item: l.Item,
	}
	d.Due, d.Remaining = Limits(&l.Due)
	if l.Due.Unmeasured != 0 {
		d.Unmeasured = l.Due.Unmeasured.Units()
	}
	d.Estimated = Estimated(l)
	return d
}

// Estimated names the units whose totals are estimates.
func Estimated(l *fleet.DueLine) (units []string) {
	for _, q := range l.Estimated {
		units = append(units, q.Field())
	}
	return units
}

// Limits gives where a task falls due and what is left until then.
func Limits(d *plan.Due) (Limit, Remaining) {
	return Limit{d.At, d.Date}, Remaining{d.Remaining, d.RemainingDays, !d.Date.IsZero()}
}
