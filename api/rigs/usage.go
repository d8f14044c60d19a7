package rigs

import (
	"rigledger/api/call"
	"rigledger/api/shape"
	"rigledger/fleet"
	"rigledger/fleet/meter"
	"rigledger/fleet/plan"
)

// usageMost is how many buckets one answer has at most.
const usageMost = 4000

// usageDoc is the usage of one bucket of the calendar:
// {"from":"2026-04-02","to":"2026-04-03","pump":{"hours":6.2}}.
type usageDoc struct {
	from, to plan.Date // to is not in it
	meters   []usageOf
}

type usageOf struct {
	meter  string
	amount plan.Amounts
}

func (u usageDoc) MarshalJSON() ([]byte, error) {
	b := []byte(`{"from":"` + u.from.String() + `","to":"` + u.to.String() + `"`)
	for _, m := range u.meters {
		name := m.meter // a code: nothing to escape
		if name == "from" || name == "to" {
			name = "meter_" + name
		}
		amount, err := m.amount.MarshalJSON()
		if err != nil {
			return nil, err
		}
		b = append(shape.Field(b, name), amount...)
	}
	return append(b, '}'), nil
}

// GetUsage answers GET /v1/rigs/{rig}/usage.
func (res *Resources) GetUsage(c *call.Call) error {
	q := &c.Query
	from, to := q.Date("from"), q.Date("to")
	by := meter.Day
	if w := q.Words("by", "day", "week", "month", "season"); len(w) == 1 {
		by = meter.Period(w[0])
	} else if len(w) > 1 {
		q.Fail("by", "must be one of day, week, month, season")
	}
	meters := q.Words("meter")
	if err := q.Err(); err != nil {
		return err
	}
	var doc struct {
		Rig    string                  `json:"rig"`
		From   plan.Date               `json:"from"`
		To     plan.Date               `json:"to"`
		By     string                  `json:"by"`
		Usage  []usageDoc              `json:"usage"`
		Totals map[string]plan.Amounts `json:"totals"`
	}
	var tag string
	err := c.View(func(s *fleet.State) error {
		r, err := c.Rig(s)
		if err != nil {
			return err
		}
		today := c.Today(s)
		if to.IsZero() {
			to = today.AddDays(1)
		}
		if from.IsZero() {
			from = to.AddDays(-31)
			if by != meter.Day {
				from = to.AddMonths(-12)
			}
		}
		if !from.Before(to) {
			q.Fail("to", "must be a date after from")
		} else if n := from.DaysUntil(to); by == meter.Day && n > usageMost || n > usageMost*7 {
			q.Fail("to", "makes more than 4000 buckets; ask for longer ones or less time")
		}
		if err := q.Err(); err != nil {
			return err
		}
		doc.Rig, doc.From, doc.To, doc.By = r.Rig, from, to, string(by)
		doc.Usage, doc.Totals, err = usageOfRig(s, r, from, to, by, meters)
		tag = call.Tag(r.Changed, today)
		return err
	})
	if err != nil {
		return err
	}
	return c.Resource(200, tag, doc)
}

// usageOfRig gives the buckets in which any meter moved, and the sums.
func usageOfRig(s *fleet.State, r *fleet.Rig, from, to plan.Date, by meter.Period, meters []string) ([]usageDoc, map[string]plan.Amounts, error) {
	begin, end := shape.Begin(s, from), shape.Begin(s, to)
	season := 1
	if class := s.Class(r.Class); class != nil {
		season = int(class.Season.From.Month)
	}
	var docs []usageDoc
	totals := map[string]plan.Amounts{}
	for _, m := range r.Meters {
		if !call.Wants(meters, m.Meter) {
			continue
		}
		quantity := m.Series.Quantity
		buckets, err := m.Series.Buckets(s.Zone(), begin, end, by, season)
		if err != nil {
			return nil, nil, err
		}
		if docs == nil {
			docs = make([]usageDoc, len(buckets))
		}
		for i, b := range buckets {
			docs[i].from, docs[i].to = plan.Of(b.From, s.Zone()), plan.Of(b.To, s.Zone())
			if b.Usage != 0 {
				docs[i].meters = append(docs[i].meters, usageOf{m.Meter, shape.Amount(quantity, b.Usage)})
			}
		}
		totals[m.Meter] = shape.Amount(quantity, m.Series.Usage(begin.UnixMilli(), end.UnixMilli()))
	}
	moved := docs[:0]
	for _, d := range docs {
		if len(d.meters) > 0 {
			moved = append(moved, d)
		}
	}
	return shape.List(moved), totals, nil
}
