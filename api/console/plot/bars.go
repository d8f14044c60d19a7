package plot

import (
	"html"
	"math"
)

// Bar is one position: how far it is from the middle, in the unit of the row.
type Bar struct {
	Position int
	Value    *float64 // nil: not measured
	Near     bool     // inside the limit, outside the warning band
	Out      bool     // outside the limit
}

// Bars is a row of positions from left to right, nozzles or gutters or sections,
// each hanging from or standing on the middle line, with the limit on both sides.
type Bars struct {
	ID     string // of its own on the page: patterns are named by it
	Title  string // what the picture says, in a sentence
	Middle string // what the middle line is: nominal, mean
	Unit   string
	Limit  float64 // on both sides of the middle, above 0
	Row    []Bar
	Worst  int    // the position that is captioned, 0 for none
	Named  string // what a position is called, before its number
}

// Measures of the picture, in units of the drawing.
const (
	barsWide  = 660.0
	barsHigh  = 210.0
	barsLeft  = 8.0
	barsRight = 84.0 // captions of the lines
	barMost   = 44.0 // a bar and its gap
	barsTop   = 24.0
	barsFoot  = 22.0
)

// SVG draws the row. Bars beyond the picture's reach end in a notch at its edge.
func (b Bars) SVG() string {
	if len(b.Row) == 0 || !finite(b.Limit) || b.Limit <= 0 {
		return ""
	}
	reach := b.reach()
	middle := barsTop + (barsHigh-barsTop-barsFoot)/2
	half := (barsHigh - barsTop - barsFoot) / 2
	y := func(v float64) float64 { return middle - math.Max(-1, math.Min(1, v/reach))*half }
	step := math.Min(barMost, (barsWide-barsLeft-barsRight)/float64(len(b.Row)))
	end := math.Max(barsLeft+step*float64(len(b.Row)), 200)
	class := "bars"
	if len(b.Row) > 24 {
		class = "bars long"
	}
	var d drawing
	d.open(class, b.Title, end+barsRight, barsHigh)
	id := html.EscapeString(b.ID)
	d.add(`<defs><pattern id="%s-near" width="6" height="6" patternUnits="userSpaceOnUse" patternTransform="rotate(45)"><rect class="under" width="6" height="6"/><line class="hatch" x1="0" y1="0" x2="0" y2="6"/></pattern></defs>`, id)
	d.line("limit", barsLeft, y(b.Limit), end, y(b.Limit))
	d.line("limit", barsLeft, y(-b.Limit), end, y(-b.Limit))
	for i, one := range b.Row {
		b.bar(&d, one, barsLeft+float64(i)*step, step, y, reach)
		if tick(one.Position, len(b.Row)) {
			d.text("tick", "middle", barsLeft+(float64(i)+.5)*step, barsHigh-6, Number(float64(one.Position), 0, false))
		}
	}
	d.line("middle", barsLeft, middle, end, middle)
	unit := " " + html.EscapeString(b.Unit)
	decimals := places(b.Limit)
	d.text("side", "start", end+6, middle+4, html.EscapeString(b.Middle))
	d.text("side", "start", end+6, y(b.Limit)+4, Number(b.Limit, decimals, true)+unit)
	d.text("side", "start", end+6, y(-b.Limit)+4, Number(-b.Limit, decimals, true)+unit)
	b.caption(&d, step, end, y)
	return d.close()
}

// reach is what the picture shows on either side: the limit with room, and the
// furthest position as long as it does not flatten the rest.
func (b Bars) reach() float64 {
	far := 0.0
	for _, one := range b.Row {
		if one.Value != nil && finite(*one.Value) {
			far = math.Max(far, math.Abs(*one.Value))
		}
	}
	return math.Max(1.5*b.Limit, math.Min(1.15*far, 4*b.Limit))
}

func (b Bars) bar(d *drawing, one Bar, x, step float64, y func(float64) float64, reach float64) {
	gap := math.Min(3, step*.2)
	if one.Value == nil || !finite(*one.Value) {
		d.add(`<circle class="open" cx="%s" cy="%s" r="%s"/>`, num(x+step/2), num(y(0)), num(math.Min(4, math.Max(1, step/3))))
		return
	}
	class, fill := "in", ""
	switch {
	case one.Out:
		class = "out"
	case one.Near:
		class, fill = "near", ` fill="url(#`+html.EscapeString(b.ID)+`-near)"`
	}
	if one.Position == b.Worst {
		class += " worst"
	}
	top, foot := y(math.Max(*one.Value, 0)), y(math.Min(*one.Value, 0))
	if foot-top < 1 { // what is right in the middle is seen too
		top, foot = top-.5, foot+.5
	}
	d.add(`<rect class="%s"%s x="%s" y="%s" width="%s" height="%s"/>`, class, fill, num(x+gap/2), num(top), num(step-gap), num(foot-top))
	if math.Abs(*one.Value) > reach {
		at := y(*one.Value)
		d.line("notch", x, at, x+step, at)
	}
}

// caption names the worst position, inside the picture's sides.
func (b Bars) caption(d *drawing, step, end float64, y func(float64) float64) {
	for i, one := range b.Row {
		if one.Position != b.Worst || one.Value == nil {
			continue
		}
		x := barsLeft + (float64(i)+.5)*step
		anchor := "middle"
		if x < 90 {
			anchor, x = "start", math.Max(x-step/2, barsLeft)
		} else if x > end-90 {
			anchor, x = "end", x+step/2
		}
		at := y(*one.Value) - 7
		if *one.Value < 0 {
			at = y(*one.Value) + 15
		}
		d.text("worst", anchor, x, at, html.EscapeString(b.Named)+" "+Number(float64(one.Position), 0, false)+": "+Number(*one.Value, 1, true)+" "+html.EscapeString(b.Unit))
		return
	}
}

// tick says which positions are numbered: all of a short row, the first and
// every fifth, tenth, fiftieth … of a longer one.
func tick(position, of int) bool {
	switch {
	case of <= 20:
		return true
	case of <= 80:
		return position == 1 || position%5 == 0
	case of <= 200:
		return position == 1 || position%10 == 0
	}
	return position == 1 || position%50 == 0
}

// places gives as many decimals as a limit needs, at most two.
func places(x float64) int {
	for n := range 2 {
		if scaled := x * math.Pow10(n); math.Abs(scaled-math.Round(scaled)) < 1e-9 {
			return n
		}
	}
	return 2
}
