package fleet

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"strings"
	"time"

	"rigledger/events"
	"rigledger/fleet/meter"
)

// futureSlack is how far ahead of ours a rig's clock may be (design, section 5).
const futureSlack = 10 * time.Minute

const (
	takeMost  = 400     // arrivals decided together
	takeBytes = 1 << 20 // payload bytes of quarantined messages in one decision
)

// Why a reading is held in quarantine. The codes are part of the API.
const (
	WhyUnknownRig   = "unknown-rig"
	WhyRetiredRig   = "retired-rig"
	WhyUnknownMeter = "unknown-meter"
	WhyBadUnit      = "bad-unit"
	WhyFuture       = "future"
	WhyFalls        = "falls"
	WhyTooFast      = "too-fast"
	WhyClash        = "clash"
	WhyUnknownPart  = "unknown-part"
	WhySuspect      = "suspect" // the file that it stood in speaks against it
)

// Take decides arrivals in their order and returns once every one of them is
// durable: as a fact, as a quarantined reading, or because it was in the
// ledger before. It gives the acks that the rigs concerned may now have.
func (f *Fleet) Take(ctx context.Context, arrivals []events.Arrival) ([]events.Ack, error) {
	_, acks, err := f.TakeReport(ctx, arrivals)
	return acks, err
}

// Outcome is what became of one arrival.
type Outcome struct {
	Commit      uint64   // 0 when it was in the ledger before
	Repeat      bool     // nothing new in it
	Quarantined []string // ids of quarantines it went to
	Reason      string   // of the last of them
	Detail      string
}

// TakeReport is Take that also tells what became of each arrival.
func (f *Fleet) TakeReport(ctx context.Context, arrivals []events.Arrival) ([]Outcome, []events.Ack, error) {
	outcomes := make([]Outcome, 0, len(arrivals))
	for rest := arrivals; len(rest) > 0; {
		cmd := &take{arrivals: rest[:min(len(rest), takeMost)]}
		receipt, err := f.Do(ctx, "intake", cmd, nil)
		if err != nil {
			return nil, nil, err
		}
		for i := range cmd.outcomes {
			if o := &cmd.outcomes[i]; !o.Repeat {
				o.Commit = receipt.Commit
			}
		}
		outcomes = append(outcomes, cmd.outcomes...)
		rest = rest[len(cmd.outcomes):]
	}
	return outcomes, f.acksFor(arrivals), nil
}

// AckFor gives what of a rig's newest boot is durable.
func (f *Fleet) AckFor(rig string) (ack events.Ack, ok bool) {
	f.View(func(s *State) {
		r := s.Rigs[rig]
		if r == nil || len(r.Boots) == 0 {
			return
		}
		newest := int64(-1)
		for boot := range r.Boots {
			newest = max(newest, boot)
		}
		ack, ok = r.ack(newest), true
	})
	return ack, ok
}

// ackRanges is how many ranges above the gap an ack carries at most.
const ackRanges = 32

func (r *Rig) ack(boot int64) events.Ack {
	b := r.Boots[boot]
	if b == nil {
		return events.Ack{Rig: r.Rig, Boot: boot}
	}
	have := b.Have[:min(len(b.Have), ackRanges)]
	return events.Ack{Rig: r.Rig, Boot: boot, Seq: b.Seq, Have: append([][2]int64(nil), have...)}
}

func (f *Fleet) acksFor(arrivals []events.Arrival) []events.Ack {
	type of struct {
		rig  string
		boot int64
	}
	var acks []events.Ack
	known := map[of]bool{}
	ids := map[string]int{} // rig → index of its ack for ids without sequence
	f.View(func(s *State) {
		for i := range arrivals {
			a := &arrivals[i]
			r := s.Rigs[a.Rig]
			if r == nil || a.Event == "" {
				continue
			}
			boot, _, ok := events.ParseSequence(a.Event)
			switch {
			case ok && !known[of{a.Rig, boot}]:
				known[of{a.Rig, boot}] = true
				acks = append(acks, r.ack(boot))
			case !ok:
				at, has := ids[a.Rig]
				if !has {
					at = len(acks)
					ids[a.Rig] = at
					acks = append(acks, events.Ack{Rig: a.Rig})
				}
				acks[at].IDs = append(acks[at].IDs, a.Event)
			}
		}
	})
	return acks
}

// take is the command behind Take. It decides as many arrivals as fit in one
// commit and leaves the rest to a next one: len(outcomes) were decided.
type take struct {
	arrivals []events.Arrival
	outcomes []Outcome
}

