package console

import (
	"cmp"
	"html/template"
	"math"
	"slices"

	"rigledger/api/console/plot"
	"rigledger/events"
	"rigledger/fleet/testbay"
)

// inspectionSeen is an inspection as it is shown, on record or while it is typed.
type inspectionSeen struct {
	Outcome string
	Points  map[string]*pointSeen
	Order   []*pointSeen
	Failed  []*pointSeen
	Stops   bool // a failed point stops the rig
	Advice  []*pointSeen
	Open    []*pointSeen
	InOrder []*pointSeen // looked at, passed, and nothing more to say
	Unclear []*pointSeen // entered by halves or not to be understood
	Typing  bool
}

// pointSeen is one judged point.
type pointSeen struct {
	testbay.PointResult
	Problem string // why it cannot be judged yet
	Plot    template.HTML
	Remedy  string
	Row     *testbay.CatchResult
	CV      *testbay.Verdict // of a distribution
}

// Words says the point's outcome in words.
func (p *pointSeen) Words() string { return bayWords(string(p.Outcome)) }

// Told says whether there is anything to be told of the point.
func (p *pointSeen) Told() bool {
	return p.Problem != "" || p.Outcome != "" && p.Outcome != testbay.NotDone && p.Outcome != testbay.NotNeeded
}

// Large says whether there is more to show of the point than the answer itself.
func (p *pointSeen) Large() bool {
	return p.Told() && !(p.Outcome == testbay.Pass && p.Kind == testbay.LookedAt && p.Why == "")
}

// Past is how far the worst reading is beyond its limit, nil when it is not.
func (p *pointSeen) Past() *float64 {
	if p.Worst == nil || p.Worst.Pass {
		return nil
	}
	past := -p.Worst.Margin
	return &past
}

// Words says the sheet's outcome in words.
func (seen *inspectionSeen) Words() string { return bayWords(seen.Outcome) }

// seeSheet shows a judged sheet.
func seeSheet(r testbay.SheetResult, sheet testbay.Sheet, rs testbay.RuleSet) *inspectionSeen {
	seen := &inspectionSeen{Outcome: string(r.Outcome), Points: map[string]*pointSeen{}, Stops: len(r.StopsRig) > 0}
	for _, pr := range r.Points {
		p := &pointSeen{PointResult: pr}
		if pr.Outcome == testbay.Fail {
			if p.Remedy = remedies[pr.ID]; p.Remedy == "" {
				p.Remedy = word("Put it right and have this point looked at again.")
			}
		}
		p.draw(sheet, rs)
		seen.Points[pr.ID] = p
		seen.Order = append(seen.Order, p)
		switch pr.Outcome {
		case testbay.Fail:
			seen.Failed = append(seen.Failed, p)
		case testbay.PassWithAdvisories:
			seen.Advice = append(seen.Advice, p)
		case testbay.NotDone, testbay.Incomplete:
			seen.Open = append(seen.Open, p)
		}
	}
	slices.SortStableFunc(seen.Failed, func(a, b *pointSeen) int { return cmp.Compare(rankOf(a), rankOf(b)) })
	return seen
}

// rankOf puts what stops the rig first.
func rankOf(p *pointSeen) int {
	if p.StopsRig {
		return 0
	}
	return 1
}

func (seen *inspectionSeen) unclear(point, why string, rs testbay.RuleSet) {
	p := seen.Points[point]
	if p == nil {
		q, ok := rs.Point(point)
		if !ok {
			return
		}
		p = &pointSeen{PointResult: testbay.PointResult{Point: q}}
		seen.Points[point] = p
	}
	p.Problem = why
	seen.Unclear = append(seen.Unclear, p)
}

