package console

import (
	"cmp"
	"slices"
	"strconv"
	"strings"
	"time"

	"rigledger/fleet"
	"rigledger/fleet/meter"
	"rigledger/fleet/plan"
)

// rigPart is a part in the rig's list, with its own use over all the rigs it was on.
type rigPart struct {
	Part, Name, Position, Serial string
	Totals                       []rigAmount
	Since                        time.Time // zero: since before the ledger
	Until                        time.Time
	Now                          string // where a part that left is today, "" for nowhere
	Scrapped                     bool
	LastTask                     string
	LastAt                       time.Time
	Status                       string // its most pressing task's
}

// rigAlways is after any reading: totals then are the newest known.
const rigAlways = int64(1) << 60

func rigAmounts(a plan.Amounts) (out []rigAmount) {
	for q, v := range a.All() {
		out = append(out, rigAmount{float64(v) / float64(q.Per()), rigUnit(q.Unit())})
	}
	return out
}

func rigParts(v *visit, s *fleet.State, r *fleet.Rig, lines []fleet.DueLine) (on, left []rigPart) {
	worst := map[string]string{}
	for i := range lines {
		if id := lines[i].Part.Part; worst[id] == "" {
			worst[id] = string(lines[i].Due.Status)
		}
	}
	of := func(id string) rigPart {
		p := s.Parts[id]
		one := rigPart{Part: p.Part, Name: p.Name, Position: p.Position, Serial: p.Serial, Totals: rigAmounts(s.PartTotals(p, rigAlways)), Scrapped: p.Scrapped, Status: worst[id]}
		for _, stay := range p.Stays {
			if stay.Rig == r.Rig {
				one.Since, one.Until = rigTime(stay.From), rigTime(stay.To)
				if stay.FromStart {
					one.Since = time.Time{}
				}
			}
		}
		if now := s.Rigs[p.Rig()]; now != nil && now != r && v.who.MaySee(now.Yard) {
			one.Now = now.Rig
		}
		one.LastTask, one.LastAt = rigLastTask(s, r, p)
		return one
	}
	for _, id := range r.Fitted {
		on = append(on, of(id))
	}
	for _, id := range r.Left {
		if p := s.Parts[id]; p.Rig() != r.Rig {
			left = append(left, of(id))
		}
	}
	return on, left
}

// rigLastTask is what was done last on a part.
func rigLastTask(s *fleet.State, r *fleet.Rig, p *fleet.Part) (title string, at time.Time) {
	newest := int64(0)
	for slug, log := range p.Tasks {
		if log.LastAt > newest || log.LastAt == newest && slug < title {
			newest, title = log.LastAt, slug
		}
	}
	if newest == 0 {
		return "", time.Time{}
	}
	return rigTaskTitle(s, r, title), rigTime(newest)
}

// rigTaskTitle is what the rig's plan calls a task, its slug where it has none of it.
func rigTaskTitle(s *fleet.State, r *fleet.Rig, slug string) string {
	if r != nil {
		if p := s.PlanOf(r.Plan); p != nil && p.Task(slug) != nil {
			return p.Task(slug).Title
		}
	}
	return strings.ReplaceAll(slug, "-", " ")
}

// rigPositions are the places of the rig's class, those that are free first.
func rigPositions(s *fleet.State, r *fleet.Rig) (out []option) {
	class := s.Class(r.Class)
	if class == nil {
		return nil
	}
	taken := map[string]bool{}
	for _, id := range r.Fitted {
		taken[s.Parts[id].Position] = true
	}
	for _, free := range []bool{true, false} {
		for _, p := range class.Parts {
			if taken[p.Position] == free {
				continue
			}
			label := p.Title
			if !free {
				label += " (" + word("taken") + ")"
			}
			out = append(out, option{p.Position, label})
		}
	}
	return out
}

// rigCarried are the parts on the rig, to say what a defect is about.
func rigCarried(s *fleet.State, r *fleet.Rig) []option {
	out := []option{{"", word("the whole rig")}}
	for _, id := range r.Fitted {
		out = append(out, option{id, s.Parts[id].Name})
	}
	return out
}

