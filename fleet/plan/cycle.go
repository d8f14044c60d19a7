package plan

// Our own defaults, beside those of the trade in doc.go.
const (
	leadOfHours      = 10 * 3600 // s; "10 % of the interval or 10 h", common practice
	leadOfDates      = 14        // days; common practice
	graceOfDates     = 7         // days, routine tasks; common practice
	countsBeforeDate = 60        // days before a date or season in which a job counts for it; own decision
)

// span is a stretch of calendar: months and days together.
type span struct{ months, days int }

func (s span) before(d Date) Date {
	if s.months != 0 {
		d = d.AddMonths(-s.months)
	}
	return d.AddDays(-s.days)
}

func (s span) after(d Date) Date {
	if s.months != 0 {
		d = d.AddMonths(s.months)
	}
	return d.AddDays(s.days)
}

// about gives the length in days, a month taken as 30.
func (s span) about() int { return s.months*30 + s.days }

// cycle is an interval with its lead and grace worked out, laid flat for Due.
type cycle struct {
	every, lead, grace [quantities]int64
	present            Quantities
	months, days       int
	calendarLead       span
	calendarGrace      span
}

// onDates is the lead, grace and early window of dates and seasons.
type onDates struct {
	lead, grace span
	early       int // days before a date in which doing the job counts for it
}

// asked is what a plan wrote for lead or grace; a quantity or calendar that it
// left out takes the default.
type asked struct {
	amounts  Amounts
	calendar bool
	span     span
}

// settle works out leads and graces for the task as parsed.
func (t *Task) settle(lead, grace asked) {
	t.regular = t.cycleOf(t.Every, Interval{}, false, lead, grace)
	t.steps = make([]cycle, len(t.RunIn))
	var previous Interval
	for i, step := range t.RunIn {
		t.steps[i] = t.cycleOf(step, previous, true, lead, grace)
		previous = step
	}
	t.on = onDates{lead: span{days: leadOfDates}, early: countsBeforeDate}
	if t.Weight == Routine {
		t.on.grace.days = graceOfDates
	}
	if lead.calendar {
		t.on.lead = lead.span
	}
	if grace.calendar {
		t.on.grace = grace.span
	}
	// Where dates lie close together, a job counts for the nearer one.
	if half := t.shortestGap() / 2; half < t.on.early {
		t.on.early = half
	}
}

// shortestGap gives the fewest days between two of the task's dates.
func (t *Task) shortestGap() int {
	shortest := 365
	for i, day := range t.On {
		next := t.On[(i+1)%len(t.On)]
		from := day.In(2025) // any year without a leap day gives the shortest
		if gap := from.DaysUntil(next.OnOrAfter(from.AddDays(1))); gap < shortest {
			shortest = gap
		}
	}
	return shortest
}

// cycleOf works out one interval. A run-in step is measured from the start, so
// its lead and grace are those of the stretch since the step before, and what
// the plan asked for the regular interval is held to half of that stretch.
func (t *Task) cycleOf(every, since Interval, runIn bool, lead, grace asked) cycle {
	c := cycle{present: every.Amounts.Held(), months: every.Months, days: every.Days}
	for q, at := range every.Amounts.All() {
		before, _ := since.Amounts.Get(q)
		length := at - before
		c.every[q] = at
		c.lead[q] = (length + 9) / 10
		if q == Hours {
			c.lead[q] = max(c.lead[q], leadOfHours)
		}
		c.lead[q] = min(c.lead[q], length/2)
		if t.Weight == Routine {
			c.grace[q] = length / 10
		}
		if v, ok := lead.amounts.Get(q); ok {
			c.lead[q] = v
		}
		if v, ok := grace.amounts.Get(q); ok {
			c.grace[q] = v
		}
		if runIn {
			c.lead[q], c.grace[q] = min(c.lead[q], length/2), min(c.grace[q], length/2)
		}
	}
	if length := every.shortest(); length > 0 {
		c.calendarLead.days = min((length+9)/10, length/2)
		if t.Weight == Routine {
			c.calendarGrace.days = length / 10
		}
		if lead.calendar {
			c.calendarLead = lead.span
		}
		if grace.calendar {
			c.calendarGrace = grace.span
		}
		if runIn && c.calendarLead.about() > length/2 {
			c.calendarLead = span{days: length / 2}
		}
		if runIn && c.calendarGrace.about() > length/2 {
			c.calendarGrace = span{days: length / 2}
		}
	}
	return c
}

// shortest gives the shorter of the two calendar triggers, about, in days; 0
// when there is none.
func (i Interval) shortest() int {
	length := i.Months * 30
	if i.Days > 0 && (length == 0 || i.Days < length) {
		length = i.Days
	}
	return length
}
