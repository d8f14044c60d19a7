package fleet

import (
	"cmp"
	"slices"
	"sync"
	"time"

	"rigledger/events"
	"rigledger/fleet/meter"
	"rigledger/fleet/plan"
	"rigledger/fleet/plan/forecast"
)

// WhatIf is what a forecast supposes beside what is on record. Nothing of it
// is written.
type WhatIf struct {
	Bookings  []PlannedWork     `json:"bookings,omitempty"`
	Without   []string          `json:"without,omitempty"` // bookings on record to leave out
	Intervals []ChangedInterval `json:"intervals,omitempty"`
}

// ChangedInterval supposes another interval of a task: hours, hectares, litres,
// kilometres or loads, and months.
type ChangedInterval struct {
	Task   string             `json:"task"`
	Every  map[string]float64 `json:"every,omitempty"`
	Months int                `json:"months,omitempty"`
}

// RigForecast is when a rig's tasks will fall due, as things stand.
type RigForecast struct {
	Rig      string
	Today    plan.Date
	Basis    map[string]forecast.Basis // by quantity
	Tasks    []TaskForecast            // the earliest first
	Visits   []forecast.Visit          // keys are Task keys, "<part>.<task>"
	Bookings []BookingForecast
}

// TaskForecast is one task's band, P10 to P90; a day that is not OK lies beyond the horizon.
type TaskForecast struct {
	Key, Part, Position, Task, Title, Item string
	Weight                                 plan.Weight
	Status                                 plan.Status
	Minutes                                int
	Estimated                              bool           // counted on an estimate, for want of a meter
	CountedOn                              meter.Quantity // what sets its date, "" for the calendar alone
	Band                                   forecast.Band
}

// BookingForecast is the chance that the rig gets through a booking without a
// task falling due before its end, and the task most in the way.
type BookingForecast struct {
	Booking string // "" for a supposed one
	Work    events.BookingMade
	Chance  float64
	InWay   string // key of the task, "" when nothing is
}

// outlooks keeps what forecasts of one day are made of, since it is the same
// for all tasks of a rig and, for the pools, for all rigs of a class.
type outlooks struct {
	mu    sync.Mutex
	today plan.Date
	pools map[poolOf]*forecast.Pool
	rigs  map[string]*rigModels
}

type poolOf struct {
	class    string
	quantity meter.Quantity
}

// rigModels are the models of a rig's meters as they stood after a commit.
type rigModels struct {
	changed uint64
	models  map[string]*forecast.Model // by quantity and meter
}

// Forecast works out when a rig's tasks will fall due, beside the bookings on
// record and what is supposed. It writes nothing.
func (f *Fleet) Forecast(rig string, suppose WhatIf) (RigForecast, error) {
	_, _, out, err := f.forecast(rig, suppose)
	return out, err
}

// forecast also gives what the forecast was made of: its input and, for each way
// of counting, the curves of use.
func (f *Fleet) forecast(rig string, suppose WhatIf) (forecastInput, map[string]*forecast.Outlook, RigForecast, error) {
	now := f.now()
	in, err := f.forecastInput(rig, suppose, now)
	if err != nil {
		return in, nil, RigForecast{}, err
	}
	models := f.modelsOf(in)
	out := RigForecast{Rig: rig, Today: in.today, Basis: map[string]forecast.Basis{}}
	ahead := map[string]*forecast.Outlook{}
	for key, way := range in.ways {
		m := models[key]
		ahead[key] = m.Curves(in.today, in.bookedOn(way.quantity), 0)
		out.Basis[string(way.quantity)] = m.Basis()
	}
	var tasks []forecast.Task
	for i := range in.lines {
		t, shown := in.task(&in.lines[i], ahead)
		tasks = append(tasks, t)
		out.Tasks = append(out.Tasks, shown)
	}
	slices.SortStableFunc(out.Tasks, func(a, b TaskForecast) int { return compareDays(a.Band.P50, b.Band.P50) })
	out.Visits = forecast.Visits(tasks, in.today, forecast.TwoWeeks)
	out.Bookings = in.chances(tasks)
	return in, ahead, out, nil
}

func compareDays(a, b forecast.Day) int {
	switch {
	case a.OK && b.OK:
		return a.Date.Compare(b.Date)
	case a.OK:
		return -1
	case b.OK:
		return 1
	}
	return 0
}