// rigMeter is a meter with its last readings, which can be voided.
type rigMeter struct {
	Meter, Quantity, Unit, Code string // Code is the unit's in UN/ECE Rec 20
	Counter, Total              float64
	Read                        time.Time
	Swaps                       int
	Last                        []option
}

// rigVoidable is how many of the last readings are offered to be voided.
const rigVoidable = 30

func rigMeters(v *visit, r *fleet.Rig) (out []rigMeter) {
	for _, m := range r.Meters {
		q := m.Series.Quantity
		total, at := m.Series.Total()
		one := rigMeter{Meter: m.Meter, Quantity: string(q), Unit: rigUnit(q.Field()), Code: q.Unit(), Total: q.FromBase(total), Read: rigTime(at), Swaps: len(m.Series.Epochs) - 1}
		one.Counter = q.FromBase(m.Series.Epochs[len(m.Series.Epochs)-1].Start)
		if p, read := m.Series.Last(); read {
			one.Counter = q.FromBase(p.Value)
		}
		since := at - (60 * 24 * time.Hour).Milliseconds()
		points := m.Series.Points(since, rigAlways)
		for i := len(points) - 1; i >= 0 && len(one.Last) < rigVoidable; i-- {
			p := points[i]
			when := time.UnixMilli(p.At)
			one.Last = append(one.Last, option{
				when.UTC().Format(time.RFC3339Nano), when.In(v.zone).Format("2006-01-02 15:04:05") + ", " + rigDecimal(q.FromBase(p.Value), 2) + " " + one.Unit,
			})
		}
		out = append(out, one)
	}
	return out
}

// rigDefect is an open defect.
type rigDefect struct {
	Defect, Part, Name, Text, Code string
	Safety                         bool
	At                             time.Time
	By, Match, Inspection          string
}

func rigDefects(s *fleet.State, r *fleet.Rig) (out []rigDefect) {
	for _, id := range r.Defects {
		d := s.Defects[id]
		one := rigDefect{Defect: id, Part: d.Part, Text: d.Text, Code: d.Code, Safety: d.Safety, At: d.ReportedAt, By: d.ReportedBy, Inspection: d.Inspection}
		if p := s.Parts[d.Part]; p != nil {
			one.Name = p.Name
		}
		out = append(out, one)
	}
	slices.SortStableFunc(out, func(a, b rigDefect) int { // what stops the rig first
		switch {
		case a.Safety && !b.Safety:
			return -1
		case b.Safety && !a.Safety:
			return 1
		}
		return 0
	})
	return out
}

// rigPlans are the newest versions of the plans, those of the rig's class first.
func rigPlans(s *fleet.State, r *fleet.Rig) []option {
	var own, others []option
	for slug, versions := range s.Plans {
		if len(versions) == 0 {
			continue
		}
		newest := versions[len(versions)-1]
		one := option{slug, newest.Parsed.Title}
		if newest.Parsed.ForClass(r.Class) {
			own = append(own, one)
		} else {
			others = append(others, one)
		}
	}
	byValue := func(a, b option) int { return cmp.Compare(a.Value, b.Value) }
	slices.SortFunc(own, byValue)
	slices.SortFunc(others, byValue)
	return append(own, others...)
}

// rigQuantities are what a new meter may count.
func rigQuantities() (out []option) {
	for _, q := range []meter.Quantity{meter.Hours, meter.Area, meter.Volume, meter.Distance, meter.Loads} {
		out = append(out, option{string(q), q.Field()})
	}
	return out
}

func rigCarriedAmount(quantity string, base int64) rigAmount {
	q := meter.Quantity(quantity)
	return rigAmount{q.FromBase(base), rigUnit(q.Field())}
}

// rigDecimal writes a number where a page cannot put it into the reader's form: in
// a choice, in a fact's text.
func rigDecimal(v float64, decimals int) string { return strconv.FormatFloat(v, 'f', decimals, 64) }
