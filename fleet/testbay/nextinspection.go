package testbay

import (
	"fmt"
	"slices"
	"time"
)

// Inspection is one inspection of a machine and how it ended.
type Inspection struct {
	On     Date `json:"on"`
	Passed bool `json:"passed"`
}

// Machine is what an interval rule asks about a sprayer.
type Machine struct {
	// FirstPurchase is the day it was first bought new, by whichever owner.
	FirstPurchase *Date `json:"first_purchase,omitempty"`
	// FirstUse is the day it first sprayed; absent: FirstPurchase is taken, which is stricter.
	FirstUse    *Date        `json:"first_use,omitempty"`
	Inspections []Inspection `json:"inspections,omitempty"` // any order
	Contractor  bool         `json:"contractor"`
	Leased      bool         `json:"leased"`
	BoomM       float64      `json:"boom_m"`
}

// RuleDate is the last lawful day under one rule, with its reason.
type RuleDate struct {
	Rule   string       `json:"rule"`
	Name   string       `json:"name"`
	Kind   IntervalKind `json:"kind"`
	Due    Date         `json:"due"` // last day to be inspected; after it the machine may not spray
	Reason string       `json:"reason"`
	Source string       `json:"source"`
}

// RuleSkipped is a rule that does not apply, and why.
type RuleSkipped struct {
	Rule string `json:"rule"`
	Why  string `json:"why"`
}

// Due is the answer of [NextInspection].
type Due struct {
	Dates     []RuleDate    `json:"dates"` // strictest first, ties in the order given
	Skipped   []RuleSkipped `json:"skipped,omitempty"`
	On        *Date         `json:"due,omitempty"`       // strictest date; absent when no rule applies
	Strictest []string      `json:"strictest,omitempty"` // every rule that ties at it
	DaysLeft  int           `json:"days_left"`           // 0 on the last day, negative when overdue
	Overdue   bool          `json:"overdue"`
	// FailedOpen: the last inspection was failed and none was passed since.
	FailedOpen bool   `json:"failed_open"`
	Notice     string `json:"notice"`
}

// NextInspection gives, for every rule that applies to the machine on a day, the
// last day on which it must be inspected, with the reason, and the strictest.
//
// After a failed inspection: a rule with a re-test term gives that term, counted
// from the first failure since the last pass (failing again does not prolong
// it), or its ordinary date where that is earlier; a rule without one is due on
// the day of the failure, because a failed machine is no inspected machine.
func NextInspection(rules []IntervalRule, m Machine, on Date) (Due, error) {
	if err := m.check(on); err != nil {
		return Due{}, err
	}
	lastPass, firstFail := m.history()
	out := Due{Dates: []RuleDate{}, Notice: Notice, FailedOpen: firstFail != nil}
	for _, r := range rules {
		if why := r.skips(m, on); why != "" {
			out.Skipped = append(out.Skipped, RuleSkipped{r.ID, why})
			continue
		}
		due, reason, err := r.due(m, lastPass, firstFail)
		if err != nil {
			return Due{}, err
		}
		if m.Leased && r.LesseeLiable {
			reason += "; leased: the lessee answers for it as the owner does"
		}
		out.Dates = append(out.Dates, RuleDate{Rule: r.ID, Name: r.Name, Kind: r.Kind, Due: due, Reason: reason, Source: r.Source})
	}
	slices.SortStableFunc(out.Dates, func(a, b RuleDate) int { return a.Due.Compare(b.Due) })
	for _, d := range out.Dates {
		if d.Due == out.Dates[0].Due {
			out.Strictest = append(out.Strictest, d.Rule)
		}
	}
	if len(out.Dates) > 0 {
		due := out.Dates[0].Due
		out.On = &due
		out.DaysLeft = on.DaysUntil(due)
		out.Overdue = out.DaysLeft < 0
	}
	return out, nil
}

// check refuses dates that cannot be.
func (m Machine) check(on Date) error {
	if !on.Valid() {
		return refuse("on", "%s is not a day of the calendar", on)
	}
	if err := spanSwath.field("boom_m", m.BoomM); err != nil {
		return err
	}
	if m.FirstPurchase == nil && m.FirstUse == nil {
		return refuse("first_purchase", "give the first purchase (by any owner) or the first use")
	}
	var born Date
	for _, f := range []struct {
		name string
		day  *Date
	}{{"first_purchase", m.FirstPurchase}, {"first_use", m.FirstUse}} {
		switch {
		case f.day == nil:
			continue
		case !f.day.Valid():
			return refuse(f.name, "%s is not a day of the calendar", *f.day)
		case on.Before(*f.day):
			return refuse(f.name, "%s lies after %s", *f.day, on)
		case !born.IsZero() && f.day.Before(born):
			return refuse(f.name, "%s lies before first_purchase, %s", *f.day, born)
		case born.IsZero():
			born = *f.day
		}
	}
	for i, in := range m.Inspections {
		field := fmt.Sprintf("inspections[%d].on", i)
		switch {
		case !in.On.Valid():
			return refuse(field, "%s is not a day of the calendar", in.On)
		case on.Before(in.On):
			return refuse(field, "%s lies after %s", in.On, on)
		case in.On.Before(born):
			return refuse(field, "%s lies before the machine was first bought or used, %s", in.On, born)
		}
	}
	return nil
}

