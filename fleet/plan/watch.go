package plan

// watch gathers the triggers of one task into one Due.
type watch struct {
	in       *Input
	due      *Due
	worst    int     // rank of the status that Why stands for, -1 before any
	fraction float64 // of the trigger that Why stands for
}

// take adds one trigger: the worst status counts, and Why names its trigger, of
// several with the same status the one furthest through its interval, of several
// of these the first taken.
func (w *watch) take(status Status, why string, fraction float64) {
	rank := status.Rank()
	if rank > w.worst || rank == w.worst && fraction > w.fraction {
		w.worst, w.fraction = rank, fraction
		w.due.Status, w.due.Why = status, why
	}
	w.due.Fraction = max(w.due.Fraction, fraction)
}

func (w *watch) counter(q Quantity, from, limit int64, c *cycle) {
	if !w.in.Now.present.Has(q) {
		w.due.Unmeasured |= 1 << q
		return
	}
	remaining := limit - w.in.Now.values[q]
	status := OK
	switch {
	case remaining < -c.grace[q]:
		status = Overdue
	case remaining <= 0:
		status = IsDue
	case remaining <= c.lead[q]:
		status = Soon
	}
	if !w.due.At.present.Has(q) || limit < w.due.At.values[q] {
		w.due.At.Set(q, limit)
		w.due.Remaining.Set(q, remaining)
	}
	fraction := 0.0
	if length := limit - from; length > 0 {
		fraction = max(0, 1-float64(remaining)/float64(length))
	}
	w.take(status, quantityTable[q].unit, fraction)
}

func (w *watch) calendar(why string, from, limit Date, lead, grace span) {
	w.limitDate(limit)
	today := w.in.Today
	status := OK
	switch {
	case today.After(limit) && today.After(grace.after(limit)):
		status = Overdue
	case !today.Before(limit):
		status = IsDue
	case !today.Before(lead.before(limit)):
		status = Soon
	}
	w.take(status, why, through(from, today, limit))
}

func (w *watch) limitDate(limit Date) {
	if w.due.Date.IsZero() || limit.Before(w.due.Date) {
		w.due.Date = limit
	}
}

// through tells how far today is on the way from one day to another.
func through(from, today, limit Date) float64 {
	length := from.DaysUntil(limit)
	if length <= 0 {
		if today.Before(limit) {
			return 0
		}
		return 1
	}
	return max(0, float64(from.DaysUntil(today))/float64(length))
}