// forecastInput is everything a forecast needs of the state, copied out of it.
type forecastInput struct {
	rig, class string
	changed    uint64
	today      plan.Date
	season     plan.Season
	capacity   float64 // ha/h
	workSince  plan.Date
	lines      []forecastLine
	ways       map[string]forecastWay
	booked     []BookingForecast
	countedOn  map[string]meter.Quantity // by task key: what sets its date
}

type forecastWay struct {
	quantity meter.Quantity
	meter    string // "" where the quantity is estimated
	total    int64  // as it stands
	history  forecast.History
}

// forecastLine is a due line without its ties to the state.
type forecastLine struct {
	shown    TaskForecast
	counted  []counted
	calendar plan.Date
}

type counted struct {
	way       string
	remaining int64
	every     int64
}

func (f *Fleet) forecastInput(code string, suppose WhatIf, now time.Time) (in forecastInput, err error) {
	f.View(func(s *State) {
		rig, notLive := s.liveRig(code)
		if notLive != nil {
			err = notLive
			return
		}
		in = forecastInput{rig: code, class: rig.Class, changed: rig.Changed, today: plan.Of(now, s.zone), ways: map[string]forecastWay{}, countedOn: map[string]meter.Quantity{}}
		in.workSince, _ = plan.ParseDate(rig.WorkChanged)
		if c := s.Class(rig.Class); c != nil {
			in.season = c.Season
			in.capacity = meter.FieldCapacity(c.Field.KmH, float64(rig.WidthMM)/1000, c.Field.Efficiency)
		}
		if err = in.suppose(s, rig, suppose); err != nil {
			return
		}
		w := s.reckon(rig)
		for _, line := range f.DueOf(s, rig, now) {
			in.line(w, line, suppose.Intervals)
		}
	})
	return in, err
}

// suppose gathers the bookings that count: those on record, those supposed.
func (in *forecastInput) suppose(s *State, rig *Rig, w WhatIf) error {
	var c check
	for i, id := range w.Without {
		if b := s.Bookings[id]; b == nil || b.Rig != rig.Rig {
			c.fail(pointer("/without", i), "rig %s has no booking %q", rig.Rig, id)
		}
	}
	for i, x := range w.Intervals {
		if p := s.PlanOf(rig.Plan); p == nil || p.Task(x.Task) == nil {
			c.fail(pointer("/intervals", i)+"/task", "the plan of rig %s has no task %q", rig.Rig, x.Task)
		}
		if x.Months < 0 || x.Months > 1200 {
			c.fail(pointer("/intervals", i)+"/months", "must be between 0 and 1200")
		}
		c.carried(pointer("/intervals", i)+"/every", x.Every)
	}
	for i, work := range w.Bookings {
		f := work.fact(&c, pointer("/bookings", i), rig.Rig)
		in.booked = append(in.booked, BookingForecast{Work: *f})
	}
	if err := c.err(); err != nil {
		return err
	}
	for _, id := range rig.Booked {
		b := s.Bookings[id]
		if to, err := plan.ParseDate(b.To); err == nil && !to.Before(in.today) && !slices.Contains(w.Without, id) {
			in.booked = append(in.booked, BookingForecast{Booking: id, Work: b.BookingMade})
		}
	}
	return nil
}

// line takes a due line over, with the meters it counts on.
func (in *forecastInput) line(w *reckoning, line DueLine, changed []ChangedInterval) {
	t, due := line.Task, line.Due
	out := forecastLine{calendar: due.Date, shown: TaskForecast{
		Key: line.Part.Part + "." + t.Slug, Part: line.Part.Part, Position: line.Part.Position, Task: t.Slug, Title: t.Title,
		Item: line.Item, Weight: t.Weight, Status: due.Status, Minutes: t.Minutes, Estimated: len(line.Estimated) > 0,
	}}
	for _, x := range changed {
		if x.Task == t.Slug && !due.RunIn && line.Due.Why != "deferred" {
			due = otherInterval(t, due, x)
			out.calendar = due.Date
		}
	}
	way := w.wayFor(line.Part)
	for i, q := range quantities {
		remaining, has := due.Remaining.Get(planQuantities[i])
		if !has || way.runs[i].series == nil {
			continue
		}
		key := string(q) + " " + way.preferred
		if _, known := in.ways[key]; !known {
			in.ways[key] = forecastWay{quantity: q, meter: nameOf(w.rig, way.runs[i]), total: way.runs[i].at(farFuture), history: historyOf(way.runs[i], w.s.zone, in.today, in.workSince)}
		}
		every, _ := t.Every.Amounts.Get(planQuantities[i])
		out.counted = append(out.counted, counted{way: key, remaining: remaining, every: every})
	}
	in.lines = append(in.lines, out)
}

