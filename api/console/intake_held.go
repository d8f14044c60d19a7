package console

import (
	"strconv"
	"time"

	"rigledger/events"
	"rigledger/fleet"
	"rigledger/fleet/meter"
)

// heldCard is one reading or message that waits, with what speaks against it
// and what each decision would lead to.
type heldCard struct {
	ID, Rig, RigName, Yard, Event string
	More                          int  // how many others of the rig wait for the same reason
	Known                         bool // the rig is registered
	Why                           reasonHeld
	Detail                        string // as it was recorded
	Way                           string
	At, HeldAt                    time.Time
	Late                          string
	Numbers                       []heldNumber
	Message                       string
	MessageMore                   int

	Open                     bool
	Outcome, By, Because     string
	Reopens                  bool // it was dismissed
	Decided                  time.Time
	AsItIs, AsSwap, Correct  bool   // what may be decided
	OpenForm                 string // the decision whose form was refused, to be shown open
	FitsNow                  bool
	UndoPath, UndoWith       string // of a release that brings one counter: its reading is taken back
	AsItIsWarns              bool   // it would be taken although it does not fit
	FutureStill, ManyNumbers bool
}

// heldNumber is one counter that did not fit, beside what is known of its meter.
type heldNumber struct {
	Meter, Unit, SentUnit string
	Sent                  float64
	Decimals              int
	Known                 bool // the rig has such a meter, and the unit is one of its
	Value                 float64
	Prior, Next           *known
	Start                 float64 // of the counter now fitted
	Gain                  float64
	Between               string
	Limit                 float64 // the most that can have run between, 0 for no bound
	Rate                  float64 // per hour, so much can run
	Total                 float64
	After                 map[string]float64 // total after each decision: as_is, swap
	Fits                  bool
	SwapFrom              string // a local time just after the reading before, for a form
	Picture               *heldPicture
}

// known is a value on record.
type known struct {
	Value float64
	At    time.Time
}

// First is the first of its counters, for a message that has one.
func (c heldCard) First() heldNumber { return c.Numbers[0] }

// heldCard makes the card of one that waits or waited. Within View.
func (v *visit) heldCard(s *fleet.State, h *fleet.Held) heldCard {
	r := s.Rigs[h.Rig]
	c := heldCard{
		ID: h.Quarantine, Rig: h.Rig, Event: h.Event, Known: r != nil, Why: whyHeld(h.Reason), Detail: h.Detail, Way: wayIn(h.Arrived),
		At: h.At, HeldAt: h.HeldAt, Late: lateness(h.At, h.HeldAt),
		Open: h.Outcome == "", Outcome: outcomeWords(h.Outcome), Reopens: h.Outcome == "dismissed", By: h.OutcomeBy, Because: h.Why, Decided: h.OutcomeAt,
	}
	c.Message, c.MessageMore = messageText(h.Payload)
	if r != nil {
		c.RigName, c.Yard = r.Name, r.Yard
	}
	if v.refused != nil {
		c.OpenForm = v.refused.form
	}
	fits, allKnown := true, true
	for i := range h.Counters {
		n := v.heldNumber(s, r, h, &h.Counters[i])
		c.Numbers = append(c.Numbers, n)
		fits = fits && n.Fits
		allKnown = allKnown && metersOf(r, n.Meter) != nil
	}
	if !c.Open {
		return c
	}
	c.FutureStill = h.At.After(v.now)
	c.ManyNumbers = len(c.Numbers) > 1
	c.Correct = r != nil && !r.Retired && len(c.Numbers) > 0 && allKnown
	c.AsItIs, c.AsSwap = c.Correct && !c.FutureStill, c.Correct && h.Reason != fleet.WhyClash
	for _, n := range c.Numbers {
		c.AsItIs, c.AsSwap = c.AsItIs && n.Known, c.AsSwap && n.Known
	}
	c.FitsNow = c.AsItIs && fits
	c.AsItIsWarns = !fits
	if len(c.Numbers) == 1 && c.Correct {
		c.UndoPath = "/v1/rigs/" + h.Rig + "/readings/void"
		c.UndoWith = "s:/meter=" + c.Numbers[0].Meter + "&s:/at=" + h.At.UTC().Format(time.RFC3339Nano)
	}
	return c
}

// heldNumber compares one counter with its neighbours as they are on record now.
func (v *visit) heldNumber(s *fleet.State, r *fleet.Rig, h *fleet.Held, sent *events.HeldCounter) heldNumber {
	n := heldNumber{Meter: sent.Meter, Sent: sent.Value, SentUnit: sent.Unit, After: map[string]float64{}}
	m := metersOf(r, sent.Meter)
	if m == nil {
		return n
	}
	q := m.Series.Quantity
	n.Unit, n.Decimals = meterSymbol(q), meterDecimals(q)
	total, _ := m.Series.Total()
	n.Total = q.FromBase(total)
	base, err := meter.ToBase(q, sent.Value, sent.Unit)
	if err != nil {
		return n
	}
	n.Known, n.Value = true, q.FromBase(base)
	p := meter.Point{At: h.At.UnixMilli(), Value: base}
	limits := s.Limits(r, q)
	verdict := m.Series.Judge(p, limits, nil)
	n.Fits = verdict == meter.Fits || verdict == meter.Repeat
	n.compare(m.Series, p, limits, v.zone)
	if h.Outcome == "" {
		n.follow(m.Series, p)
	}
	return n
}