// history finds the last passed inspection and the first failed one after it.
// Of two on one day the pass counts as the later: a machine is repaired on the
// spot and passed, never passed and then failed by the same bench.
func (m Machine) history() (lastPass, firstFail *Date) {
	for _, in := range m.Inspections {
		if in.Passed && (lastPass == nil || lastPass.Before(in.On)) {
			day := in.On
			lastPass = &day
		}
	}
	for _, in := range m.Inspections {
		if !in.Passed && (lastPass == nil || lastPass.Before(in.On)) && (firstFail == nil || in.On.Before(*firstFail)) {
			day := in.On
			firstFail = &day
		}
	}
	return lastPass, firstFail
}

// skips says why the rule does not apply, or nothing.
func (r IntervalRule) skips(m Machine, on Date) string {
	switch {
	case on.Before(r.ValidFrom):
		return "in force from " + r.ValidFrom.String()
	case !r.on(on):
		return "in force until " + r.ValidUntil.String()
	case r.Who == OnlyContractors && !m.Contractor:
		return "for contractors only"
	case r.Who == NotContractors && m.Contractor:
		return "contractors have their own rule"
	case r.BoomOverM > 0 && m.BoomM <= r.BoomOverM:
		return fmt.Sprintf("for booms over %s m, this one is %s m", number(r.BoomOverM), number(m.BoomM))
	}
	return ""
}

// due works one applicable rule out.
func (r IntervalRule) due(m Machine, lastPass, firstFail *Date) (Date, string, error) {
	first, firstReason, err := r.firstDue(m)
	if err != nil && (lastPass == nil || r.Then.NotBeforeFirst) {
		return Date{}, "", err
	}
	day, reason := first, "no inspection passed yet; "+firstReason
	if lastPass != nil {
		day = r.Then.end(*lastPass)
		reason = fmt.Sprintf("passed on %s; then %s", *lastPass, r.Then)
		if r.Then.NotBeforeFirst && day.Before(first) {
			day, reason = first, firstReason+fmt.Sprintf("; the early pass on %s does not bring the next one before it", *lastPass)
		}
	}
	if firstFail == nil {
		return day, reason, nil
	}
	if r.Retest == nil {
		return *firstFail, fmt.Sprintf("failed on %s and not passed since: not to be used before it passes", *firstFail), nil
	}
	if retest := r.Retest.end(*firstFail); retest.Before(day) {
		return retest, fmt.Sprintf("failed on %s; repair and re-test within %s", *firstFail, r.Retest), nil
	}
	return day, reason + fmt.Sprintf("; failed on %s, re-test within %s", *firstFail, r.Retest), nil
}

func (r IntervalRule) firstDue(m Machine) (Date, string, error) {
	from, what := m.FirstPurchase, "first bought"
	if r.First.From == FromFirstUse && m.FirstUse != nil {
		from, what = m.FirstUse, "first used"
	}
	if from == nil {
		return Date{}, "", refuse("first_purchase", "is needed by rule %s: the day it was first bought, by any owner", r.ID)
	}
	return r.First.end(*from), fmt.Sprintf("%s on %s; first inspection: %s", what, *from, r.First), nil
}

// Season is the part of the year in which the rigs spray, by day of the year;
// it may run over the new year.
type Season struct {
	FromMonth  time.Month `json:"from_month"`
	FromDay    int        `json:"from_day"`
	UntilMonth time.Month `json:"until_month"`
	UntilDay   int        `json:"until_day"`
}

// BookBy gives the last day before the season on which an inspection keeps the
// machine certified through the season in which due falls; inSeason is false,
// and the day is due itself, when due lies outside the season. A due date on
// the last day of the season does not cut it.
func (s Season) BookBy(due Date) (day Date, inSeason bool, err error) {
	if !due.Valid() {
		return Date{}, false, refuse("due", "%s is not a day of the calendar", due)
	}
	// A leap year, so that a season may begin or end on 29 February.
	if !(Date{2024, s.FromMonth, s.FromDay}).Valid() || !(Date{2024, s.UntilMonth, s.UntilDay}).Valid() {
		return Date{}, false, refuse("season", "has no such day")
	}
	for _, year := range []int{due.Year - 1, due.Year} {
		start := inYear(year, s.FromMonth, s.FromDay)
		end := inYear(year, s.UntilMonth, s.UntilDay)
		if end.Before(start) {
			end = inYear(year+1, s.UntilMonth, s.UntilDay)
		}
		if !due.Before(start) && due.Before(end) {
			return start.AddDays(-1), true, nil
		}
	}
	return due, false, nil
}

// inYear puts a day of the year into a year; 29 February becomes the 28th.
func inYear(year int, month time.Month, day int) Date {
	return Date{year, month, min(day, Date{year, month, 1}.AddMonths(1).AddDays(-1).Day)}
}