// otherInterval moves a task's limits by what another interval would.
func otherInterval(t *plan.Task, due plan.Due, x ChangedInterval) plan.Due {
	for i, q := range quantities {
		every, given := x.Every[q.Field()]
		old, counts := t.Every.Amounts.Get(planQuantities[i])
		if !given || !counts {
			continue
		}
		base, err := meter.ToBase(q, every, q.Unit())
		if remaining, has := due.Remaining.Get(planQuantities[i]); err == nil && has {
			due.Remaining.Set(planQuantities[i], remaining+base-old)
		}
	}
	if x.Months > 0 && t.Every.Months > 0 && !due.Date.IsZero() {
		due.Date = due.Date.AddMonths(x.Months - t.Every.Months)
	}
	return due
}

// historyOf is a meter's use day by day from its first reading to yesterday.
func historyOf(r run, zone *time.Location, today, since plan.Date) forecast.History {
	points := r.series.Points(0, farFuture)
	if len(points) == 0 {
		return forecast.History{Changed: since}
	}
	h, err := forecast.HistoryFrom(r.series, zone, plan.Of(time.UnixMilli(points[0].At), zone), today)
	if err != nil { // more days than a calendar should have: as good as no history
		return forecast.History{Changed: since}
	}
	if r.convert != nil {
		for i, use := range h.Use {
			h.Use[i] = r.convert(use)
		}
	}
	h.Changed = since
	return h
}

// modelsOf gives the models of a rig's meters, learned once a day and whenever
// the rig changes.
func (f *Fleet) modelsOf(in forecastInput) map[string]*forecast.Model {
	f.ahead.mu.Lock()
	if f.ahead.today != in.today {
		f.ahead.today, f.ahead.pools, f.ahead.rigs = in.today, map[poolOf]*forecast.Pool{}, map[string]*rigModels{}
	}
	known := f.ahead.rigs[in.rig]
	f.ahead.mu.Unlock()
	if known != nil && known.changed == in.changed && len(known.models) >= len(in.ways) {
		return known.models
	}
	models := map[string]*forecast.Model{}
	for key, way := range in.ways {
		models[key] = forecast.NewModel(way.history, f.poolFor(in.class, way.quantity, in.today), in.season, in.today)
	}
	f.ahead.mu.Lock()
	f.ahead.rigs[in.rig] = &rigModels{changed: in.changed, models: models}
	f.ahead.mu.Unlock()
	return models
}

// poolMost is how many rigs of a class a pool is made of: enough to know the
// class, few enough to be made in passing.
const poolMost = 200

// poolFor gathers the seasons of a rig's class, once a day.
func (f *Fleet) poolFor(class string, q meter.Quantity, today plan.Date) *forecast.Pool {
	key := poolOf{class, q}
	f.ahead.mu.Lock()
	pool := f.ahead.pools[key]
	f.ahead.mu.Unlock()
	if pool != nil {
		return pool
	}
	var codes []string
	f.View(func(s *State) {
		for code, rig := range s.Rigs {
			if rig.Class == class && rig.WorkChanged == "" {
				codes = append(codes, code)
			}
		}
	})
	slices.Sort(codes) // the same rigs everywhere
	codes = codes[:min(len(codes), poolMost)]
	var members []forecast.Member
	for _, code := range codes { // one look a rig, so that nobody waits for all of them
		f.View(func(s *State) {
			rig := s.Rigs[code]
			if rig == nil {
				return
			}
			if r := s.runOf(rig, q, ""); r.series != nil {
				member := forecast.Member{History: historyOf(r, s.zone, today, plan.Date{})}
				if c := s.Class(class); c != nil {
					member.Season = c.Season
				}
				members = append(members, member)
			}
		})
	}
	pool = forecast.NewPool(members, today)
	f.ahead.mu.Lock()
	f.ahead.pools[key] = pool
	f.ahead.mu.Unlock()
	return pool
}

