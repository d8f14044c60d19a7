// Package drawing owns our drawings of a rig: the machine from its left side,
// the boom from behind, use by day, and the fan of what is to come. They are
// technical line drawings made of plain data; ink is the page's own.
//
// It knows nothing of the fleet, keeps nothing, and writes SVG with classes and
// presentation attributes only, no style and no script. Proportions that no data
// gives are the drawing's own (from memory) and say nothing about a machine.
package drawing

import (
	"fmt"
	"html/template"
	"strconv"
	"strings"
)

// word marks a text that people see; see the list of labels.
func word(s string) string { return s }

// pen writes SVG. Lengths are in the drawing's units, with one decimal.
type pen struct{ strings.Builder }

func n(v float64) string {
	s := strconv.FormatFloat(v, 'f', 1, 64)
	s = strings.TrimSuffix(s, ".0")
	if s == "-0" {
		return "0"
	}
	return s
}

// put writes a format whose %v are lengths.
func (p *pen) put(format string, lengths ...float64) {
	args := make([]any, len(lengths))
	for i, v := range lengths {
		args[i] = n(v)
	}
	fmt.Fprintf(p, format, args...)
}

func (p *pen) line(x1, y1, x2, y2 float64) {
	p.put(`<path d="M%v %vL%v %v"/>`, x1, y1, x2, y2)
}

func (p *pen) circle(x, y, r float64) { p.put(`<circle cx="%v" cy="%v" r="%v"/>`, x, y, r) }

func (p *pen) box(x, y, w, h, round float64) {
	p.put(`<rect x="%v" y="%v" width="%v" height="%v" rx="%v"/>`, x, y, w, h, round)
}

// valve is the sign of a valve: two triangles, tip to tip.
func (p *pen) valve(x, y, r float64) {
	p.put(`<path d="M%v %vV%vL%v %vV%vZ"/>`, x-r, y-r*.7, y+r*.7, x+r, y-r*.7, y+r*.7)
}

// text writes what people read; anchor is start, middle or end.
func (p *pen) text(x, y float64, class, anchor, text string) {
	p.put(`<text x="%v" y="%v"`, x, y)
	fmt.Fprintf(p, ` class="%s" text-anchor="%s">%s</text>`, class, anchor, safe(text))
}

// begin opens a drawing so many units wide and high. What it shows is said in
// words; marks that are links stand beside the picture, not in it.
func (p *pen) begin(class, label string, x, y, w, h float64) {
	p.WriteString(`<svg class="drawing ` + class + `" role="group" aria-label="` + safe(label) + `"`)
	p.put(` viewBox="%v %v %v %v" preserveAspectRatio="xMidYMid meet">`, x, y, w, h)
}

func (p *pen) picture(alt string) {
	p.WriteString(`<g role="img" aria-label="` + safe(alt) + `" fill="none" stroke="currentColor" stroke-width="1.5" stroke-linejoin="round" stroke-linecap="round">`)
}

func (p *pen) html() template.HTML { return template.HTML(p.String()) } //nolint:gosec // every text in it went through safe

// safe makes any text fit to stand in the drawing: what XML has no character for
// is left out.
func safe(s string) string {
	return template.HTMLEscapeString(strings.Map(func(r rune) rune {
		if r < ' ' && r != '\t' && r != '\n' || r == 0xfffe || r == 0xffff {
			return -1
		}
		return r
	}, s))
}
