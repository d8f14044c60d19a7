package fleet

import (
	"math"
	"strings"
	"time"

	"rigledger/events"
	"rigledger/fleet/meter"
	"rigledger/fleet/plan"
)

// RecordMeter is a meter as it stood when the record was made.
type RecordMeter struct {
	Meter    string         `json:"meter"`
	Quantity string         `json:"quantity"`
	Total    plan.Amounts   `json:"total"`
	Counter  plan.Amounts   `json:"counter"`            // what the counter now fitted showed at its newest reading, else when it was fitted
	Start    plan.Amounts   `json:"start"`              // what the first counter showed when the meter came under the ledger
	RestsOn  *RecordReading `json:"rests_on,omitempty"` // the newest reading; nil: never read
	Swaps    []RecordSwap   `json:"swaps,omitempty"`
}

// RecordSwap is a change of the counter, or its beginning anew, that stands.
type RecordSwap struct {
	At     time.Time    `json:"at"`
	Last   plan.Amounts `json:"last"` // of the old counter
	Given  bool         `json:"last_given"`
	Start  plan.Amounts `json:"start"` // of the new one
	Total  plan.Amounts `json:"total"` // of the meter then
	Rolled bool         `json:"rolled,omitempty"`
	Commit uint64       `json:"commit"`
}

// RecordReading is a reading with the commit that proves it. The ones that a
// series drew on the line between readings, where a swap was entered late, have
// no commit.
type RecordReading struct {
	At       time.Time    `json:"at"`
	Counter  plan.Amounts `json:"counter"`
	Total    plan.Amounts `json:"total"` // of the meter
	By       string       `json:"by,omitempty"`
	Event    string       `json:"event,omitempty"`
	Commit   uint64       `json:"commit,omitempty"`
	Recorded time.Time    `json:"recorded,omitzero"`
}

// RecordFact is a fact of the record with what it has to be judged by.
type RecordFact struct {
	Logged
	Meters []MeterThen `json:"meters,omitempty"`
	Since  []RecordRun `json:"since_last,omitempty"` // of a job done: it, and what else it counted for
}

// MeterThen is a meter's total at a time: linear between what lies on either
// side, kept readings and changes of the counter.
type MeterThen struct {
	Meter  string         `json:"meter"`
	Total  plan.Amounts   `json:"total"`
	Before *RecordReading `json:"before,omitempty"` // at that time or before; nil: none
	After  *RecordReading `json:"after,omitempty"`  // nil: none
	Swaps  []RecordSwap   `json:"swaps,omitempty"`  // changes of the counter between these
}

// RecordRun is how much a part had run when a task was done on it, since the time
// before, counted as its plan counts.
type RecordRun struct {
	Part  string       `json:"part"`
	Task  string       `json:"task"`
	From  time.Time    `json:"from"`
	First bool         `json:"first,omitempty"` // it was never done before: From is where counting began
	Ran   plan.Amounts `json:"ran"`
}

// measuredAt is the time whose counters a fact is judged by, if there is one. A
// certificate names the day of its inspection alone, whose first instant counts, as
// for the task that it ends.
func (s *State) measuredAt(e *events.Entry) (at int64, ok bool) {
	switch f := e.Fact.(type) {
	case *events.PartFitted:
		return e.At.UnixMilli(), !f.FromStart
	case *events.CertificateIssued:
		day, err := plan.ParseDate(f.Inspected)
		return meter.FirstInstant(day.Year, day.Month, day.Day, s.zone).UnixMilli(), err == nil
	case *events.ItemFinished, *events.InspectionJudged, *events.CalibrationMade, *events.PartRemoved, *events.MeterSwapped:
		return e.At.UnixMilli(), true
	}
	return 0, false
}

func amountOf(q meter.Quantity, base int64) (a plan.Amounts) {
	a.SetNamed(string(q), base)
	return a
}

// recordMeters gives every meter as it stands.
func recordMeters(rig *Rig) []RecordMeter {
	var all []RecordMeter
	for _, m := range rig.Meters {
		s := m.Series
		total, _ := s.Total()
		now := s.Epochs[len(s.Epochs)-1]
		one := RecordMeter{
			Meter: m.Meter, Quantity: string(s.Quantity), Total: amountOf(s.Quantity, total), Start: amountOf(s.Quantity, s.Epochs[0].Start),
			Counter: amountOf(s.Quantity, total-now.Base+now.Start), RestsOn: readingBefore(s, farFuture),
		}
		one.Swaps = recordSwaps(rig, m, math.MinInt64, math.MaxInt64)
		all = append(all, one)
	}
	return all
}

// recordSwaps gives the changes of a meter's counter from one time to another.
func recordSwaps(rig *Rig, m *Meter, from, to int64) []RecordSwap {
	var all []RecordSwap
	s := m.Series
	for i := 1; i < len(s.Epochs); i++ {
		e, old := &s.Epochs[i], &s.Epochs[i-1]
		if e.At < from || e.At > to {
			continue
		}
		swap := RecordSwap{
			At: time.UnixMilli(e.At).UTC(), Start: amountOf(s.Quantity, e.Start), Total: amountOf(s.Quantity, e.Base),
			Given: old.End != nil, Last: amountOf(s.Quantity, e.Base-old.Base+old.Start),
		}
		swap.Commit, swap.Rolled = swappedIn(rig, m.Meter, e.At)
		all = append(all, swap)
	}
	return all
}