func (t *take) Touches() []string {
	rigs := map[string]bool{}
	var keys []string
	for i := range t.arrivals {
		if rig := t.arrivals[i].Rig; !rigs[rig] {
			rigs[rig] = true
			keys = append(keys, "rig:"+rig)
		}
	}
	return keys
}

// ahead is what arrivals decided earlier in the same commit will have changed.
type ahead struct {
	points map[*Meter][]meter.Point
	seqs   map[string]bool // "<rig> <event>"
	ids    map[string]bool // quarantines and defects
	closed map[*Meter]bool // swapped in this commit: wait for the next one
	bytes  int
}

func (t *take) Decide(d Deciding) ([]events.Entry, error) {
	t.outcomes = t.outcomes[:0]
	facts := make([]events.Entry, 0, len(t.arrivals))
	h := &ahead{points: map[*Meter][]meter.Point{}, seqs: map[string]bool{}, ids: map[string]bool{}, closed: map[*Meter]bool{}}
	for i := range t.arrivals {
		a := &t.arrivals[i]
		before := len(facts)
		var o Outcome
		var err error
		facts, o, err = d.arrival(facts, a, h)
		// An arrival makes at most one reading, one quarantine and a swap for each
		// of its 32 counters; stop while the next one surely fits.
		if errors.Is(err, errNextCommit) || len(facts) > events.MaxFacts || h.bytes > takeBytes && i > 0 {
			facts = facts[:before]
			break
		}
		t.outcomes = append(t.outcomes, o)
	}
	return facts, nil
}

// errNextCommit says that an arrival can only be decided after what was
// decided before it has been applied.
var errNextCommit = errors.New("to be decided in the next commit")

func (d Deciding) arrival(facts []events.Entry, a *events.Arrival, h *ahead) ([]events.Entry, Outcome, error) {
	rig := d.Rigs[a.Rig]
	var boot, seq int64
	sequenced := false
	if rig != nil {
		if boot, seq, sequenced = events.ParseSequence(a.Event); sequenced {
			key := a.Rig + " " + a.Event
			if rig.Boots[boot].Received(seq) || h.seqs[key] {
				return facts, Outcome{Repeat: true}, nil
			}
			h.seqs[key] = true
		}
	}
	switch {
	case a.Fault == WhySuspect: // read, but not believed: a person may release it
		held := make([]events.HeldCounter, 0, len(a.Counters))
		for _, c := range a.Counters {
			held = append(held, events.HeldCounter(c))
		}
		return d.hold(facts, a, h, WhySuspect, a.Detail, held)
	case a.Fault != "":
		return d.hold(facts, a, h, a.Fault, a.Detail, nil)
	case rig == nil:
		return d.hold(facts, a, h, WhyUnknownRig, fmt.Sprintf("no rig %q is registered", a.Rig), nil)
	case rig.Retired:
		return d.hold(facts, a, h, WhyRetiredRig, fmt.Sprintf("rig %q is retired", a.Rig), nil)
	case a.Time.After(d.Now.Add(futureSlack)):
		return d.hold(facts, a, h, WhyFuture, fmt.Sprintf("/time lies %s in the future", a.Time.Sub(d.Now).Round(time.Second)), nil)
	}
	switch a.Kind {
	case events.KindDefect:
		return d.defect(facts, a, h, rig)
	case events.KindCondition:
		return d.conditions(facts, a, h, rig, sequenced)
	}
	return d.reading(facts, a, h, rig, sequenced)
}

