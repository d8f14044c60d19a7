package fleet

import (
	"time"

	"rigledger/fleet/meter"
	"rigledger/fleet/plan"
)

// reckoning is what every task of one rig is worked out from. It is found once
// for all its parts, since most of them run with the same meters.
type reckoning struct {
	s          *State
	rig        *Rig
	class      *plan.Class
	registered plan.Date
	firstUse   plan.Date // zero when not known
	estimated  []meter.Quantity
	ways       []way
}

// way is how the rig's totals are had for the parts that prefer one meter.
type way struct {
	preferred string
	runs      [len(quantities)]run
	now       plan.Amounts
	start     plan.Amounts // when the rig came under the ledger
}

func (s *State) reckon(rig *Rig) *reckoning {
	w := &reckoning{s: s, rig: rig, class: s.Class(rig.Class), registered: plan.Of(rig.Registered, s.zone)}
	if rig.FirstUse != "" {
		w.firstUse, _ = plan.ParseDate(rig.FirstUse)
	}
	for _, q := range [...]meter.Quantity{meter.Hours, meter.Area} {
		if r := s.runOf(rig, q, ""); r.series != nil && r.estimated() {
			w.estimated = append(w.estimated, q)
		}
	}
	return w
}

// wayFor gives the totals for parts at a position.
func (w *reckoning) wayFor(p *Part) *way {
	preferred := ""
	if w.class != nil {
		if at := w.class.PartAt(p.Position); at != nil {
			preferred = at.Meter
		}
	}
	for i := range w.ways {
		if w.ways[i].preferred == preferred {
			return &w.ways[i]
		}
	}
	found := way{preferred: preferred}
	for i, q := range quantities {
		r := w.s.runOf(w.rig, q, preferred)
		found.runs[i] = r
		if r.series == nil {
			continue
		}
		start := r.series.Epochs[0].Start
		if r.convert != nil {
			start = r.convert(start)
		}
		found.now.Set(planQuantities[i], r.at(farFuture))
		found.start.Set(planQuantities[i], start)
	}
	w.ways = append(w.ways, found)
	return &w.ways[len(w.ways)-1]
}

// planQuantities are quantities as plans number them, in the same order.
var planQuantities = func() (out [len(quantities)]plan.Quantity) {
	for i, q := range quantities {
		out[i], _ = plan.QuantityOf(q)
	}
	return out
}()

// ofThisRig says whether the part has been on the rig all its life, so that
// the rig's totals are its own.
func (w *reckoning) ofThisRig(p *Part) bool {
	return len(p.Stays) == 1 && p.Stays[0].FromStart && p.Stays[0].To == 0 && p.Stays[0].Rig == w.rig.Rig && len(p.Carried) == 0
}

// totals is the part's usage of every quantity at a time.
func (w *reckoning) totals(p *Part, at int64) plan.Amounts {
	if !w.ofThisRig(p) {
		return w.s.PartTotals(p, at)
	}
	way := w.wayFor(p)
	if at == farFuture {
		return way.now
	}
	var a plan.Amounts
	for i := range way.runs {
		if r := &way.runs[i]; r.series != nil {
			a.Set(planQuantities[i], r.at(at))
		}
	}
	return a
}

// mark is a moment in a part's life, for counting from.
func (w *reckoning) mark(p *Part, at int64) plan.Mark {
	return plan.Mark{At: at, Totals: w.totals(p, at), Date: plan.Of(time.UnixMilli(at), w.s.zone)}
}

// standingDays is how long before its registration a rig must have been in use
// for its run-in to count as over (own decision: a month of work is past any
// run-in of the house plans).
const standingDays = 30

// fitted fills in where counting starts for a part that nothing was done on
// yet. A part that came with its rig counts from the day the rig came under
// the ledger, since nobody told what was done before; what was can be entered
// by finishing an item back in time.
func (w *reckoning) fitted(in *plan.Input, p *Part) {
	stay := &p.Stays[len(p.Stays)-1]
	if !stay.FromStart {
		in.Fitted = w.mark(p, stay.From)
		return
	}
	way := w.wayFor(p)
	in.Fitted = plan.Mark{At: w.rig.Registered.UnixMilli(), Totals: way.start, Date: w.registered}
	for _, v := range way.start.All() {
		in.Used = in.Used || v > 0
	}
	if !w.firstUse.IsZero() && w.firstUse.AddDays(standingDays).Before(w.registered) {
		in.Used = true
	}
}

// byLaw lets a statutory task count from the rig's first use, as the law does,
// whenever the rig came under the ledger (Directive 2009/128/EC Art. 8, from memory).
func (w *reckoning) byLaw(t *plan.Task, in plan.Input) plan.Input {
	if t.Weight == plan.Statutory && !w.firstUse.IsZero() && w.firstUse.Before(in.Fitted.Date) {
		in.Fitted.Date = w.firstUse
	}
	return in
}
