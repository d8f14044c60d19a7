package demo_test

import (
	"math"
	"sort"
	"strings"
	"testing"
	"time"

	"go.yaml.in/yaml/v3"

	"rigledger/events"
)

// oracle works out what is due by brute force: it keeps every fact of the
// ledger, reads the plans as bare YAML, and counts from scratch in floating
// point. It shares nothing with the fleet, the meters or the plans but the rules
// written in the packages' documentation.
type oracle struct {
	registered map[string]time.Time
	firstUse   map[string]string
	class      map[string]string
	plan       map[string]string // rig → plan
	plans      map[string]map[string]any
	parts      map[string][]*oraclePart
	start      map[string]map[string]float64 // rig → quantity → value when it came
	reads      map[string][]oracleRead       // rig+" "+quantity
	swaps      map[string][]oracleRead
	quantity   map[string]string // rig+" "+meter → quantity
	items      map[string]*events.ItemRaised
	ended      map[string]time.Time // part.task → newest end
	cycles     map[string]int
	open       map[string]string // part.task → open item
}

type oraclePart struct{ id, kind string }

type oracleRead struct {
	at    time.Time
	value float64
}

func newOracle() *oracle {
	return &oracle{
		registered: map[string]time.Time{}, firstUse: map[string]string{}, class: map[string]string{}, plan: map[string]string{},
		plans: map[string]map[string]any{}, parts: map[string][]*oraclePart{}, start: map[string]map[string]float64{},
		reads: map[string][]oracleRead{}, swaps: map[string][]oracleRead{}, quantity: map[string]string{},
		items: map[string]*events.ItemRaised{}, ended: map[string]time.Time{}, cycles: map[string]int{}, open: map[string]string{},
	}
}

func (o *oracle) take(c *events.Commit) error {
	for _, e := range c.Facts {
		switch f := e.Fact.(type) {
		case *events.RigRegistered:
			o.registered[f.Rig], o.firstUse[f.Rig], o.class[f.Rig] = c.Recorded, f.FirstUse, f.Class
			o.start[f.Rig] = map[string]float64{}
			o.parts[f.Rig] = append(o.parts[f.Rig], &oraclePart{f.Rig, "rig"})
		case *events.PartFitted:
			o.parts[f.Rig] = append(o.parts[f.Rig], &oraclePart{f.Part, f.Type})
		case *events.MeterAdded:
			o.quantity[f.Rig+" "+f.Meter] = f.Quantity
			o.start[f.Rig][f.Quantity] = base(f.Quantity, f.Value)
		case *events.MeterRead:
			for _, counter := range f.Counters {
				q := o.quantity[f.Rig+" "+counter.Meter]
				o.reads[f.Rig+" "+q] = append(o.reads[f.Rig+" "+q], oracleRead{e.At, base(q, counter.Value)})
			}
		case *events.MeterSwapped:
			q := o.quantity[f.Rig+" "+f.Meter]
			o.swaps[f.Rig+" "+q] = append(o.swaps[f.Rig+" "+q], oracleRead{e.At, base(q, f.Start)})
		case *events.PlanPublished:
			var p map[string]any
			if err := yaml.Unmarshal([]byte(f.Text), &p); err != nil {
				return err
			}
			o.plans[f.Plan] = p
		case *events.PlanAdopted:
			o.plan[f.Rig] = f.Plan
		case *events.ItemRaised:
			o.items[f.Item] = f
			o.open[f.Part+"."+f.Task] = f.Item
		case *events.ItemFinished:
			it := o.items[f.Item]
			for _, name := range append([]string{it.Part + "." + it.Task}, f.Includes...) {
				o.cycles[name]++
				delete(o.open, name)
				if e.At.After(o.ended[name]) {
					o.ended[name] = e.At
				}
			}
		}
	}
	return nil
}

// base turns base units into hours and hectares.
func base(quantity string, v int64) float64 {
	if quantity == "hours" {
		return float64(v) / 3600
	}
	return float64(v) / 10000
}

// total is a rig's total at a time: every reading in order of time, gains added
// up counter by counter, linear in between.
func (o *oracle) total(rig, quantity string, at time.Time) (float64, bool) {
	total, ok := o.start[rig][quantity]
	if !ok {
		return 0, false
	}
	reads := o.reads[rig+" "+quantity]
	sort.SliceStable(reads, func(i, j int) bool { return reads[i].at.Before(reads[j].at) })
	last, lastAt := total, time.Time{}
	swaps := o.swaps[rig+" "+quantity]
	for _, r := range reads {
		for len(swaps) > 0 && !swaps[0].at.After(r.at) {
			last, lastAt = swaps[0].value, swaps[0].at
			swaps = swaps[1:]
		}
		if r.at.After(at) {
			if !lastAt.IsZero() && at.After(lastAt) {
				total += (r.value - last) * float64(at.Sub(lastAt)) / float64(r.at.Sub(lastAt))
			}
			return total, true
		}
		total += r.value - last
		last, lastAt = r.value, r.at
	}
	return total, true
}

