package rigs

import (
	"time"

	"rigledger/api/bay"
	"rigledger/api/call"
	"rigledger/api/shape"
	"rigledger/fleet"
	"rigledger/fleet/plan"
)

// rigLine is a rig in a list.
type rigLine struct {
	Rig        string                 `json:"rig"`
	Name       string                 `json:"name"`
	Class      string                 `json:"class"`
	Yard       string                 `json:"yard"`
	WidthM     float64                `json:"width_m"`
	TankL      float64                `json:"tank_l"`
	FirstUse   string                 `json:"first_use,omitempty"`
	Serial     string                 `json:"serial,omitempty"`
	Registered time.Time              `json:"registered"`
	Retired    bool                   `json:"retired"`
	Plan       *shape.PlanRef         `json:"plan,omitempty"`
	Totals     map[string]shape.Total `json:"totals"`
	Estimates  *plan.Amounts          `json:"estimates,omitempty"` // of quantities that no meter counts
	Fitness    fleet.Fitness          `json:"fitness"`
	Bay        bay.Line               `json:"test_bay"`
	LastHeard  *time.Time             `json:"last_heard,omitempty"`
	LastRead   *time.Time             `json:"last_read,omitempty"`
	Position   *positionDoc           `json:"position,omitempty"` // where it was last
	SilentDays int                    `json:"silent_days"`
	OpenItems  int                    `json:"open_items"`
	Defects    int                    `json:"open_defects"`
	Held       int                    `json:"open_quarantine"`
	Changed    uint64                 `json:"changed_commit"`
}

// positionDoc is a place on WGS 84 in degrees and when the rig was there.
type positionDoc struct {
	Latitude  float64   `json:"latitude"`
	Longitude float64   `json:"longitude"`
	Time      time.Time `json:"time"`
}

func positionOf(r *fleet.Rig) *positionDoc {
	if r.Location == nil {
		return nil
	}
	lat, lon := r.Location.Degrees()
	return &positionDoc{lat, lon, r.Located.UTC()}
}

// rigDoc is a rig by itself.
type rigDoc struct {
	rigLine
	Meters  []meterDoc  `json:"meters"`
	NextDue []shape.Due `json:"next_due"`
}

func planRefOf(p fleet.PlanRef) *shape.PlanRef {
	if p.Plan == "" {
		return nil
	}
	return &shape.PlanRef{Plan: p.Plan, Version: p.Version}
}

// meterDoc is a meter: what its counter shows, beside the total of all counters
// it has had.
type meterDoc struct {
	Meter    string        `json:"meter"`
	Quantity string        `json:"quantity"`
	Counter  plan.Amounts  `json:"counter"`
	Total    plan.Amounts  `json:"total"`
	ReadAt   *time.Time    `json:"read_at,omitempty"`
	Swaps    int           `json:"swaps"`
	RollsAt  *plan.Amounts `json:"rolls_at,omitempty"`
}

// nextDueMost is how many lines a rig shows of what it needs next.
const nextDueMost = 10

func rigLineOf(c *call.Call, s *fleet.State, r *fleet.Rig) rigLine {
	l := rigLine{
		Rig: r.Rig, Name: r.Name, Class: r.Class, Yard: r.Yard,
		WidthM: float64(r.WidthMM) / 1000, TankL: float64(r.TankML) / 1000,
		FirstUse: r.FirstUse, Serial: r.Serial, Registered: r.Registered.UTC(), Retired: r.Retired,
		Plan: planRefOf(r.Plan), Totals: make(map[string]shape.Total, len(r.Meters)),
		Fitness:   c.Fleet.FitnessOf(s, r, c.Now),
		Bay:       bay.LineOf(s, r, c.Today(s)),
		LastHeard: shape.Time(r.LastHeard), LastRead: shape.Time(r.LastRead()), Position: positionOf(r), SilentDays: silentDays(s, r, c.Now),
		OpenItems: len(r.Open), Defects: len(r.Defects), Held: s.OpenHeld(r.Rig), Changed: r.Changed,
	}
	for _, t := range r.Totals() {
		l.Totals[t.Meter] = shape.Total{Amount: shape.Amount(t.Quantity, t.Total), ReadAt: t.ReadAt}
	}
	var guessed plan.Amounts
	for _, e := range s.Estimates(r) {
		guessed.SetNamed(string(e.Quantity), e.Total)
	}
	l.Estimates = shape.AmountsOrNil(guessed)
	return l
}

func rigDocOf(c *call.Call, s *fleet.State, r *fleet.Rig) rigDoc {
	d := rigDoc{rigLine: rigLineOf(c, s, r), Meters: make([]meterDoc, 0, len(r.Meters)), NextDue: []shape.Due{}}
	for _, m := range r.Meters {
		d.Meters = append(d.Meters, meterDocOf(m))
	}
	lines := c.Fleet.DueOf(s, r, c.Now)
	for i := range lines[:min(len(lines), nextDueMost)] {
		d.NextDue = append(d.NextDue, shape.DueOf(&lines[i]))
	}
	return d
}

func meterDocOf(m *fleet.Meter) meterDoc {
	series := m.Series
	sum, at := series.Total()
	counter := series.Epochs[len(series.Epochs)-1].Start
	if p, read := series.Last(); read {
		counter = p.Value
	}
	d := meterDoc{
		Meter: m.Meter, Quantity: string(series.Quantity), Counter: shape.Amount(series.Quantity, counter),
		Total: shape.Amount(series.Quantity, sum), ReadAt: shape.Milli(at), Swaps: len(series.Epochs) - 1,
	}
	if series.RollAt > 0 {
		d.RollsAt = shape.AmountsOrNil(shape.Amount(series.Quantity, series.RollAt))
	}
	return d
}

// silentDays is how many calendar days ago the rig was last heard; one that was
// never heard counts from its registration.
func silentDays(s *fleet.State, r *fleet.Rig, now time.Time) int {
	since := r.LastHeard
	if since.IsZero() {
		since = r.Registered
	}
	return max(0, plan.Of(since, s.Zone()).DaysUntil(plan.Of(now, s.Zone())))
}