// reading judges each counter of a reading on its own, so that one odd counter
// does not hold up the others.
func (d Deciding) reading(facts []events.Entry, a *events.Arrival, h *ahead, rig *Rig, sequenced bool) ([]events.Entry, Outcome, error) {
	at := events.Milli(a.Time)
	read := &events.MeterRead{Rig: a.Rig, Event: a.Event, Oldest: a.Oldest, Location: a.Location, Counters: make([]events.Counter, 0, len(a.Counters))}
	var swaps []events.Entry
	var held []events.HeldCounter
	var reason string
	var detail []string
	refuse := func(raw *events.RawCounter, why, format string, args ...any) {
		if reason == "" {
			reason = why
		}
		held = append(held, events.HeldCounter{Meter: raw.Meter, Value: raw.Value, Unit: raw.Unit})
		detail = append(detail, fmt.Sprintf(format, args...))
	}
	news := false
	for i := range a.Counters {
		raw := &a.Counters[i]
		m := rig.Meter(raw.Meter)
		if m == nil {
			refuse(raw, WhyUnknownMeter, "/data/counters/%d/meter: rig %s has no meter %q", i, a.Rig, raw.Meter)
			continue
		}
		value, err := meter.ToBase(m.Series.Quantity, raw.Value, raw.Unit)
		if err != nil {
			refuse(raw, WhyBadUnit, "/data/counters/%d: %v", i, err)
			continue
		}
		if h.closed[m] {
			return facts, Outcome{}, errNextCommit
		}
		p := meter.Point{At: at.UnixMilli(), Value: value}
		c := events.Counter{Meter: raw.Meter, Value: value}
		switch verdict := d.judge(rig, m, p, h.points[m]); verdict {
		case meter.Fits:
			news = true
			read.Counters = append(read.Counters, c)
			h.points[m] = append(h.points[m], p)
		case meter.Repeat:
			read.Counters = append(read.Counters, c)
		case meter.Rolled:
			if len(h.points[m]) > 0 {
				return facts, Outcome{}, errNextCommit
			}
			swapAt, last, ok := m.Series.Rollover(p)
			if !ok {
				refuse(raw, WhyFalls, "%s", d.explain(m, raw, i, p, verdict))
				break
			}
			news = true
			swaps = append(swaps, events.Entry{At: unixMilli(swapAt), By: "rigledger", Fact: &events.MeterSwapped{
				Rig: a.Rig, Meter: raw.Meter, Last: &last, Start: 0, Rolled: true, Reason: "the counter ran over to zero",
			}})
			read.Counters = append(read.Counters, c)
			h.closed[m] = true
		case meter.TooFast:
			refuse(raw, WhyTooFast, "%s", d.explain(m, raw, i, p, verdict))
		case meter.Clash:
			refuse(raw, WhyClash, "%s", d.explain(m, raw, i, p, verdict))
		default:
			refuse(raw, WhyFalls, "%s", d.explain(m, raw, i, p, verdict))
		}
	}
	// A sequence that is new must be noted even when its counters say nothing new,
	// or it could never be acked; a reading without sequence is then a repeat.
	if news || (sequenced && len(held) == 0) {
		facts = append(facts, swaps...)
		facts = append(facts, events.Entry{At: at, By: sender(a), Fact: read})
	}
	if len(held) > 0 {
		return d.hold(facts, a, h, reason, strings.Join(detail, "; "), held)
	}
	return facts, Outcome{Repeat: !news && !sequenced}, nil
}

// judge is the meter's verdict, and for the first reading of a meter whose
// start has no time, whether so much can have run since the rig's first use.
func (d Deciding) judge(rig *Rig, m *Meter, p meter.Point, pending []meter.Point) meter.Verdict {
	limits := d.Limits(rig, m.Series.Quantity)
	verdict := m.Series.Judge(p, limits, pending)
	if verdict != meter.Fits || m.Series.Len() > 0 || limits.MaxGainPerHour == 0 {
		return verdict
	}
	first, err := time.ParseInLocation(time.DateOnly, rig.FirstUse, d.zone)
	if epoch := m.Series.Epochs[0]; err == nil && len(m.Series.Epochs) == 1 && epoch.At == 0 {
		// A day of grace: first use is a date, and the rig may have been run in before it.
		hours := (p.At-first.UnixMilli())/3_600_000 + 24
		if p.Value-epoch.Start > max(hours, 0)*limits.MaxGainPerHour+limits.Slack {
			return meter.TooFast
		}
	}
	return verdict
}

func (d Deciding) explain(m *Meter, raw *events.RawCounter, i int, p meter.Point, v meter.Verdict) string {
	q := m.Series.Quantity
	last, read := m.Series.Last()
	what := fmt.Sprintf("/data/counters/%d: %s %g %s", i, raw.Meter, raw.Value, raw.Unit)
	against := "the counter's start"
	if read {
		against = fmt.Sprintf("the newest reading %.2f %s at %s", q.FromBase(last.Value), q.Unit(), unixMilli(last.At).Format(time.RFC3339))
	}
	switch v {
	case meter.TooFast:
		return what + " gains more than can have run, against " + against
	case meter.Clash:
		known := ""
		if at := m.Series.Points(p.At, p.At); len(at) > 0 {
			known = fmt.Sprintf(" (%.2f %s)", q.FromBase(at[0].Value), q.Unit())
		}
		return what + " differs from the reading already known for the same time" + known
	}
	return what + " does not fit between its neighbours: a counter does not run backwards; compare " + against
}

