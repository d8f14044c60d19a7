package drawing

import (
	"fmt"
	"slices"
	"strconv"
)

// Callouts stand in two rows, above and below the drawing, each over its piece
// as far as its neighbours leave room.
const (
	calloutR    = 9.0
	calloutStep = 27.0 // from one to the next at least
)

type callout struct {
	mark   *Mark
	ax, ay float64 // where it points to
	x      float64 // where it stands
}

// spread sets the callouts of a row apart, in the order of what they point to.
func spread(row []callout, left, right float64) {
	slices.SortStableFunc(row, func(a, b callout) int {
		switch {
		case a.ax < b.ax:
			return -1
		case a.ax > b.ax:
			return 1
		}
		return a.mark.Number - b.mark.Number
	})
	step := calloutStep
	if len(row) > 1 {
		step = min(step, (right-left)/float64(len(row)-1))
	}
	// Each where it wants to be, pushed right by the one before, then all that
	// went over the edge pushed back.
	for i := range row {
		row[i].x = max(row[i].ax, left)
		if i > 0 {
			row[i].x = max(row[i].x, row[i-1].x+step)
		}
	}
	for i := len(row) - 1; i >= 0; i-- {
		edge := right
		if i < len(row)-1 {
			edge = row[i+1].x - step
		}
		row[i].x = min(row[i].x, edge)
	}
	// A crowd leans to one side by now; moved back by half of what it was pushed.
	for i := 0; i < len(row); {
		j, pushed := i, row[i].x-row[i].ax
		for j+1 < len(row) && row[j+1].x-row[j].x < step+0.01 {
			j++
			pushed += row[j].x - row[j].ax
		}
		shift := pushed / float64(j-i+1)
		room := row[i].x - left
		if i > 0 {
			room = row[i].x - row[i-1].x - step
		}
		if shift = min(shift, room); shift > 0 {
			for k := i; k <= j; k++ {
				row[k].x -= shift
			}
		}
		i = j + 1
	}
}

// callouts draws a row at a height; above says on which side its numbers stand.
func (p *pen) callouts(row []callout, y float64, above bool) {
	for _, c := range row {
		from, number := y+calloutR, y-calloutR-4
		if !above {
			from, number = y-calloutR, y+calloutR+18
		}
		class := "mark " + c.mark.Standing
		if c.mark.Stop {
			class += " stop"
		}
		fmt.Fprintf(p, `<a class="%s" href="%s" aria-label="%s">`, class, safe(c.mark.Href), safe(c.mark.Says))
		p.put(`<path class="lead" fill="none" stroke="currentColor" d="M%v %vL%v %v"/>`, c.x, from, c.ax, c.ay)
		p.put(`<circle class="tip" cx="%v" cy="%v" r="2.5"/>`, c.ax, c.ay)
		p.put(`<rect class="reach" x="%v" y="%v" width="26" height="42" fill="none"/>`, c.x-13, min(y-calloutR, number-13))
		p.glyph(c.x, y, c.mark)
		p.text(c.x, number, "numeral", "middle", strconv.Itoa(c.mark.Number))
		p.WriteString(`</a>`)
	}
}

// glyph is the mark itself: a ring that fills with what is late, a square for a
// defect, and a cross over what the rig is not to be used for.
func (p *pen) glyph(x, y float64, m *Mark) {
	p.shape(x, y, m)
	if m.Stop {
		p.put(`<path class="cross" fill="none" d="M%v %vl8 8m0 -8l-8 8"/>`, x-4, y-4)
	}
}

func (p *pen) shape(x, y float64, m *Mark) {
	r := calloutR
	if m.Standing == "defect" {
		p.put(`<rect class="ring" x="%v" y="%v" width="%v" height="%v"/>`, x-r+1, y-r+1, 2*r-2, 2*r-2)
		if m.Stop {
			p.put(`<rect class="fill" x="%v" y="%v" width="%v" height="%v"/>`, x-r+1, y-r+1, 2*r-2, 2*r-2)
		}
		return
	}
	p.put(`<circle class="ring" cx="%v" cy="%v" r="%v"/>`, x, y, r)
	switch m.Standing {
	case "due":
		p.put(`<path class="fill" d="M%v %va%v %v 0 0 0 %v 0Z"/>`, x-r, y, r, r, 2*r)
	case "overdue":
		p.put(`<circle class="fill" cx="%v" cy="%v" r="%v"/>`, x, y, r)
	}
}
