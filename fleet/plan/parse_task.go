package plan

import (
	"slices"

	"go.yaml.in/yaml/v3"
)

const (
	mostMonths = 1200   // a hundred years
	mostDays   = 36_525 // a hundred years
	mostSteps  = 10     // of a run-in
)

// task reads one task, and the lines of the slugs that it includes.
func (f *file) task(node *yaml.Node, path string) (*Task, []int) {
	t := &Task{Line: node.Line, Weight: Routine, Count: FromDone, By: Workshop}
	var lead, grace asked
	var leadLine, graceLine int
	var includeLines []int
	start := len(f.problems)
	ok := f.fields(node, path, map[string]func(*yaml.Node, string){
		"task":         func(n *yaml.Node, at string) { t.Slug = f.slug(n, at) },
		"title":        func(n *yaml.Node, at string) { t.Title = f.text(n, at) },
		"part":         func(n *yaml.Node, at string) { t.Part = f.slug(n, at) },
		"every":        func(n *yaml.Node, at string) { t.Every = f.interval(n, at, true) },
		"on":           func(n *yaml.Node, at string) { t.On = f.days(n, at) },
		"season_start": func(n *yaml.Node, at string) { t.SeasonStart = f.truth(n, at) },
		"condition":    func(n *yaml.Node, at string) { t.Condition = f.condition(n, at) },
		"in_season":    func(n *yaml.Node, at string) { t.InSeason = f.truth(n, at) },
		"by":           func(n *yaml.Node, at string) { t.By = oneOf(f, n, at, Workshop, Operator) },
		"run_in":       func(n *yaml.Node, at string) { t.RunIn = f.runIn(n, at) },
		"run_in_after": func(n *yaml.Node, at string) {
			t.RunInEveryFitting = oneOf(f, n, at, "new", "fitting") == "fitting"
		},
		"lead":            func(n *yaml.Node, at string) { lead, leadLine = f.asked(n, at), n.Line },
		"grace":           func(n *yaml.Node, at string) { grace, graceLine = f.asked(n, at), n.Line },
		"count":           func(n *yaml.Node, at string) { t.Count = oneOf(f, n, at, FromDone, OnGrid, FromMade) },
		"weight":          func(n *yaml.Node, at string) { t.Weight = oneOf(f, n, at, Routine, Safety, Statutory) },
		"calibrate_after": func(n *yaml.Node, at string) { t.Calibrate = f.truth(n, at) },
		"minutes":         func(n *yaml.Node, at string) { t.Minutes = f.whole(n, at, 0, 10_000) },
		"parts":           func(n *yaml.Node, at string) { t.Parts = f.spares(n, at) },
		"caution":         func(n *yaml.Node, at string) { t.Cautions = f.cautionKinds(n, at) },
		"checklist":       func(n *yaml.Node, at string) { t.Checklist = f.texts(n, at) },
		"source":          func(n *yaml.Node, at string) { t.Source = f.text(n, at) },
		"includes": func(n *yaml.Node, at string) {
			t.Includes = f.slugs(n, at)
			if len(t.Includes) == len(n.Content) {
				for _, entry := range n.Content {
					includeLines = append(includeLines, entry.Line)
				}
			}
		},
	}, "task", "title", "part", "source")
	if !ok || len(f.problems) > start {
		return t, includeLines // what follows from a field misread would only confuse
	}
	if t.Every.Empty() && len(t.On) == 0 && !t.SeasonStart && t.Condition == nil && len(t.RunIn) == 0 {
		f.wrong(node.Line, path, "has no trigger: want every, on, season_start, condition or run_in")
	}
	if t.Count == OnGrid && t.Every.Empty() || t.Count == FromMade && !t.Every.calendar() {
		f.wrong(node.Line, join(path, "count"), "%s needs an interval of its kind in every", t.Count)
	}
	if t.InSeason && !t.Every.calendar() {
		f.wrong(node.Line, join(path, "in_season"), "there is no interval in months or days")
	}
	if t.RunInEveryFitting && len(t.RunIn) == 0 {
		f.wrong(node.Line, join(path, "run_in_after"), "there is no run_in")
	}
	for i, step := range t.RunIn {
		f.stepBelow(node.Line, join(path, "run_in"), step, t.Every)
		if i > 0 {
			f.stepBelow(node.Line, join(path, "run_in"), t.RunIn[i-1], step)
		}
	}
	f.askedBelow(leadLine, join(path, "lead"), lead, t)
	f.askedBelow(graceLine, join(path, "grace"), grace, t)
	t.settle(lead, grace)
	return t, includeLines
}

// interval reads {hours, hectares, litres, kilometres, loads, months, days}.
// Zero is refused where positive is set, a negative amount always.
func (f *file) interval(node *yaml.Node, path string, positive bool) (i Interval) {
	readers := map[string]func(*yaml.Node, string){
		"months": func(n *yaml.Node, at string) { i.Months = f.whole(n, at, least(positive), mostMonths) },
		"days":   func(n *yaml.Node, at string) { i.Days = f.whole(n, at, least(positive), mostDays) },
	}
	for q := range quantities {
		readers[q.Unit()] = func(n *yaml.Node, at string) {
			number := f.number(n, at)
			base, err := parseHuman(q, n.Value)
			switch {
			case err != nil || number > float64(quantityTable[q].most):
				f.wrong(n.Line, at, "%s is more than %d, the most that makes sense", clip(n.Value), quantityTable[q].most)
			case base < 0 || positive && base == 0:
				f.wrong(n.Line, at, "%s is not above zero", clip(n.Value))
			default:
				i.Amounts.Set(q, base)
			}
		}
	}
	if f.fields(node, path, readers) && len(node.Content) == 0 {
		f.wrong(node.Line, path, "is empty")
	}
	return i
}