// hold puts an arrival, or the counters of it that did not fit, in quarantine.
// The id is made of what arrived, so that the same message is held once.
func (d Deciding) hold(facts []events.Entry, a *events.Arrival, h *ahead, reason, detail string, held []events.HeldCounter) ([]events.Entry, Outcome, error) {
	sum := sha256.New()
	for _, part := range []string{a.Via, a.Rig, a.Event, reason} {
		sum.Write([]byte(part))
		sum.Write([]byte{0})
	}
	if !a.Time.IsZero() {
		_, _ = fmt.Fprint(sum, a.Time.UnixMilli())
	}
	sum.Write(a.Payload)
	id := "q-" + hex.EncodeToString(sum.Sum(nil)[:8])
	o := Outcome{Quarantined: []string{id}, Reason: reason, Detail: detail}
	if d.Held[id] != nil || h.ids[id] {
		o.Repeat = true
		return facts, o, nil
	}
	h.ids[id] = true
	h.bytes += len(a.Payload) + len(detail)
	at := d.Now
	if !a.Time.IsZero() && a.Time.Year() > 1900 && a.Time.Year() < 3000 {
		at = a.Time
	}
	// A subject may hold any bytes, JSON only UTF-8; the payload is kept as it came.
	clean := func(s string) string { return strings.ToValidUTF8(s, "\ufffd") }
	return append(facts, events.Entry{At: events.Milli(at), By: clean(sender(a)), Fact: &events.ReadingQuarantined{
		Quarantine: id, Rig: clean(a.Rig), Event: clean(a.Event), Arrived: clean(a.Via), Reason: reason, Detail: clean(detail),
		Counters: held, Payload: a.Payload, Location: a.Location,
	}}), o, nil
}

// sender says who vouches for an arrival.
func sender(a *events.Arrival) string {
	if a.By != "" {
		return a.By
	}
	return "rig:" + a.Rig
}

// defect turns a rig's report into an open defect, once.
func (d Deciding) defect(facts []events.Entry, a *events.Arrival, h *ahead, rig *Rig) ([]events.Entry, Outcome, error) {
	part := ""
	if a.Defect.Part != "" {
		if part = d.partOn(rig, a.Defect.Part); part == "" {
			return d.hold(facts, a, h, WhyUnknownPart, fmt.Sprintf("/data/part: rig %s carries no part %q", a.Rig, a.Defect.Part), nil)
		}
	}
	sum := sha256.Sum256([]byte(a.Rig + "\x00" + a.Event))
	id := "d-" + hex.EncodeToString(sum[:8])
	if d.Defects[id] != nil || h.ids[id] {
		return facts, Outcome{Repeat: true}, nil
	}
	h.ids[id] = true
	return append(facts, events.Entry{At: events.Milli(a.Time), By: sender(a), Fact: &events.DefectReported{
		Defect: id, Rig: a.Rig, Part: part, Event: a.Event, Code: a.Defect.Code, Text: a.Defect.Text, Safety: a.Defect.Safety,
	}}), Outcome{}, nil
}

func (d Deciding) conditions(facts []events.Entry, a *events.Arrival, h *ahead, rig *Rig, sequenced bool) ([]events.Entry, Outcome, error) {
	for i, c := range a.Conditions {
		part := ""
		if c.Part != "" {
			if part = d.partOn(rig, c.Part); part == "" {
				return d.hold(facts, a, h, WhyUnknownPart, fmt.Sprintf("/data/conditions/%d/part: rig %s carries no part %q", i, a.Rig, c.Part), nil)
			}
		}
	}
	news := false
	for _, c := range a.Conditions {
		part := d.partOn(rig, c.Part)
		if known := rig.Conditions[part+"/"+c.Code]; !sequenced && known != nil && known.At.Equal(events.Milli(a.Time)) && known.Value == c.Value {
			continue
		}
		news = true
		facts = append(facts, events.Entry{At: events.Milli(a.Time), By: sender(a), Fact: &events.ConditionMeasured{
			Rig: a.Rig, Event: a.Event, Part: part, Code: c.Code, Value: c.Value, Unit: c.Unit,
		}})
	}
	return facts, Outcome{Repeat: !news}, nil
}

// partOn finds a part on a rig by its id or its position, "" when it is not there.
func (s *State) partOn(rig *Rig, name string) string {
	for _, id := range rig.Fitted {
		if id == name || s.Parts[id].Position == name {
			return id
		}
	}
	if name == rig.Rig || name == "rig" {
		return rig.Rig
	}
	return ""
}
