package fleet

import (
	"fmt"
	"slices"
	"time"

	"github.com/shopspring/decimal"

	"rigledger/events"
	"rigledger/fleet/meter"
	"rigledger/fleet/plan"
)

// openItem gives an item that still is to be done, and its rig. seen, when not
// 0, is the commit at which the caller saw it; it must not have changed since.
func (s *State) openItem(id string, seen uint64) (*Item, *Rig, error) {
	it := s.Items[id]
	if it == nil {
		return nil, nil, missing("item", id)
	}
	if !it.Stage.Open() {
		return nil, nil, conflict("item %s is %s already", id, it.Stage)
	}
	rig := s.Rigs[it.Rig]
	if rig == nil || rig.Retired {
		return nil, nil, conflict("rig %s is retired", it.Rig)
	}
	if err := unchanged(seen, it.Changed); err != nil {
		return nil, nil, err
	}
	return it, rig, nil
}

func itemTouches(item string) []string { return []string{"item:" + item, "parts"} }

// BookItem puts an item on a day. IfMatch, when not 0, is the commit at which
// the caller saw the item; the same holds for the commands below.
type BookItem struct {
	Item    string `json:"-"`
	IfMatch uint64 `json:"-"`
	Date    string `json:"date"`
	For     string `json:"for,omitempty"`
}

func (b *BookItem) Touches() []string { return itemTouches(b.Item) }

func (b *BookItem) Decide(d Deciding) ([]events.Entry, error) {
	it, _, err := d.openItem(b.Item, b.IfMatch)
	if err != nil {
		return nil, err
	}
	var c check
	date := d.bookedDay(&c, b.Date)
	c.optional("/for", b.For, 100)
	if err := c.err(); err != nil {
		return nil, err
	}
	if it.Stage == InHand {
		return nil, conflict("item %s is in hand already", b.Item)
	}
	return []events.Entry{d.entry(&events.ItemBooked{Item: it.Item, Rig: it.Rig, Date: date, For: b.For})}, nil
}

// bookedDay checks the day that work is put on, "/date". A day that has gone by is
// none to book: what was done then is put on record by finishing it.
func (d Deciding) bookedDay(c *check, text string) string {
	date := c.date("/date", text)
	if text == "" {
		c.fail("/date", "is missing")
	}
	if day, err := plan.ParseDate(date); err == nil && day.Before(plan.Of(d.Now, d.zone)) {
		c.fail("/date", "lies in the past; what was done then is entered as finished")
	}
	return date
}

// StartItem takes an item in hand. Cautioned says that the worker has read the
// cautions of the job; the fact keeps by name who read which. Work on what
// carries spray liquid wants a rig that was handed over clean.
type StartItem struct {
	Item      string `json:"-"`
	IfMatch   uint64 `json:"-"`
	By        string `json:"by"`
	Cautioned bool   `json:"cautions_read"`
}

func (s *StartItem) Touches() []string { return itemTouches(s.Item) }

func (s *StartItem) Decide(d Deciding) ([]events.Entry, error) {
	it, rig, err := d.openItem(s.Item, s.IfMatch)
	if err != nil {
		return nil, err
	}
	var c check
	c.text("/by", s.By, 100)
	if !s.Cautioned {
		c.fail("/cautions_read", "must be true: read the cautions of the job first")
	}
	if err := c.err(); err != nil {
		return nil, err
	}
	if it.Stage == InHand {
		return nil, conflict("item %s is in hand already, with %s", s.Item, it.Worker)
	}
	if err := d.mayOpen(it, rig); err != nil {
		return nil, err
	}
	return []events.Entry{d.entry(&events.ItemStarted{
		Item: it.Item, Rig: it.Rig, Worker: s.By, Cautioned: true, Cautions: d.shownCautions(it),
	})}, nil
}

// FinishItem closes an item as done. At may lie back; Counters are what the
// rig's meters showed then, in a unit of their own.
type FinishItem struct {
	Item     string              `json:"-"`
	IfMatch  uint64              `json:"-"`
	At       *time.Time          `json:"at,omitempty"`
	By       string              `json:"by"`
	Findings string              `json:"findings,omitempty"`
	Minutes  int                 `json:"minutes,omitempty"`
	Parts    []PartTaken         `json:"parts,omitempty"`
	Cost     *Price              `json:"cost,omitempty"`
	Counters []events.RawCounter `json:"counters,omitempty"`
	Checked  []string            `json:"checked,omitempty"` // lines of the task's check list that were seen to
	Files    []string            `json:"files,omitempty"`   // photos and papers, by hash; kept before
}

// finishEvent stands before the item in the event of the reading that came with its end.
const finishEvent = "finish:"

// finishMost bounds each list of what comes with a finished item.
const finishMost = 100

// PartTaken is a spare or consumable that a job took.
type PartTaken struct {
	SKU   string `json:"sku"`
	Count int    `json:"count"`
}

