package fleet

import (
	"context"
	"sort"
	"time"

	"rigledger/events"
	"rigledger/fleet/meter"
)

// AddMeter gives a registered rig another meter.
type AddMeter struct {
	Rig string `json:"-"`
	StartMeter
}

func (a *AddMeter) Touches() []string { return []string{"rig:" + a.Rig} }

func (a *AddMeter) Decide(d Deciding) ([]events.Entry, error) {
	rig, err := d.liveRig(a.Rig)
	if err != nil {
		return nil, err
	}
	var c check
	e := a.entry(d, &c, "", a.Rig)
	if err := c.err(); err != nil {
		return nil, err
	}
	if rig.Meter(a.Meter) != nil {
		return nil, conflict("rig %s has a meter %q already", a.Rig, a.Meter)
	}
	if len(rig.Meters) >= 16 {
		return nil, conflict("rig %s has 16 meters already", a.Rig)
	}
	return []events.Entry{e}, nil
}

// SwapMeter says that a rig's counter was replaced: the old one showed Last
// (absent: what was last read), the new one began with Start. Values are in
// hours, hectares, litres, kilometres or counts.
type SwapMeter struct {
	Rig    string     `json:"-"`
	Meter  string     `json:"-"`
	At     *time.Time `json:"at,omitempty"`
	Last   *float64   `json:"last,omitempty"`
	Start  float64    `json:"start"`
	Reason string     `json:"reason"`
}

func (w *SwapMeter) Touches() []string { return []string{"rig:" + w.Rig} }

func (w *SwapMeter) Decide(d Deciding) ([]events.Entry, error) {
	rig, err := d.liveRig(w.Rig)
	if err != nil {
		return nil, err
	}
	m := rig.Meter(w.Meter)
	if m == nil {
		return nil, missing("meter", w.Meter)
	}
	var c check
	c.text("/reason", w.Reason, 500)
	at := c.past("/at", w.At, d.Now)
	q := m.Series.Quantity
	start, err := meter.ToBase(q, w.Start, q.Unit())
	if err != nil {
		c.fail("/start", "%v", err)
	}
	var last *int64
	if w.Last != nil {
		v, err := meter.ToBase(q, *w.Last, q.Unit())
		if err != nil {
			c.fail("/last", "%v", err)
		}
		if known, ok := m.Series.Last(); ok && known.At <= at.UnixMilli() && v < known.Value {
			c.fail("/last", "is below the last reading of the old counter, %.2f", q.FromBase(known.Value))
		}
		last = &v
	}
	if err := c.err(); err != nil {
		return nil, err
	}
	if err := swapFits(m.Series, at, last, start); err != nil {
		return nil, err
	}
	e := d.entry(&events.MeterSwapped{Rig: w.Rig, Meter: w.Meter, Last: last, Start: start, Reason: w.Reason})
	e.At = at
	return []events.Entry{e}, nil
}

// swapFits refuses a swap after which the meter's total would fall somewhere: a
// start above what the new counter showed later, or a last below what the old one
// had shown.
func swapFits(series *meter.Series, at time.Time, last *int64, start int64) error {
	after := series.Clone()
	after.Swap(at.UnixMilli(), last, start)
	when, falls := totalFalls(after)
	if _, before := totalFalls(series); !falls || before {
		return nil
	}
	return invalid("/start", "does not fit the readings on record: with it the meter's total would fall at %s", unixMilli(when).UTC().Format(time.RFC3339))
}

// totalFalls gives the first reading or swap at which a total is below the one before.
func totalFalls(s *meter.Series) (at int64, falls bool) {
	const ever = 1 << 60
	total, epoch := s.Epochs[0].Base, 0
	swapped := func(to int) bool {
		for ; epoch < to && !falls; epoch++ {
			next := &s.Epochs[epoch+1]
			at, falls, total = next.At, next.Base < total, next.Base
		}
		return falls
	}
	for _, r := range s.Points(-ever, ever) {
		if swapped(r.Epoch) {
			return at, true
		}
		if r.Total < total {
			return r.At, true
		}
		total = r.Total
	}
	swapped(len(s.Epochs) - 1)
	return at, falls
}

// VoidReading takes back a wrong reading that got in.
type VoidReading struct {
	Rig    string    `json:"-"`
	Meter  string    `json:"meter"`
	At     time.Time `json:"at"`
	Reason string    `json:"reason"`
}

func (v *VoidReading) Touches() []string { return []string{"rig:" + v.Rig} }

