package plan

import "encoding/json"

// Mark is a moment on a part's life from which counting can start.
type Mark struct {
	At     int64   `json:"at"`            // UTC, Unix milliseconds
	Totals Amounts `json:"totals"`        // the part's own totals then, carried-in usage included
	Date   Date    `json:"date,omitzero"` // the day then, in the fleet's zone
}

// Input is what Due must know about one part. Totals are the part's own, base
// units, with what it carried in from outside the ledger.
type Input struct {
	// Fitted is the part's latest fitting. Its totals are 0 for a new part and
	// the usage carried in for a used one. For WholeRig: the rig's registration.
	Fitted Mark
	// Used says that at Fitted the part was on the rig and at work already, as
	// when a running rig comes under the ledger: no run-in of any kind is due.
	Used bool
	// Made is the day of manufacture, zero when unknown. Only FromMade asks.
	Made Date
	// LastDone is when the task, or one that includes it, was last done (or
	// struck) on this part; nil for never. It may lie before Fitted.
	LastDone *Mark
	// Now is the part's totals now. A trigger on a quantity that is not held is
	// not watched, and Due says so.
	Now Amounts
	// Today is the day in the fleet's zone.
	Today Date
	// SeasonStart is Season.StartFor(Today); zero: season tasks are not watched.
	SeasonStart Date
	// LastUse is the last day the rig was seen to work, zero when never.
	LastUse Date
	// Conditions are the latest measured values by code. The caller leaves out
	// those measured before LastDone: the job has answered them.
	Conditions map[string]float64
}

// Status is how a task stands.
type Status string

// The statuses, from best to worst.
const (
	OK      Status = "ok"
	Soon    Status = "soon"
	IsDue   Status = "due"
	Overdue Status = "overdue"
)

// Rank orders statuses: 0 for ok to 3 for overdue.
func (s Status) Rank() int {
	switch s {
	case Soon:
		return 1
	case IsDue:
		return 2
	case Overdue:
		return 3
	}
	return 0
}

// The reasons that Due.Why gives beside the units of the quantities (hours,
// hectares, litres, kilometres, loads).
const (
	WhyMonths    = "months"
	WhyDays      = "days"
	WhyDate      = "date"
	WhySeason    = "season"
	WhyCondition = "condition"
)

// Due is how a task stands on a part.
type Due struct {
	Status Status
	Why    string // the trigger that makes it so: the most urgent one; "" when none is watched
	RunIn  bool   // a run-in is still to be done

	At        Amounts // the part's totals at which the counter triggers fall due
	Remaining Amounts // from now to At, negative when past
	Date      Date    // the earliest calendar limit; zero when there is none
	// RemainingDays counts from Today to Date, negative when past; meaningful
	// only where Date is set.
	RemainingDays int

	// Fraction is how far through its interval the furthest trigger is: 0 just
	// done, 1 due, above 1 past. For sorting.
	Fraction float64
	// Unmeasured are quantities that the task counts but the part has no total of.
	Unmeasured Quantities
}

// MarshalJSON leaves out what is not there.
func (d Due) MarshalJSON() ([]byte, error) {
	shown := struct {
		Status        Status     `json:"status"`
		Why           string     `json:"why,omitempty"`
		RunIn         bool       `json:"run_in,omitempty"`
		At            *Amounts   `json:"at,omitempty"`
		Remaining     *Amounts   `json:"remaining,omitempty"`
		Date          Date       `json:"date,omitzero"`
		RemainingDays *int       `json:"remaining_days,omitempty"`
		Fraction      float64    `json:"fraction"`
		Unmeasured    Quantities `json:"unmeasured,omitempty"`
	}{Status: d.Status, Why: d.Why, RunIn: d.RunIn, Date: d.Date, Fraction: d.Fraction, Unmeasured: d.Unmeasured}
	if !d.At.Empty() {
		shown.At, shown.Remaining = &d.At, &d.Remaining
	}
	if !d.Date.IsZero() {
		shown.RemainingDays = &d.RemainingDays
	}
	return json.Marshal(shown)
}