// draw makes the picture of a point that has several readings.
func (p *pointSeen) draw(sheet testbay.Sheet, rs testbay.RuleSet) {
	switch {
	case p.ID == testbay.PointNozzleFlow && sheet.Measured.NozzleFlow != nil && len(p.Verdicts) > 0:
		row, err := testbay.JudgeCatch(rs, *sheet.Measured.NozzleFlow)
		if err != nil {
			return
		}
		p.Row = &row
		p.Plot = nozzlePlot("p-"+p.ID, row, p.Verdicts[0].Limit, worstOf(p))
	case p.ID == testbay.PointGaugeError && sheet.Measured.GaugeError != nil:
		p.Plot = gaugePlot(rs, sheet.Measured.GaugeError.Readings, p.Verdicts)
	default:
		p.bars()
	}
}

func worstOf(p *pointSeen) *events.WorstNozzle {
	if p.Worst == nil {
		return nil
	}
	return &events.WorstNozzle{Position: p.Worst.Position}
}

// bars draws three or more readings that are held against the same limit.
func (p *pointSeen) bars() {
	b := plot.Bars{ID: "p-" + p.ID, Title: p.Name, Middle: word("mean"), Named: word("position")}
	for _, one := range p.Verdicts {
		if one.Position == 0 {
			if p.ID == testbay.PointDistribution {
				p.CV = &one
			}
			continue
		}
		if one.Sense != testbay.AtMost || b.Unit != "" && (one.Unit != b.Unit || one.Limit != b.Limit) {
			return
		}
		b.Unit, b.Limit = one.Unit, one.Limit
		at := one.Measured
		b.Row = append(b.Row, plot.Bar{Position: one.Position, Value: &at, Out: !one.Pass})
	}
	if len(b.Row) < 3 {
		return
	}
	switch p.ID {
	case testbay.PointDistribution:
		b.Named, b.Title = word("gutter"), word("What each gutter caught, in percent from the mean, between the limits")
	case testbay.PointSectionClosed, testbay.PointPressureDrop:
		b.Named, b.Middle = word("section"), word("no change")
	case testbay.PointSectionBalance:
		b.Named = word("section")
	case testbay.PointNozzleSpacing:
		b.Middle = word("nominal")
	case testbay.PointNozzleUpright, testbay.PointDrip, testbay.PointSectionWidth:
		b.Middle = "0"
	}
	for _, one := range b.Row { // the furthest from the middle
		if b.Worst == 0 || math.Abs(*one.Value) > math.Abs(*b.Row[b.Worst-1].Value) {
			b.Worst = one.Position
		}
	}
	p.Plot = template.HTML(b.SVG()) // made by us; captions are escaped there
}

// gaugePlot draws a gauge against the master, between the limits of the rule set.
func gaugePlot(rs testbay.RuleSet, readings []testbay.GaugeReading, verdicts []testbay.Verdict) template.HTML {
	g := plot.Gauge{Title: word("Error of the gauge over the pressure of the master, between the limits"), True: word("master, bar"), Err: word("as the master"), Unit: "bar"}
	far, worst := 1.0, 0.0
	for i, r := range readings {
		step := plot.Step{Master: r.MasterBar, Error: r.GaugeBar - r.MasterBar, Out: i < len(verdicts) && !verdicts[i].Pass}
		far = max(far, r.MasterBar)
		if i < len(verdicts) && verdicts[i].Limit > 0 {
			if share := math.Abs(verdicts[i].Measured) / verdicts[i].Limit; share > worst {
				worst, g.Worst = share, i+1
			}
		}
		g.Steps = append(g.Steps, step)
	}
	low, upTo, share := rs.Limits[testbay.LimitGaugeErrorBar].Value, rs.Limits[testbay.LimitGaugeErrorUpTo].Value, rs.Limits[testbay.LimitGaugeErrorPercent].Value
	far *= 1.08
	g.Limit = []plot.Funnel{{Master: 0, Limit: low}, {Master: min(upTo, far), Limit: low}}
	if far > upTo {
		g.Limit = append(g.Limit, plot.Funnel{Master: upTo, Limit: share / 100 * upTo}, plot.Funnel{Master: far, Limit: share / 100 * far})
	}
	return template.HTML(g.SVG()) // made by us; captions are escaped there
}