// Price is money as a decimal string with its ISO 4217 code.
type Price struct {
	Amount   string `json:"amount"`
	Currency string `json:"currency"`
}

// Touches everything when it brings readings, since only the state knows of which rig.
func (f *FinishItem) Touches() []string {
	if len(f.Counters) > 0 {
		return []string{Everything}
	}
	return itemTouches(f.Item)
}

func (f *FinishItem) Decide(d Deciding) ([]events.Entry, error) {
	it, rig, err := d.openItem(f.Item, f.IfMatch)
	if err != nil {
		return nil, err
	}
	var c check
	c.text("/by", f.By, 100)
	c.optional("/findings", f.Findings, 4000)
	at := c.past("/at", f.At, d.Now)
	if f.Minutes < 0 || f.Minutes > 100000 {
		c.fail("/minutes", "must be between 0 and 100000")
	}
	fact := &events.ItemFinished{Item: it.Item, Rig: it.Rig, Worker: f.By, Findings: f.Findings, Minutes: f.Minutes}
	for i, p := range f.Parts {
		field := fmt.Sprintf("/parts/%d", i)
		c.text(field+"/sku", p.SKU, 100)
		if p.Count < 1 || p.Count > 10000 {
			c.fail(field+"/count", "must be between 1 and 10000")
		}
		fact.Used = append(fact.Used, events.PartUsed{SKU: p.SKU, Count: p.Count})
	}
	if len(f.Parts) > finishMost {
		c.fail("/parts", "has more than %d entries", finishMost)
	}
	f.checksAndFiles(&c, d, it, fact)
	if f.Cost != nil {
		fact.Cost = c.price("/cost", *f.Cost)
	}
	read := d.countersAtFinish(&c, rig, at, f.Counters)
	if err := c.err(); err != nil {
		return nil, err
	}
	if len(f.Counters) > 0 {
		read.Event = finishEvent + it.Item
	}
	// What the larger task counts for: on this part, and on every other part of
	// the rig that the included tasks are about.
	if p := d.PlanOf(PlanRef{it.Plan, it.Version}); p != nil {
		for _, slug := range p.ResetBy(it.Task) {
			fact.Includes = append(fact.Includes, d.partsOf(rig, p.Task(slug))...)
		}
	}
	done := d.entry(fact)
	done.At = at
	if len(f.Counters) == 0 {
		return []events.Entry{done}, nil
	}
	return []events.Entry{{At: at, By: d.By, Fact: read}, done}, nil
}

// checksAndFiles takes over what was ticked and photographed. Only lines of the
// task's own check list can be ticked, so that the record says what was asked.
func (f *FinishItem) checksAndFiles(c *check, d Deciding, it *Item, fact *events.ItemFinished) {
	var asked []string
	if p := d.PlanOf(PlanRef{it.Plan, it.Version}); p != nil {
		if t := p.Task(it.Task); t != nil {
			asked = t.Checklist
		}
	}
	for i, line := range f.Checked {
		if !slices.Contains(asked, line) {
			c.fail(fmt.Sprintf("/checked/%d", i), "is not on the check list of the task")
		}
	}
	for i, hash := range f.Files {
		if hash == "" {
			c.fail(fmt.Sprintf("/files/%d", i), "is empty")
		}
		d.file(c, fmt.Sprintf("/files/%d", i), hash)
	}
	if len(f.Checked) > finishMost {
		c.fail("/checked", "has more than %d entries", finishMost)
	}
	if len(f.Files) > finishMost {
		c.fail("/files", "has more than %d entries", finishMost)
	}
	fact.Checked, fact.Files = f.Checked, f.Files
}

// partsOf names a task on each part of the rig that it is about, "<part>.<task>".
func (s *State) partsOf(rig *Rig, t *plan.Task) []string {
	if t.Part == plan.WholeRig {
		return []string{rig.Rig + "." + t.Slug}
	}
	var names []string
	for _, id := range rig.Fitted {
		if s.Parts[id].Kind == t.Part {
			names = append(names, id+"."+t.Slug)
		}
	}
	return names
}

func (d Deciding) countersAtFinish(c *check, rig *Rig, at time.Time, counters []events.RawCounter) *events.MeterRead {
	read := &events.MeterRead{Rig: rig.Rig}
	for i, raw := range counters {
		field := fmt.Sprintf("/counters/%d", i)
		m := rig.Meter(raw.Meter)
		if m == nil {
			c.fail(field+"/meter", "rig %s has no meter %q", rig.Rig, raw.Meter)
			continue
		}
		v, err := meter.ToBase(m.Series.Quantity, raw.Value, raw.Unit)
		if err != nil {
			c.fail(field, "%v", err)
			continue
		}
		switch verdict := d.judge(rig, m, meter.Point{At: at.UnixMilli(), Value: v}, nil); verdict {
		case meter.Fits, meter.Repeat:
			read.Counters = append(read.Counters, events.Counter{Meter: raw.Meter, Value: v})
		default:
			c.fail(field+"/value", "does not fit the readings before and after it (%v)", verdict)
		}
	}
	return read
}