// Due works out how the task stands. It is a pure function of its input: the
// status is the worst of all triggers, the limits the earliest.
func (t *Task) Due(in Input) Due {
	due := Due{Status: OK}
	w := watch{in: &in, due: &due, worst: -1}
	start := &in.Fitted
	if in.LastDone != nil {
		start = in.LastDone
	}
	if step := t.runInStep(&in); step >= 0 {
		due.RunIn = true
		origin := Mark{Date: in.Fitted.Date} // from new: the part's own zero
		if t.RunInEveryFitting {
			origin = in.Fitted
		}
		c := &t.steps[step]
		for q := range quantities {
			if c.present.Has(q) {
				w.counter(q, origin.Totals.values[q], origin.Totals.values[q]+c.every[q], c)
			}
		}
		if c.months > 0 {
			w.calendar(WhyMonths, origin.Date, origin.Date.AddMonths(c.months), c.calendarLead, c.calendarGrace)
		}
		if c.days > 0 {
			w.calendar(WhyDays, origin.Date, origin.Date.AddDays(c.days), c.calendarLead, c.calendarGrace)
		}
	}
	c := &t.regular
	for q := range quantities {
		if c.present.Has(q) {
			from := start.Totals.values[q]
			if t.Count == OnGrid {
				from = gridLine(in.Fitted.Totals.values[q], from, c.every[q])
			}
			w.counter(q, from, from+c.every[q], c)
		}
	}
	if c.months > 0 || c.days > 0 {
		t.considerCalendar(&w, start.Date)
	}
	if len(t.On) > 0 {
		from, date := t.nextOn(&in)
		w.calendar(WhyDate, from, date, t.on.lead, t.on.grace)
	}
	if t.SeasonStart && !in.SeasonStart.IsZero() {
		t.considerSeason(&w)
	}
	if t.Condition != nil {
		t.considerCondition(&w)
	}
	if !due.Date.IsZero() {
		due.RemainingDays = in.Today.DaysUntil(due.Date)
	}
	return due
}

// considerCalendar watches the triggers of months and of days.
func (t *Task) considerCalendar(w *watch, from Date) {
	c := &t.regular
	if t.Count == FromMade && w.in.LastDone == nil && !w.in.Made.IsZero() {
		from = w.in.Made
	}
	if c.months > 0 {
		from, limit := from, from.AddMonths(c.months)
		if t.Count == OnGrid {
			from, limit = gridMonth(w.in.Fitted.Date, from, c.months)
		}
		w.calendar(WhyMonths, from, t.inSeason(limit, w.in), c.calendarLead, c.calendarGrace)
	}
	if c.days > 0 {
		from := from
		if t.Count == OnGrid {
			anchor := w.in.Fitted.Date
			from = anchor.AddDays(int(gridLine(0, int64(anchor.DaysUntil(from)), int64(c.days))))
		}
		w.calendar(WhyDays, from, t.inSeason(from.AddDays(c.days), w.in), c.calendarLead, c.calendarGrace)
	}
}

// inSeason moves a limit that ran out before the season began to its first day,
// for tasks that wait for the season.
func (t *Task) inSeason(limit Date, in *Input) Date {
	if t.InSeason && limit.Before(in.SeasonStart) {
		return in.SeasonStart
	}
	return limit
}

// runInStep gives the step of the run-in that is to be done next, -1 for none.
func (t *Task) runInStep(in *Input) int {
	if len(t.steps) == 0 || in.Used {
		return -1
	}
	done := in.LastDone
	var origin Amounts
	if t.RunInEveryFitting {
		origin = in.Fitted.Totals
		if done != nil && done.At < in.Fitted.At {
			done = nil // at an earlier fitting
		}
	}
	if done == nil {
		first := &t.steps[0]
		for q := range quantities {
			if first.present.Has(q) && in.Fitted.Totals.values[q]-origin.values[q] >= first.every[q] {
				return -1 // run in before it came here
			}
		}
		return t.measured(0, in)
	}
	// Any doing ends the first step; a later one ends with the doing that lies
	// nearer to it than to the step before.
	for i := 1; i < len(t.steps); i++ {
		before, step := &t.steps[i-1], &t.steps[i]
		covered := false
		for q := range quantities {
			if step.present.Has(q) {
				middle := (before.every[q] + step.every[q]) / 2
				covered = covered || done.Totals.values[q]-origin.values[q] > middle
			}
		}
		if !covered && t.measurable(i, in) {
			return i
		}
	}
	return -1
}