// swappedIn gives the newest commit that says that a counter was changed then.
func swappedIn(rig *Rig, name string, at int64) (n uint64, rolled bool) {
	for i := len(rig.Timeline) - 1; i >= 0; i-- {
		l := &rig.Timeline[i]
		if f, ok := l.Entry.Fact.(*events.MeterSwapped); ok && f.Meter == name && l.Entry.At.UnixMilli() == at {
			return l.N, f.Rolled
		}
	}
	return 0, false
}

func readingBefore(s *meter.Series, to int64) *RecordReading {
	at, ok := s.ReadBefore(to)
	if !ok {
		return nil
	}
	points := s.Points(at, at)
	return recordReading(s.Quantity, points[len(points)-1])
}

func recordReading(q meter.Quantity, p meter.Reading) *RecordReading {
	return &RecordReading{At: time.UnixMilli(p.At).UTC(), Counter: amountOf(q, p.Value), Total: amountOf(q, p.Total)}
}

// metersThen gives every meter that was there at a time.
func metersThen(rig *Rig, at int64) []MeterThen {
	var all []MeterThen
	for _, m := range rig.Meters {
		s := m.Series
		if at < s.Epochs[0].At {
			continue
		}
		then := MeterThen{Meter: m.Meter, Total: amountOf(s.Quantity, s.TotalAt(at)), Before: readingBefore(s, at+1)}
		from, to := int64(math.MinInt64), int64(math.MaxInt64)
		if then.Before != nil {
			from = then.Before.At.UnixMilli()
		}
		if next, ok := s.ReadAfter(at); ok {
			then.After, to = recordReading(s.Quantity, next), next.At
		}
		then.Swaps = recordSwaps(rig, m, from, to)
		all = append(all, then)
	}
	return all
}

// ends are the times at which tasks were done on parts, oldest first, by
// "<part>.<task>". What was taken back is not among them.
func (s *State) ends(rig *Rig) map[string][]int64 {
	ends := map[string][]int64{}
	seen := map[string]bool{}
	for i := range rig.Timeline {
		f, ok := rig.Timeline[i].Entry.Fact.(*events.ItemFinished)
		if !ok || seen[f.Item] {
			continue
		}
		seen[f.Item] = true
		it := s.Items[f.Item]
		if it == nil || it.Stage != Done {
			continue
		}
		at := it.EndedAt.UnixMilli()
		ends[it.Part+"."+it.Task] = append(ends[it.Part+"."+it.Task], at)
		for _, also := range it.Counted {
			ends[also.Part+"."+also.Task] = append(ends[also.Part+"."+also.Task], at)
		}
	}
	return ends
}

// runs says how much had run when a job was done, for it and for what it counted for.
func (s *State) runs(w *reckoning, ends map[string][]int64, f *events.ItemFinished, done time.Time) []RecordRun {
	it := s.Items[f.Item]
	if it == nil {
		return nil
	}
	var all []RecordRun
	at := done.UnixMilli()
	for _, key := range append([]string{it.Part + "." + it.Task}, f.Includes...) {
		part, task, _ := strings.Cut(key, ".")
		p := s.Parts[part]
		if p == nil || len(p.Stays) == 0 {
			continue
		}
		run := RecordRun{Part: part, Task: task, First: true}
		from := int64(0)
		for _, end := range ends[key] {
			if end < at && end >= from {
				from, run.First = end, false
			}
		}
		base := w.totals(p, from)
		if run.First {
			var ok bool
			if from, base, ok = w.came(p, at); !ok {
				continue // it was done before the rig came under the ledger
			}
		}
		run.Ran = less(w.totals(p, at), base)
		run.From = time.UnixMilli(from).UTC()
		all = append(all, run)
	}
	return all
}

// came is when the part that was on the rig at a time came to it, and what it had
// then; a part that came with its rig counts from the day of that.
func (w *reckoning) came(p *Part, at int64) (from int64, had plan.Amounts, ok bool) {
	for i := range p.Stays {
		stay := &p.Stays[i]
		from, had = stay.From, w.totals(p, stay.From)
		if stay.FromStart {
			from, had = w.rig.Registered.UnixMilli(), w.wayFor(p).start
		}
		if stay.Rig == w.rig.Rig && from <= at && (stay.To == 0 || at <= stay.To) {
			return from, had, true
		}
	}
	return 0, had, false
}

// less is how much one amount is more than another, for what both hold.
func less(a, b plan.Amounts) (d plan.Amounts) {
	for q, v := range a.All() {
		if w, ok := b.Get(q); ok {
			d.Set(q, v-w)
		}
	}
	return d
}

// readings calls fn with every reading of a record that a commit has to prove.
func (r *Record) readings(fn func(name string, one *RecordReading)) {
	for i := range r.Meters {
		if m := &r.Meters[i]; m.RestsOn != nil {
			fn(m.Meter, m.RestsOn)
		}
	}
	for i := range r.Facts {
		for k := range r.Facts[i].Meters {
			for _, one := range []*RecordReading{r.Facts[i].Meters[k].Before, r.Facts[i].Meters[k].After} {
				if one != nil {
					fn(r.Facts[i].Meters[k].Meter, one)
				}
			}
		}
	}
}