// lastWork is the last day on which a counter of the rig ran.
func (o *oracle) lastWork(rig string) (day time.Time) {
	for _, q := range []string{"hours", "area"} {
		reads := o.reads[rig+" "+q]
		for i := range reads {
			if (i == 0 || reads[i].value > reads[i-1].value) && reads[i].at.After(day) {
				day = reads[i].at
			}
		}
	}
	return day
}

// due gives item → "due" or "overdue" for everything that is.
func (o *oracle) due(t *testing.T, now time.Time) map[string]string {
	t.Helper()
	out := map[string]string{}
	for rig := range o.registered {
		for _, raw := range o.plans[o.plan[rig]]["tasks"].([]any) {
			task := raw.(map[string]any)
			for _, part := range o.parts[rig] {
				if part.kind != task["part"] {
					continue
				}
				name := part.id + "." + task["task"].(string)
				if status := o.status(rig, name, task, now); status != "" {
					item := o.open[name]
					if item == "" {
						t.Errorf("%s is %s and has no open item", name, status)
					}
					out[item] = status
				}
			}
		}
	}
	return out
}

var units = map[string]string{"hours": "hours", "hectares": "area"}

// status is "", "due" or "overdue": the worst of the task's triggers.
func (o *oracle) status(rig, name string, task map[string]any, now time.Time) string {
	came := o.registered[rig]
	from := date(came)
	if task["weight"] == "statutory" && o.firstUse[rig] != "" {
		if first, _ := time.Parse(time.DateOnly, o.firstUse[rig]); first.Before(from) {
			from = first
		}
	}
	done, wasDone := o.ended[name], o.cycles[name] > 0
	if wasDone {
		from = date(done)
	}
	routine := task["weight"] == nil || task["weight"] == "routine"
	worst := 0
	take := func(rank int) { worst = max(worst, rank) }
	past := func(over, grace float64) {
		switch {
		case over > grace+1e-6:
			take(2)
		case over >= -1e-6:
			take(1)
		}
	}
	counters := func(every map[string]any, sinceNew bool) {
		for field, q := range units {
			length, ok := number(every[field])
			total, measured := o.total(rig, q, now)
			if !ok || !measured {
				continue
			}
			base := o.start[rig][q]
			if wasDone && !sinceNew {
				base, _ = o.total(rig, q, done)
			}
			grace := 0.0
			if routine {
				grace = math.Floor(length*3600/10) / 3600
			}
			past(total-base-length, grace)
		}
	}
	today := date(now)
	season := time.Date(now.Year(), 3, 1, 0, 0, 0, 0, time.UTC)
	if today.After(time.Date(now.Year(), 10, 31, 0, 0, 0, 0, time.UTC)) {
		season = season.AddDate(1, 0, 0)
	}
	calendar := func(limit time.Time, grace int) {
		if task["in_season"] == true && limit.Before(season) {
			limit = season
		}
		past(today.Sub(limit).Hours()/24, float64(grace))
	}
	if every, ok := task["every"].(map[string]any); ok {
		counters(every, false)
		months, days := 0, 0
		if m, ok := number(every["months"]); ok {
			months = int(m)
		}
		if d, ok := number(every["days"]); ok {
			days = int(d)
		}
		shortest := months * 30
		if days > 0 && (months == 0 || days < shortest) {
			shortest = days
		}
		grace := 0
		if routine {
			grace = shortest / 10
		}
		if months > 0 {
			calendar(from.AddDate(0, months, 0), grace)
		}
		if days > 0 {
			calendar(from.AddDate(0, 0, days), grace)
		}
	}
	if on, ok := task["on"].([]any); ok {
		limit := from
		if wasDone {
			limit = from.AddDate(0, 0, 61)
		}
		for !strings.HasSuffix(limit.Format(time.DateOnly), on[0].(string)) {
			limit = limit.AddDate(0, 0, 1)
		}
		past(today.Sub(limit).Hours()/24, 0) // the house plans write a grace of none
	}
	if task["season_start"] == true {
		if wasDone && !date(done).Before(season.AddDate(0, 0, -60)) {
			past(today.Sub(season.AddDate(1, 0, 0)).Hours()/24, 7)
		} else if !today.Before(season) {
			t := 1
			if !date(o.lastWork(rig)).Before(season) && !today.Before(season.AddDate(0, 0, 7)) {
				t = 2
			}
			take(t)
		}
	}
	return [...]string{"", "due", "overdue"}[worst]
}

func date(t time.Time) time.Time {
	return time.Date(t.Year(), t.Month(), t.Day(), 0, 0, 0, 0, time.UTC)
}

func number(v any) (float64, bool) {
	switch n := v.(type) {
	case int:
		return float64(n), true
	case float64:
		return n, true
	}
	return 0, false
}