func least(positive bool) int {
	if positive {
		return 1
	}
	return 0
}

// asked reads a lead or a grace: an interval in which zero is a wish too.
func (f *file) asked(node *yaml.Node, path string) asked {
	i := f.interval(node, path, false)
	a := asked{amounts: i.Amounts, span: span{i.Months, i.Days}}
	if node.Kind == yaml.MappingNode {
		for k := 0; k+1 < len(node.Content); k += 2 {
			name := node.Content[k].Value
			a.calendar = a.calendar || name == "months" || name == "days"
		}
	}
	return a
}

// askedBelow checks that a lead or grace is about triggers that the task has,
// and shorter than they are.
func (f *file) askedBelow(line int, path string, a asked, t *Task) {
	for q, v := range a.amounts.All() {
		every, ok := t.Every.Amounts.Get(q)
		if !ok && len(t.RunIn) > 0 {
			every, ok = t.RunIn[0].Amounts.Get(q)
		}
		switch {
		case !ok:
			f.wrong(line, join(path, q.Unit()), "the task has no interval in %s", q.Unit())
		case v >= every:
			f.wrong(line, join(path, q.Unit()), "is not shorter than the interval")
		}
	}
	if !a.calendar {
		return
	}
	length := t.Every.shortest()
	if length == 0 && len(t.RunIn) > 0 {
		length = t.RunIn[0].shortest()
	}
	if len(t.On) > 0 || t.SeasonStart {
		gap := t.shortestGap()
		if length == 0 || gap < length {
			length = gap
		}
	}
	switch {
	case length == 0:
		f.wrong(line, path, "the task has no interval in months or days, and no date")
	case a.span.about() >= length:
		f.wrong(line, path, "is not shorter than the interval")
	}
}

// stepBelow checks that one interval lies below the next in all they share.
func (f *file) stepBelow(line int, path string, lower, upper Interval) {
	for q, v := range lower.Amounts.All() {
		if above, ok := upper.Amounts.Get(q); ok && v >= above {
			f.wrong(line, join(path, q.Unit()), "a step of the run-in is not below what follows it")
		}
	}
	if lower.Months > 0 && upper.Months > 0 && lower.Months >= upper.Months ||
		lower.Days > 0 && upper.Days > 0 && lower.Days >= upper.Days {
		f.wrong(line, path, "a step of the run-in is not below what follows it")
	}
}

// runIn reads one interval, or a list of steps each measured from the start.
func (f *file) runIn(node *yaml.Node, path string) (steps []Interval) {
	if node.Kind == yaml.MappingNode {
		return []Interval{f.interval(node, path, true)}
	}
	f.list(node, path, func(n *yaml.Node, at string) { steps = append(steps, f.interval(n, at, true)) })
	if node.Kind == yaml.SequenceNode && (len(steps) == 0 || len(steps) > mostSteps) {
		f.wrong(node.Line, path, "has %d steps; want 1 to %d", len(steps), mostSteps)
	}
	return steps
}

func (f *file) day(node *yaml.Node, path string) MonthDay {
	text := f.text(node, path)
	day, err := ParseMonthDay(text)
	if text != "" && err != nil {
		f.wrong(node.Line, path, "%q is not a day of the year written \"MM-DD\"", clip(text))
	}
	return day
}

func (f *file) days(node *yaml.Node, path string) (days []MonthDay) {
	f.list(node, path, func(n *yaml.Node, at string) {
		day := f.day(n, at)
		if slices.Contains(days, day) && day.Day != 0 {
			f.wrong(n.Line, at, "%s is listed twice", day)
		}
		days = append(days, day)
	})
	slices.SortFunc(days, func(a, b MonthDay) int { return (int(a.Month)-int(b.Month))*100 + a.Day - b.Day })
	if node.Kind == yaml.SequenceNode && (len(days) == 0 || len(days) > 53) {
		f.wrong(node.Line, path, "lists %d dates; want 1 to 53", len(days))
	}
	return days
}

func (f *file) condition(node *yaml.Node, path string) *Condition {
	c := &Condition{}
	limit := func(n *yaml.Node, at string) *float64 { v := f.number(n, at); return &v }
	f.fields(node, path, map[string]func(*yaml.Node, string){
		"code":  func(n *yaml.Node, at string) { c.Code = f.slug(n, at) },
		"above": func(n *yaml.Node, at string) { c.Above = limit(n, at) },
		"below": func(n *yaml.Node, at string) { c.Below = limit(n, at) },
		"unit":  func(n *yaml.Node, at string) { c.Unit = f.text(n, at) },
	}, "code")
	if (c.Above == nil) == (c.Below == nil) {
		f.wrong(node.Line, path, "want either above or below")
	}
	return c
}

func (f *file) spares(node *yaml.Node, path string) (spares []Spare) {
	f.list(node, path, func(n *yaml.Node, at string) {
		s := Spare{Count: 1}
		f.fields(n, at, map[string]func(*yaml.Node, string){
			"sku":   func(n *yaml.Node, at string) { s.SKU = f.text(n, at) },
			"name":  func(n *yaml.Node, at string) { s.Name = f.text(n, at) },
			"count": func(n *yaml.Node, at string) { s.Count = f.whole(n, at, 1, 10_000) },
		}, "sku", "name")
		spares = append(spares, s)
	})
	return spares
}

func (f *file) cautionKinds(node *yaml.Node, path string) (kinds []string) {
	f.list(node, path, func(n *yaml.Node, at string) {
		kind := f.slug(n, at)
		if kind != "" && !cautionKnown(kind) {
			f.wrong(n.Line, at, "%s is not a kind of job that cautions are written for", kind)
		}
		kinds = append(kinds, kind)
	})
	return kinds
}
