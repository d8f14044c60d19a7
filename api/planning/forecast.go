package planning

import (
	"cmp"
	"slices"

	"rigledger/api/call"
	"rigledger/api/shape"
	"rigledger/fleet"
	"rigledger/fleet/plan"
	"rigledger/fleet/plan/forecast"
)

// forecastDoc is when a rig's tasks will fall due. A day that is absent lies
// beyond the three years that are looked at.
type forecastDoc struct {
	Rig      string            `json:"rig"`
	Today    plan.Date         `json:"today"`
	Basis    map[string]string `json:"basis"`
	Tasks    []taskForecastDoc `json:"tasks"`
	Visits   []visitDoc        `json:"visits"`
	Bookings []chanceDoc       `json:"bookings"`
	Notice   string            `json:"notice"`
}

type taskForecastDoc struct {
	Rig       string    `json:"rig"`
	Part      string    `json:"part"`
	Position  string    `json:"position"`
	Task      string    `json:"task"`
	Title     string    `json:"title"`
	Weight    string    `json:"weight"`
	Status    string    `json:"status"`
	Item      string    `json:"item,omitempty"`
	Estimated bool      `json:"estimated"`
	P10       plan.Date `json:"p10,omitzero"`
	P50       plan.Date `json:"p50,omitzero"`
	P90       plan.Date `json:"p90,omitzero"`
}

type visitDoc struct {
	Day     plan.Date  `json:"day,omitzero"`
	Minutes int        `json:"minutes"`
	Jobs    []visitJob `json:"jobs"`
}

type visitJob struct {
	Part      string  `json:"part"`
	Task      string  `json:"task"`
	DaysEarly int     `json:"days_early"`
	GivenAway float64 `json:"given_away_hours,omitempty"`
}

type chanceDoc struct {
	Booking string  `json:"booking,omitempty"`
	From    string  `json:"from"`
	To      string  `json:"to"`
	Rest    bool    `json:"rest"`
	Chance  float64 `json:"chance"`
	InWay   string  `json:"in_the_way,omitempty"`
}

const forecastNotice = "A forecast, not a permission: the task's limit, the maker's handbook and the law of the place come before any date given here."

func taskForecastDocOf(rig string, t fleet.TaskForecast) taskForecastDoc {
	day := func(d forecast.Day) plan.Date { return d.Date } // zero when it is not OK
	return taskForecastDoc{
		Rig: rig, Part: t.Part, Position: t.Position, Task: t.Task, Title: t.Title, Weight: string(t.Weight), Status: string(t.Status),
		Item: t.Item, Estimated: t.Estimated, P10: day(t.Band.P10), P50: day(t.Band.P50), P90: day(t.Band.P90),
	}
}

func forecastDocOf(f fleet.RigForecast) forecastDoc {
	doc := forecastDoc{
		Rig: f.Rig, Today: f.Today, Basis: map[string]string{}, Tasks: []taskForecastDoc{}, Visits: []visitDoc{}, Bookings: []chanceDoc{}, Notice: forecastNotice,
	}
	for q, b := range f.Basis {
		doc.Basis[q] = string(b)
	}
	byKey := map[string]fleet.TaskForecast{}
	for _, t := range f.Tasks {
		doc.Tasks = append(doc.Tasks, taskForecastDocOf(f.Rig, t))
		byKey[t.Key] = t
	}
	for _, v := range f.Visits {
		visit := visitDoc{Day: v.Day, Minutes: v.Minutes, Jobs: []visitJob{}}
		for _, j := range v.Jobs {
			t := byKey[j.Task.Key]
			job := visitJob{Part: t.Part, Task: t.Task, DaysEarly: j.DaysEarly}
			if t.CountedOn == "hours" {
				job.GivenAway = shape.FourDecimals(float64(j.GivenAway) / 3600)
			}
			visit.Jobs = append(visit.Jobs, job)
		}
		doc.Visits = append(doc.Visits, visit)
	}
	for _, b := range f.Bookings {
		doc.Bookings = append(doc.Bookings, chanceDoc{
			Booking: b.Booking, From: b.Work.From, To: b.Work.To, Rest: b.Work.Rest, Chance: shape.FourDecimals(b.Chance), InWay: b.InWay,
		})
	}
	return doc
}

// GetRigForecast answers GET /v1/rigs/{rig}/forecast.
func GetRigForecast(c *call.Call) error {
	if err := c.View(func(s *fleet.State) error { _, err := c.Rig(s); return err }); err != nil {
		return err
	}
	f, err := c.Fleet.Forecast(c.Param("rig"), fleet.WhatIf{})
	if err != nil {
		return err
	}
	return c.Answer(200, forecastDocOf(f))
}

// supposed is the body of POST /v1/forecast.
type supposed struct {
	Rig string `json:"rig"`
	fleet.WhatIf
}

// PostForecast answers what would be. It writes nothing.
func PostForecast(c *call.Call) error {
	var in supposed
	if err := c.Body(&in); err != nil {
		return err
	}
	err := c.View(func(s *fleet.State) error {
		if r := s.Rigs[in.Rig]; r == nil || !c.Sees(r) {
			return &fleet.Error{Code: fleet.Invalid, Message: "the request does not hold together", Fields: []fleet.FieldError{
				{Field: "/rig", Message: "there is no rig " + call.Quoted(in.Rig)},
			}}
		}
		return nil
	})
	if err != nil {
		return err
	}
	f, err := c.Fleet.Forecast(in.Rig, in.WhatIf)
	if err != nil {
		return err
	}
	return c.Answer(200, forecastDocOf(f))
}

// ForecastRigs is how many rigs one list looks ahead for.
const ForecastRigs = 1000

// GetForecast lists what falls due in the next days over the rigs asked for, by
// the middle of its band.
func GetForecast(c *call.Call) error {
	days := c.Query.Number("days", 1, 366, 42)
	rigs, yards := c.Query.Words("rig"), c.Query.Words("yard")
	if err := c.Query.Err(); err != nil {
		return err
	}
	var codes []string
	var until plan.Date
	err := c.View(func(s *fleet.State) error {
		until = c.Today(s).AddDays(days)
		for code, r := range s.Rigs {
			if !r.Retired && c.Sees(r) && call.Wants(rigs, code) && call.Wants(yards, r.Yard) {
				codes = append(codes, code)
			}
		}
		return nil
	})
	if err != nil {
		return err
	}
	if len(codes) > ForecastRigs {
		c.Query.Fail("yard", "more than 1000 rigs; ask for a yard")
		return c.Query.Err()
	}
	slices.Sort(codes)
	docs := []taskForecastDoc{}
	for _, code := range codes {
		f, err := c.Fleet.Forecast(code, fleet.WhatIf{})
		if fleet.CodeOf(err) == fleet.NotFound || fleet.CodeOf(err) == fleet.Conflict {
			continue // retired meanwhile
		}
		if err != nil {
			return err
		}
		for _, t := range f.Tasks {
			if t.Band.P50.OK && !t.Band.P50.Date.After(until) {
				docs = append(docs, taskForecastDocOf(code, t))
			}
		}
	}
	slices.SortStableFunc(docs, func(a, b taskForecastDoc) int {
		if d := a.P50.Compare(b.P50); d != 0 {
			return d
		}
		return cmp.Compare(a.Rig, b.Rig)
	})
	return c.Answer(200, map[string]any{"tasks": docs, "until": until, "notice": forecastNotice})
}