// measured gives the first step from i on that can be watched, -1 for none.
func (t *Task) measured(i int, in *Input) int {
	for ; i < len(t.steps); i++ {
		if t.measurable(i, in) {
			return i
		}
	}
	return -1
}

// measurable tells whether a step can be watched: it counts days, or a quantity
// that the part has a total of.
func (t *Task) measurable(i int, in *Input) bool {
	c := &t.steps[i]
	return c.months > 0 || c.days > 0 || c.present&in.Now.present != 0
}

// gridLine gives the grid line that a job done at total counts for: the nearest
// multiple of every from the anchor, the earlier one when it lies half-way.
func gridLine(anchor, total, every int64) int64 {
	if total <= anchor {
		return anchor
	}
	lines := (2*(total-anchor) + every - 1) / (2 * every)
	return anchor + lines*every
}

// gridMonth is gridLine in months: the line a job counts for, and the next.
func gridMonth(anchor, done Date, months int) (line, next Date) {
	if !done.After(anchor) {
		return anchor, anchor.AddMonths(months)
	}
	// Lines are taken from the anchor each time, so that a 31st comes back
	// after a shorter month.
	n := ((done.Year-anchor.Year)*12 + int(done.Month-anchor.Month)) / months
	for n > 0 && anchor.AddMonths(n*months).After(done) {
		n--
	}
	line, next = anchor.AddMonths(n*months), anchor.AddMonths((n+1)*months)
	if done.DaysUntil(next) < line.DaysUntil(done) {
		line, next = next, anchor.AddMonths((n+2)*months)
	}
	return line, next
}

// nextOn gives the next of the task's dates that no job has counted for yet, and
// the day that the wait for it began.
func (t *Task) nextOn(in *Input) (from, date Date) {
	if in.LastDone == nil {
		return in.Fitted.Date, t.firstOn(in.Fitted.Date)
	}
	from = in.LastDone.Date
	return from, t.firstOn(from.AddDays(t.on.early + 1))
}

// firstOn gives the first of the task's dates that is not before d.
func (t *Task) firstOn(d Date) Date {
	first := t.On[0].OnOrAfter(d)
	for _, day := range t.On[1:] {
		if next := day.OnOrAfter(d); next.Before(first) {
			first = next
		}
	}
	return first
}

// considerSeason watches the trigger "before first use of a season". The limit
// is the season's first day, or the fitting where that came later. A job within
// 60 days before it counts for it. Until the rig works the task is no more than
// due; once it has worked in the season, and the grace is over, it is overdue.
func (t *Task) considerSeason(w *watch) {
	in := w.in
	if in.LastDone != nil && !in.LastDone.Date.Before(in.SeasonStart.AddDays(-countsBeforeDate)) {
		w.calendar(WhySeason, in.LastDone.Date, in.SeasonStart.AddMonths(12), t.on.lead, t.on.grace)
		return
	}
	limit, from := in.SeasonStart, in.SeasonStart.AddMonths(-12)
	if in.Fitted.Date.After(limit) {
		limit = in.Fitted.Date
	}
	status := OK
	switch {
	case !in.LastUse.Before(limit) && !in.Today.Before(t.on.grace.after(limit)):
		status = Overdue
	case !in.Today.Before(limit):
		status = IsDue
	case !in.Today.Before(t.on.lead.before(limit)):
		status = Soon
	}
	w.limitDate(limit)
	w.take(status, WhySeason, through(from, in.Today, limit))
}

// considerCondition watches the measured condition. A binding task has no
// grace, so that a limit passed is a task overdue.
func (t *Task) considerCondition(w *watch) {
	value, measured := w.in.Conditions[t.Condition.Code]
	switch {
	case !measured || !t.Condition.Passed(value):
	case t.Weight.Binding():
		w.take(Overdue, WhyCondition, 1)
	default:
		w.take(IsDue, WhyCondition, 1)
	}
}
