// Package plot draws what was measured at the test bay as SVG: plain data in,
// markup out. It knows no fleet, no rule and no word of its own; captions are
// given to it. A drawing takes its ink from the page through classes, carries no
// style attribute, and says in its label (Title) what it shows. What is out of
// limits is told by full ink and a caption, never by colour.
package plot

import (
	"fmt"
	"html"
	"math"
	"strconv"
	"strings"
)

// drawing gathers the markup of one picture.
type drawing struct{ b strings.Builder }

func (d *drawing) add(format string, args ...any) { fmt.Fprintf(&d.b, format, args...) }

// open begins the picture; its size is in units of the drawing.
func (d *drawing) open(class, title string, width, height float64) {
	d.add(`<svg class="plot %s" role="img" aria-label="%s" viewBox="0 0 %s %s" width="%s" height="%s" xmlns="http://www.w3.org/2000/svg">`,
		class, html.EscapeString(title), num(width), num(height), num(width), num(height))
}

func (d *drawing) close() string {
	d.add("</svg>")
	return d.b.String()
}

func (d *drawing) line(class string, x1, y1, x2, y2 float64) {
	d.add(`<line class="%s" x1="%s" y1="%s" x2="%s" y2="%s"/>`, class, num(x1), num(y1), num(x2), num(y2))
}

// text writes a caption; anchor is start, middle or end.
func (d *drawing) text(class, anchor string, x, y float64, markup string) {
	d.add(`<text class="%s" text-anchor="%s" x="%s" y="%s">%s</text>`, class, anchor, num(x), num(y), markup)
}

// num writes a coordinate with at most two decimals.
func num(x float64) string {
	if math.IsNaN(x) || math.IsInf(x, 0) {
		x = 0
	}
	return strconv.FormatFloat(math.Round(x*100)/100, 'f', -1, 64)
}

// Number marks a number in a drawing, so that the page can put it into the
// reader's form. Signed ones carry their sign.
func Number(x float64, decimals int, signed bool) string {
	text, mark := strconv.FormatFloat(x, 'f', decimals, 64), ""
	if signed {
		mark = ` data-signed="yes"`
	}
	shown := strings.Replace(text, "-", "−", 1)
	if signed && x > 0 {
		shown = "+" + text
	}
	return `<tspan data-number="` + text + `"` + mark + `>` + shown + `</tspan>`
}

// finite says whether every number can be drawn.
func finite(xs ...float64) bool {
	for _, x := range xs {
		if math.IsNaN(x) || math.IsInf(x, 0) {
			return false
		}
	}
	return true
}
