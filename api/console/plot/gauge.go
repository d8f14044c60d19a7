package plot

import (
	"html"
	"math"
	"strings"
)

// Step is one step of a gauge test: how far the gauge was from the master.
type Step struct {
	Master, Error float64 // bar
	Out           bool
}

// Funnel is the limit at a pressure; between two of them it runs straight.
type Funnel struct{ Master, Limit float64 }

// Gauge is a gauge held against a master: error over true pressure, between the
// two sides of the limit.
type Gauge struct {
	Title string
	True  string // what the foot says
	Err   string // what the middle line says
	Unit  string
	Steps []Step
	Limit []Funnel // rising
	Worst int      // the step that is captioned, from 1; 0 for none
}

const (
	gaugeWide  = 560.0
	gaugeHigh  = 260.0
	gaugeLeft  = 14.0
	gaugeRight = 116.0
	gaugeTop   = 20.0
	gaugeFoot  = 40.0
)

// SVG draws the test.
func (g Gauge) SVG() string {
	if len(g.Steps) == 0 || len(g.Limit) < 2 {
		return ""
	}
	far, high := g.Limit[len(g.Limit)-1].Master, 0.0
	for _, l := range g.Limit {
		high = math.Max(high, l.Limit)
	}
	worst := 0.0
	for _, s := range g.Steps {
		if !finite(s.Master, s.Error) {
			return ""
		}
		worst = math.Max(worst, math.Abs(s.Error))
	}
	high = math.Max(1.25*high, math.Min(1.15*worst, 5*high))
	if !finite(far, high) || far <= 0 || high <= 0 {
		return ""
	}
	end := gaugeWide - gaugeRight
	middle := gaugeTop + (gaugeHigh-gaugeTop-gaugeFoot)/2
	x := func(v float64) float64 { return gaugeLeft + v/far*(end-gaugeLeft) }
	y := func(v float64) float64 {
		return middle - math.Max(-1, math.Min(1, v/high))*(gaugeHigh-gaugeTop-gaugeFoot)/2
	}
	var d drawing
	d.open("gauge", g.Title, gaugeWide, gaugeHigh)
	for _, side := range []float64{1, -1} {
		var at strings.Builder
		for _, l := range g.Limit {
			at.WriteString(num(x(l.Master)) + "," + num(y(side*l.Limit)) + " ")
		}
		d.add(`<polyline class="limit" points="%s"/>`, strings.TrimSpace(at.String()))
		last := g.Limit[len(g.Limit)-1]
		d.text("side", "start", end+6, y(side*last.Limit)+4, Number(side*last.Limit, 2, true)+" "+html.EscapeString(g.Unit))
	}
	d.line("middle", gaugeLeft, middle, end, middle)
	d.text("side", "start", end+6, middle+4, html.EscapeString(g.Err))
	for i, s := range g.Steps {
		if s.Out {
			d.add(`<rect class="out" x="%s" y="%s" width="10" height="10"/>`, num(x(s.Master)-5), num(y(s.Error)-5))
		} else {
			d.add(`<circle class="in" cx="%s" cy="%s" r="5"/>`, num(x(s.Master)), num(y(s.Error)))
		}
		if i+1 == g.Worst {
			anchor := "start"
			at := x(s.Master) + 9
			if at > end-110 {
				anchor, at = "end", x(s.Master)-9
			}
			d.text("worst", anchor, at, y(s.Error)+4, Number(s.Error, 2, true)+" "+html.EscapeString(g.Unit))
		}
	}
	unit := niceStep(far)
	for v := 0.0; v <= far+1e-9; v += unit {
		d.text("tick", "middle", x(v), gaugeHigh-22, Number(v, places(unit), false))
	}
	d.text("tick", "end", end, gaugeHigh-5, html.EscapeString(g.True))
	return d.close()
}

// niceStep divides a length into at most six steps of 1, 2 or 5.
func niceStep(far float64) float64 {
	base := math.Pow(10, math.Floor(math.Log10(far/6)))
	for _, f := range []float64{1, 2, 5, 10} {
		if far/(base*f) <= 6 {
			return base * f
		}
	}
	return base * 10
}