func (v *VoidReading) Decide(d Deciding) ([]events.Entry, error) {
	rig, err := d.liveRig(v.Rig)
	if err != nil {
		return nil, err
	}
	var c check
	c.text("/reason", v.Reason, 500)
	if v.At.IsZero() {
		c.fail("/at", "is missing")
	}
	if err := c.err(); err != nil {
		return nil, err
	}
	m := rig.Meter(v.Meter)
	if m == nil {
		return nil, missing("meter", v.Meter)
	}
	at := events.Milli(v.At)
	if len(m.Series.Points(at.UnixMilli(), at.UnixMilli())) == 0 {
		return nil, missing("reading", v.Meter+" at "+at.Format(time.RFC3339Nano))
	}
	e := d.entry(&events.ReadingVoided{Rig: v.Rig, Meter: v.Meter, Reason: v.Reason})
	e.At = at
	return []events.Entry{e}, nil
}

// How a quarantined reading may be released.
const (
	ReleaseAsIs      = "as_is"
	ReleaseSwap      = "swap"
	ReleaseCorrected = "corrected"
)

// releasedEvent begins the id of a reading that came out of quarantine.
const releasedEvent = "released:"

// Release ends a quarantine by applying the reading: as it is, as the first
// reading of a new counter, or with corrected values (in the meter's unit).
type Release struct {
	Quarantine string             `json:"-"`
	How        string             `json:"how"`
	Reason     string             `json:"reason"`
	SwapAt     *time.Time         `json:"swap_at,omitempty"` // absent: just after the last reading of the old counter
	Last       *float64           `json:"last,omitempty"`    // what the old counter showed at its end
	Start      float64            `json:"start,omitempty"`   // what the new one showed at its beginning
	Values     map[string]float64 `json:"values,omitempty"`  // corrected, by meter
}

// Touches everything: which rig's meters it is about only the state knows.
func (r *Release) Touches() []string { return []string{Everything} }

func (r *Release) Decide(d Deciding) ([]events.Entry, error) {
	h, err := d.openHeld(r.Quarantine)
	if err != nil {
		return nil, err
	}
	var c check
	c.text("/reason", r.Reason, 500)
	if r.How != ReleaseAsIs && r.How != ReleaseSwap && r.How != ReleaseCorrected {
		c.fail("/how", "must be as_is, swap or corrected")
	}
	if err := c.err(); err != nil {
		return nil, err
	}
	rig := d.Rigs[h.Rig]
	if rig == nil || rig.Retired || len(h.Counters) == 0 {
		return nil, conflict("%s cannot be applied: it was held because of %s; dismiss it, or send the reading anew", h.Quarantine, h.Reason)
	}
	read := &events.MeterRead{Rig: h.Rig, Event: releasedEvent + h.Quarantine, Location: h.Location}
	out := []events.Entry{d.entry(&events.ReadingReleased{Quarantine: h.Quarantine, Rig: h.Rig, How: r.How, Reason: r.Reason})}
	for _, counter := range h.Counters {
		m := rig.Meter(counter.Meter)
		if m == nil {
			return nil, conflict("rig %s has no meter %q; add it first, or dismiss the reading", h.Rig, counter.Meter)
		}
		p := meter.Point{At: h.At.UnixMilli()}
		if r.How != ReleaseCorrected {
			if p.Value, err = meter.ToBase(m.Series.Quantity, counter.Value, counter.Unit); err != nil {
				return nil, conflict("%s: %v; release it as corrected, or dismiss it", counter.Meter, err)
			}
		}
		switch r.How {
		case ReleaseSwap:
			swap, err := r.swap(d, m, h, p)
			if err != nil {
				return nil, err
			}
			out = append(out, swap)
		case ReleaseCorrected:
			v, ok := r.Values[counter.Meter]
			if !ok {
				return nil, invalid("/values/"+counter.Meter, "is missing")
			}
			if p.Value, err = meter.ToBase(m.Series.Quantity, v, m.Series.Quantity.Unit()); err != nil {
				return nil, invalid("/values/"+counter.Meter, "%v", err)
			}
			if verdict := d.judge(rig, m, p, nil); verdict != meter.Fits && verdict != meter.Repeat {
				return nil, invalid("/values/"+counter.Meter, "does not fit between its neighbours either (%v)", verdict)
			}
		case ReleaseAsIs:
			if h.At.After(d.Now.Add(futureSlack)) {
				return nil, conflict("its time still lies in the future; dismiss it, or correct the rig's clock and send it anew")
			}
		}
		read.Counters = append(read.Counters, events.Counter{Meter: counter.Meter, Value: p.Value})
	}
	e := d.entry(read)
	e.At = h.At
	return append(out, e), nil
}