func (c *check) price(field string, p Price) *events.Money {
	amount, err := decimal.NewFromString(p.Amount)
	if err != nil || amount.IsNegative() || amount.Exponent() < -4 || len(p.Amount) > 20 {
		c.fail(field+"/amount", "must be a decimal like 125.50, not negative")
	}
	if len(p.Currency) != 3 || p.Currency < "AAA" || p.Currency > "ZZZ" {
		c.fail(field+"/currency", "must be an ISO 4217 code like EUR")
	}
	return &events.Money{Amount: p.Amount, Currency: p.Currency}
}

// DeferItem moves an item's limit, with a reason. Safety and statutory tasks
// cannot be moved past their own limit: the rig is taken out of service instead.
type DeferItem struct {
	Item    string             `json:"-"`
	IfMatch uint64             `json:"-"`
	Reason  string             `json:"reason"`
	Until   string             `json:"until,omitempty"`  // new last day
	Limits  map[string]float64 `json:"limits,omitempty"` // new counts of the part, by hours, hectares …
}

func (f *DeferItem) Touches() []string { return itemTouches(f.Item) }

func (f *DeferItem) Decide(d Deciding) ([]events.Entry, error) {
	it, rig, err := d.openItem(f.Item, f.IfMatch)
	if err != nil {
		return nil, err
	}
	var c check
	c.text("/reason", f.Reason, 500)
	until := c.date("/until", f.Until)
	limits := c.carried("/limits", f.Limits)
	if f.Until == "" && len(f.Limits) == 0 {
		c.fail("/until", "or /limits must give the new limit")
	}
	today := plan.Of(d.Now, d.zone)
	if day, err := plan.ParseDate(until); err == nil && day.Before(today) {
		c.fail("/until", "lies in the past")
	}
	now := d.PartTotals(d.Parts[it.Part], farFuture)
	for _, x := range limits {
		q, _ := plan.QuantityOf(x.Quantity)
		if v, _ := now.Get(q); x.Value < v {
			c.fail("/limits/"+meter.Quantity(x.Quantity).Field(), "is below what the part has already, %.2f", now.Human(q))
		}
	}
	if err := c.err(); err != nil {
		return nil, err
	}
	if err := d.mayDefer(it, rig, today, until, limits); err != nil {
		return nil, err
	}
	return []events.Entry{d.entry(&events.ItemDeferred{Item: it.Item, Rig: it.Rig, Reason: f.Reason, Date: until, Due: limits})}, nil
}

// mayDefer holds safety and statutory tasks to their plan's own limit.
func (d Deciding) mayDefer(it *Item, rig *Rig, today plan.Date, until string, limits events.Amounts) error {
	p := d.PlanOf(PlanRef{it.Plan, it.Version})
	if p == nil || p.Task(it.Task) == nil || !p.Task(it.Task).Weight.Binding() {
		return nil
	}
	t := p.Task(it.Task)
	own := planAmounts(it.Due)
	past := func(what string) error {
		return forbidden("%q is a %s task: it cannot be deferred past its limit (%s). Do it, or take rig %s out of service", t.Title, t.Weight, what, it.Rig)
	}
	if limit, err := plan.ParseDate(it.DueDate); err == nil {
		if day, err := plan.ParseDate(until); err != nil || day.After(limit) {
			return past(it.DueDate)
		}
	}
	for q, limit := range own.All() {
		moved, ok := limits.Get(q.String())
		if !ok || moved > limit {
			return past(fmt.Sprintf("%.2f %s", own.Human(q), q.Unit()))
		}
	}
	return nil
}

// StrikeItem closes an item without the work being done.
type StrikeItem struct {
	Item    string `json:"-"`
	IfMatch uint64 `json:"-"`
	Reason  string `json:"reason"`
}

func (s *StrikeItem) Touches() []string { return itemTouches(s.Item) }

func (s *StrikeItem) Decide(d Deciding) ([]events.Entry, error) {
	it, _, err := d.openItem(s.Item, s.IfMatch)
	if err != nil {
		return nil, err
	}
	var c check
	c.text("/reason", s.Reason, 500)
	if err := c.err(); err != nil {
		return nil, err
	}
	if p := d.PlanOf(PlanRef{it.Plan, it.Version}); p != nil {
		if t := p.Task(it.Task); t != nil && t.Weight.Binding() {
			return nil, forbidden("%q is a %s task: it cannot be struck. Do it, or take rig %s out of service", t.Title, t.Weight, it.Rig)
		}
	}
	return []events.Entry{d.entry(&events.ItemStruck{Item: it.Item, Rig: it.Rig, Reason: s.Reason})}, nil
}