// bookedOn spreads the bookings over their days, for one quantity. Where a
// booking gives only hectares or only hours, the field capacity gives the other.
func (in *forecastInput) bookedOn(q meter.Quantity) []forecast.Booking {
	var out []forecast.Booking
	for _, b := range in.booked {
		from, err1 := plan.ParseDate(b.Work.From)
		to, err2 := plan.ParseDate(b.Work.To)
		if err1 != nil || err2 != nil {
			continue
		}
		days := int64(from.DaysUntil(to)) + 1
		amount := in.amount(b.Work, q)
		if amount == 0 && !b.Work.Rest {
			continue
		}
		for n := range days {
			part := amount*(n+1)/days - amount*n/days
			out = append(out, forecast.Booking{Day: from.AddDays(int(n)), Amount: part, Rest: b.Work.Rest})
		}
	}
	return out
}

func (in *forecastInput) amount(w events.BookingMade, q meter.Quantity) int64 {
	switch q {
	case meter.Area:
		if w.AreaM2 == 0 && w.Seconds > 0 {
			return int64(float64(w.Seconds) / 3600 * in.capacity * 10_000)
		}
		return w.AreaM2
	case meter.Hours:
		if w.Seconds == 0 {
			return meter.EstimateHours(w.AreaM2, in.capacity)
		}
		return w.Seconds
	}
	return 0
}

// task gives a line as the forecast sees it, and its band: the earliest of
// what its counters and its calendar give.
func (in *forecastInput) task(line *forecastLine, ahead map[string]*forecast.Outlook) (forecast.Task, TaskForecast) {
	t := forecast.Task{Key: line.shown.Key, Calendar: line.calendar, Binding: line.shown.Weight.Binding(), Minutes: line.shown.Minutes}
	var band forecast.Band
	for i, c := range line.counted {
		of := ahead[c.way].Passage(c.remaining)
		if i == 0 || compareDays(of.P50, band.P50) < 0 {
			t.Meter, t.Counted, t.Remaining, t.Every = ahead[c.way], true, c.remaining, c.every
			in.countedOn[t.Key] = in.ways[c.way].quantity
		}
		if i == 0 {
			band = of
		} else {
			band = forecast.Band{P10: earlier(band.P10, of.P10), P50: earlier(band.P50, of.P50), P90: earlier(band.P90, of.P90)}
		}
	}
	shown := line.shown
	shown.Band, shown.CountedOn = band.Before(line.calendar), in.countedOn[t.Key]
	return t, shown
}

func earlier(a, b forecast.Day) forecast.Day {
	if compareDays(a, b) <= 0 {
		return a
	}
	return b
}

// chances gives for each booking of work the chance to get through it. Tasks
// of one meter pass their limits in the same futures, so the chance for all is that of
// the one most in the way; across meters this is taken to hold too.
func (in *forecastInput) chances(tasks []forecast.Task) []BookingForecast {
	out := []BookingForecast{}
	for _, b := range in.booked {
		if b.Work.Rest {
			out = append(out, BookingForecast{Booking: b.Booking, Work: b.Work, Chance: 1})
			continue
		}
		last, err := plan.ParseDate(b.Work.To)
		if err != nil {
			continue
		}
		b.Chance = 1
		for _, t := range tasks {
			if chance := in.through(t, b.Work, last); chance < b.Chance {
				b.Chance, b.InWay = chance, t.Key
			}
		}
		out = append(out, b)
	}
	slices.SortStableFunc(out, func(a, b BookingForecast) int { return cmp.Compare(a.Work.From, b.Work.From) })
	return out
}

// through is the chance to get through the booking's last day; what its earlier
// days use is in the curves already.
func (in *forecastInput) through(t forecast.Task, w events.BookingMade, last plan.Date) float64 {
	if !t.Counted {
		if !t.Calendar.IsZero() && !t.Calendar.After(last) {
			return 0
		}
		return 1
	}
	booking := forecast.Booking{Day: last}
	if from, err := plan.ParseDate(w.From); err == nil {
		booking.Amount = in.amount(w, in.countedOn[t.Key]) / (int64(from.DaysUntil(last)) + 1)
	}
	return t.Meter.ThroughTask(booking, t)
}
