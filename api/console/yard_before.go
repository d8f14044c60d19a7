package console

import (
	"cmp"
	"slices"

	"rigledger/fleet"
	"rigledger/fleet/plan"
	"rigledger/fleet/plan/forecast"
)

// before is what there is to do before a rig goes out on a day. The yard and the
// rig's own page say it from here, so that both say the same.
type before struct {
	Stops      []need // what keeps it in
	First      []need // what has to be done or looked at first, the deciding one first
	Own        []need // what is due and given to the operator, who does it before going out
	Minutes    int    // of the workshop's work until it may go
	OwnMinutes int    // of the operator's
}

// need is one thing that has to be done or looked at first.
type need struct {
	Text, Clears string
	To           string // where that is done
	Stops        bool
	Minutes      int
	Part         string
	Standing     string    // due or overdue
	Early, Late  plan.Date // when it falls due, where it is not due yet
}

// FirstShown are those of First that stand at once, FirstMore the others.
func (b *before) FirstShown() []need { return b.First[:min(len(b.First), needsMost)] }
func (b *before) FirstMore() []need  { return b.First[len(b.FirstShown()):] }

// OwnShown are the operator's jobs that are named, OwnMore counts the others.
func (b *before) OwnShown() []need { return b.Own[:min(len(b.Own), needsMost)] }
func (b *before) OwnMore() int     { return len(b.Own) - len(b.OwnShown()) }

// beforeOf gathers it from how the rig stands on the day and from what is due, or
// falls due until it is back: of a job by the middle of its days, of a safety or
// statutory one by the early end. What the operator does between two fills holds
// nobody back, and is said all the same.
func beforeOf(rig string, fit fleet.Fitness, lines []fleet.DueLine, jobs []aheadJob, until plan.Date) (b before) {
	told := map[string]bool{}
	byKey := map[string]*fleet.DueLine{}
	for i := range lines {
		byKey[lineKey(&lines[i])] = &lines[i]
	}
	for _, reason := range fit.Reasons {
		n := need{Text: reason.Text, Clears: reason.Clears, Stops: reason.Stops, To: clearedAt(rig, &reason)}
		if l := byKey[reason.Part+"."+reason.Task]; l != nil && reason.Task != "" {
			told[lineKey(l)] = true
			n.Minutes, n.Part, n.Clears = l.Task.Minutes, partBeside(rig, l.Part), ""
		}
		if n.Stops {
			b.Stops = append(b.Stops, n)
		} else {
			b.First = append(b.First, n)
		}
	}
	for i := range lines {
		l := &lines[i]
		isDue := l.Due.Status.Rank() >= plan.IsDue.Rank()
		if told[lineKey(l)] || !isDue && (l.Due.Date.IsZero() || l.Due.Date.After(until)) {
			continue
		}
		told[lineKey(l)] = true
		n := need{Text: l.Task.Title, Part: partBeside(rig, l.Part), Minutes: l.Task.Minutes, To: jobAt(rig, l.Item)}
		if isDue {
			n.Standing = string(l.Due.Status)
		} else {
			n.Early = l.Due.Date
		}
		if l.Task.By == plan.Operator {
			b.Own = append(b.Own, n)
			b.OwnMinutes += n.Minutes
		} else {
			b.First = append(b.First, n)
		}
	}
	for _, j := range jobs {
		by := j.Middle
		if j.Weight.Binding() {
			by = j.Early
		}
		if !told[j.Key] && !by.IsZero() && !by.After(until) {
			b.First = append(b.First, need{Text: j.Title, Part: j.Part, Minutes: j.Minutes, To: jobAt(rig, j.Item), Early: j.Early, Late: j.Late})
		}
	}
	slices.SortStableFunc(b.First, func(a, b need) int {
		return cmp.Or(truthFirst(a.Standing == "" && a.Early.IsZero(), b.Standing == "" && b.Early.IsZero()), truthFirst(a.Standing == string(plan.Overdue), b.Standing == string(plan.Overdue)))
	})
	work := b.First
	if len(b.Stops) > 0 { // what stops it is what has to be done first
		work = b.Stops
	}
	for i := range work {
		b.Minutes += work[i].Minutes
	}
	return b
}

// Work is the workshop's work until the rig may go, as people say it, "" for none.
func (b *before) Work() string { return workTime(b.Minutes) }

func lineKey(l *fleet.DueLine) string { return l.Part.Part + "." + l.Task.Slug }

// nextJob is the job of a rig that presses most.
type nextJob struct {
	Item, Part, Title, Status string
	Operator                  bool // the plan gives it to the operator
	Left                      rigLeft
	Band                      forecast.Band // when it falls due
}

// Due says whether it is due already.
func (n *nextJob) Due() bool { return plan.Status(n.Status).Rank() >= plan.IsDue.Rank() }

// nextJobOf finds it: of what is due the most pressing, as on the workshop's list,
// and of what is not, the workshop's job that falls due first. What the operator
// does between two fills is always near, and is the next one only once it is due.
// It is nil where nothing is due and no days were worked out yet.
func nextJobOf(rig string, lines []fleet.DueLine, jobs []aheadJob) *nextJob {
	var most *fleet.DueLine
	first := func(l *fleet.DueLine) [3]bool {
		return [3]bool{l.Due.Status == plan.Overdue, l.Task.Weight.Binding(), l.Task.By != plan.Operator}
	}
	for i := range lines {
		l := &lines[i]
		if l.Due.Status.Rank() < plan.IsDue.Rank() {
			continue
		}
		if most != nil {
			a, b := first(l), first(most)
			if cmp.Or(truthFirst(a[0], b[0]), truthFirst(a[1], b[1]), truthFirst(a[2], b[2]), cmp.Compare(most.Due.Fraction, l.Due.Fraction),
				truthFirst(l.Item != "", most.Item != ""), cmp.Compare(l.Item, most.Item)) >= 0 {
				continue
			}
		}
		most = l
	}
	if most != nil {
		next := nextOn(rig, most)
		for i := range jobs {
			if jobs[i].Key == lineKey(most) {
				next.Band = jobs[i].Band
			}
		}
		return next
	}
	for i := range jobs {
		for k := range lines {
			if lineKey(&lines[k]) == jobs[i].Key {
				next := nextOn(rig, &lines[k])
				next.Band = jobs[i].Band
				return next
			}
		}
	}
	return nil
}

func nextOn(rig string, l *fleet.DueLine) *nextJob {
	return &nextJob{
		Item: l.Item, Part: partBeside(rig, l.Part), Title: l.Task.Title, Status: string(l.Due.Status), Operator: l.Task.By == plan.Operator, Left: rigLeftOf(l),
	}
}

func jobAt(rig, item string) string {
	if item == "" {
		return "/rigs/" + rig
	}
	return "/items/" + item
}

// clearedAt is the page on which a reason can be cleared.
func clearedAt(rig string, r *fleet.Reason) string {
	switch {
	case r.Code == "calibration-required" || r.Calibration != "":
		return "/bay/" + rig + "/calibration"
	case r.Defect != "":
		return "/rigs/" + rig + "#defect-" + r.Defect
	case r.Inspection != "":
		return "/inspections/" + r.Inspection
	case r.Code == "certificate-missing" || r.Code == "certificate-expired" || r.Code == "scheme-inspection-overdue":
		return "/bay/" + rig + "/inspection"
	case r.Code == "place-incomplete":
		return "/bay/" + rig + "/place"
	case r.Task != "":
		return jobAt(rig, r.Item)
	}
	return "/rigs/" + rig
}