func (r *Release) swap(d Deciding, m *Meter, h *Held, p meter.Point) (events.Entry, error) {
	q := m.Series.Quantity
	start, err := meter.ToBase(q, r.Start, q.Unit())
	if err != nil {
		return events.Entry{}, invalid("/start", "%v", err)
	}
	if start > p.Value {
		return events.Entry{}, invalid("/start", "is above the reading itself, %.2f", q.FromBase(p.Value))
	}
	swap := &events.MeterSwapped{Rig: h.Rig, Meter: m.Meter, Start: start, Reason: r.Reason}
	if r.Last != nil {
		v, err := meter.ToBase(q, *r.Last, q.Unit())
		if err != nil {
			return events.Entry{}, invalid("/last", "%v", err)
		}
		swap.Last = &v
	}
	// Without word of when, the new counter began just after the old one was last read.
	at := h.At.UnixMilli()
	for _, known := range m.Series.Points(0, at) {
		if known.At < at {
			at = known.At + 1
		}
		if known.At+1 > at {
			at = known.At + 1
		}
	}
	if r.SwapAt != nil {
		at = r.SwapAt.UnixMilli()
	}
	if at > h.At.UnixMilli() {
		return events.Entry{}, invalid("/swap_at", "lies after the reading itself")
	}
	if err := swapFits(m.Series, unixMilli(at), swap.Last, start); err != nil {
		return events.Entry{}, err
	}
	return events.Entry{At: unixMilli(at), By: d.By, Fact: swap}, nil
}

// Dismiss ends a quarantine without applying it. The message stays on record.
type Dismiss struct {
	Quarantine string `json:"-"`
	Reason     string `json:"reason"`
}

// Touches everything, as Release does.
func (r *Dismiss) Touches() []string { return []string{Everything} }

func (r *Dismiss) Decide(d Deciding) ([]events.Entry, error) {
	h, err := d.openHeld(r.Quarantine)
	if err != nil {
		return nil, err
	}
	var c check
	c.text("/reason", r.Reason, 500)
	if err := c.err(); err != nil {
		return nil, err
	}
	return []events.Entry{d.entry(&events.ReadingDismissed{Quarantine: h.Quarantine, Rig: h.Rig, Reason: r.Reason})}, nil
}

func (s *State) openHeld(id string) (*Held, error) {
	h := s.Held[id]
	if h == nil {
		return nil, missing("quarantine", id)
	}
	if h.Outcome != "" {
		return nil, conflict("%s was ended already (%s)", id, h.Outcome)
	}
	return h, nil
}

func invalid(field, format string, args ...any) error {
	var c check
	c.fail(field, format, args...)
	return c.err()
}

// Reconsider releases the readings of a rig that were held because they did
// not fit and that fit now, after a swap, a release or a void. Call it after each of these.
func (f *Fleet) Reconsider(ctx context.Context, rig string) error {
	_, err := f.Do(ctx, "rigledger", &reconsider{rig: rig}, nil)
	return err
}

type reconsider struct{ rig string }

func (r *reconsider) Touches() []string { return []string{"rig:" + r.rig} }

func (r *reconsider) Decide(d Deciding) ([]events.Entry, error) {
	rig := d.Rigs[r.rig]
	if rig == nil || rig.Retired {
		return nil, nil
	}
	var held []*Held
	for _, h := range d.heldByRig[r.rig] {
		if len(h.Counters) > 0 && (h.Reason == WhyFalls || h.Reason == WhyTooFast) {
			held = append(held, h)
		}
	}
	sort.Slice(held, func(i, j int) bool {
		if !held[i].At.Equal(held[j].At) {
			return held[i].At.Before(held[j].At)
		}
		return held[i].Quarantine < held[j].Quarantine
	})
	pending := map[*Meter][]meter.Point{}
	var out []events.Entry
	for _, h := range held {
		read := &events.MeterRead{Rig: h.Rig, Event: releasedEvent + h.Quarantine, Location: h.Location}
		fits := true
		for _, c := range h.Counters {
			m := rig.Meter(c.Meter)
			if m == nil {
				fits = false
				break
			}
			value, err := meter.ToBase(m.Series.Quantity, c.Value, c.Unit)
			v := d.judge(rig, m, meter.Point{At: h.At.UnixMilli(), Value: value}, pending[m])
			fits = fits && err == nil && (v == meter.Fits || v == meter.Repeat)
			read.Counters = append(read.Counters, events.Counter{Meter: c.Meter, Value: value})
		}
		if !fits {
			continue
		}
		if len(out)+2 > events.MaxFacts-2 {
			break // the rest at the next occasion
		}
		for _, c := range read.Counters {
			m := rig.Meter(c.Meter)
			pending[m] = append(pending[m], meter.Point{At: h.At.UnixMilli(), Value: c.Value})
		}
		out = append(out, d.entry(&events.ReadingReleased{
			Quarantine: h.Quarantine, Rig: h.Rig, How: ReleaseAsIs, Reason: "it fits, now that its meter's history was put right",
		}))
		out = append(out, events.Entry{At: h.At, By: sender(&events.Arrival{Rig: h.Rig}), Fact: read})
	}
	return out, nil
}

// RigOfQuarantine is the rig a quarantine is about, "" for none.
func (f *Fleet) RigOfQuarantine(id string) (rig string) {
	f.View(func(s *State) {
		if h := s.Held[id]; h != nil {
			rig = h.Rig
		}
	})
	return rig
}