// compare finds the readings around, and the limit that lies between.
func (n *heldNumber) compare(s *meter.Series, p meter.Point, limits meter.Limits, zone *time.Location) {
	q := s.Quantity
	at := func(ms int64) *known {
		points := s.Points(ms, ms)
		if len(points) == 0 {
			return nil
		}
		last := points[len(points)-1]
		return &known{q.FromBase(last.Value), time.UnixMilli(last.At).UTC()}
	}
	before, ok := s.ReadBefore(p.At + 1)
	if ok {
		n.Prior = at(before)
	}
	if last, read := s.Last(); read && last.At > p.At {
		n.Next = &known{q.FromBase(last.Value), time.UnixMilli(last.At).UTC()}
	}
	n.Start = q.FromBase(s.Epochs[len(s.Epochs)-1].Start)
	if n.Prior == nil {
		return
	}
	n.Gain = n.Value - n.Prior.Value
	passed := time.Duration(p.At-before) * time.Millisecond
	n.Between = span(passed)
	n.SwapFrom = n.Prior.At.Add(time.Minute).In(zone).Format("2006-01-02T15:04")
	if limits.MaxGainPerHour > 0 {
		n.Rate = q.FromBase(limits.MaxGainPerHour)
		n.Limit = n.Rate * passed.Hours()
	}
	n.Picture = newHeldPicture(n)
}

// follow works out the meter's total after each decision, on a copy.
func (n *heldNumber) follow(s *meter.Series, p meter.Point) {
	q := s.Quantity
	total := func(c *meter.Series) float64 {
		base, _ := c.Total()
		return q.FromBase(base)
	}
	plain := s.Clone()
	plain.Insert(p)
	n.After["as_is"] = total(plain)
	if n.Prior != nil && n.Prior.At.UnixMilli() >= p.At {
		return
	}
	swapped := s.Clone()
	at := p.At
	if n.Prior != nil {
		at = n.Prior.At.UnixMilli() + 1
	}
	swapped.Swap(at, nil, 0)
	swapped.Insert(p)
	n.After["swap"] = total(swapped)
}

// heldPicture draws a counter's last reading, what can have run since (a wedge),
// and the reading that does not lie in it. Sizes are in the drawing's units.
type heldPicture struct{ PriorY, ThisY, MostY int }

const (
	pictureTop, pictureBottom = 14, 86
)

func newHeldPicture(n *heldNumber) *heldPicture {
	most := n.Prior.Value + n.Limit
	if n.Limit == 0 {
		most = max(n.Value, n.Prior.Value)
	}
	low, high := min(n.Prior.Value, n.Value), max(most, n.Value)
	if high <= low {
		return nil
	}
	y := func(value float64) int {
		return pictureBottom - int((value-low)/(high-low)*(pictureBottom-pictureTop)+0.5)
	}
	return &heldPicture{y(n.Prior.Value), y(n.Value), y(most)}
}

// voidForm takes back one reading that is on record.
type voidForm struct {
	Rig, Meter, Unit string
	At               time.Time
	Stamp            string // of the request
	Value            float64
	Decimals         int
	Before, After    float64 // the meter's total
	UndoWith         string
}

// voidForm finds the reading that the address names, nil when it names none.
func (v *visit) voidForm(s *fleet.State) (*voidForm, error) {
	name := v.query("meter")
	if name == "" {
		return nil, nil
	}
	r, err := v.rig(s, v.query("rig"))
	if err != nil {
		return nil, err
	}
	ms, err := strconv.ParseInt(v.query("at"), 10, 64)
	if moment, wrong := time.Parse(time.RFC3339Nano, v.query("at")); wrong == nil { // as the rig's page names it
		ms, err = moment.UnixMilli(), nil
	}
	m := metersOf(r, name)
	if err != nil || m == nil {
		return nil, &fleet.Error{Code: fleet.Invalid, Message: word("It does not name a reading.")}
	}
	points := m.Series.Points(ms, ms)
	if len(points) == 0 { // taken back meanwhile, or never kept
		return nil, nil
	}
	last := points[len(points)-1]
	q := m.Series.Quantity
	without := m.Series.Clone()
	without.Void(ms)
	before, _ := m.Series.Total()
	after, _ := without.Total()
	at := time.UnixMilli(ms).UTC()
	f := &voidForm{
		Rig: r.Rig, Meter: name, Unit: meterSymbol(q), At: at, Stamp: at.Format(time.RFC3339Nano), Value: q.FromBase(last.Value), Decimals: meterDecimals(q),
		Before: q.FromBase(before), After: q.FromBase(after),
	}
	// The counter-fact of a reading taken back is the same reading, sent anew. Of
	// its six decimals nobody takes three for thousands.
	f.UndoWith = "s:/id=put-back-" + fleet.Secret()[:16] + "&s:/time=" + f.Stamp + "&s:/counters/0/meter=" + name +
		"&n:/counters/0/value=" + strconv.FormatFloat(f.Value, 'f', 6, 64) + "&s:/counters/0/unit=" + q.Unit()
	return f, nil
}

// Fell is how much less the counter shows than before, 0 where it shows more.
func (n heldNumber) Fell() float64 { return max(0, -n.Gain) }
