package drawing

import (
	"html/template"
	"strconv"
)

// The boom from behind, its left on the left, to its own scale.
const (
	boomLeft, boomWide = 24.0, 612.0
	boomTop, boomFoot  = 62.0, 92.0
	nozzleY            = 100.0
)

// boomShape is the upper edge at a distance from the middle, 0 to 1: a truss that
// tapers to its tips.
func boomShape(out float64) float64 { return boomTop + 18*out }

// bounds are where sections meet, in nozzles from the left: as even as they go.
func bounds(nozzles, sections int) []int {
	out := make([]int, sections+1)
	for i := range out {
		out[i] = (i*nozzles + sections/2) / max(sections, 1)
	}
	return out
}

// Boom draws the boom from behind with its sections and nozzles.
func Boom(m Machine, label, alt string) template.HTML {
	var p pen
	p.begin("boom", label, 0, -8, 660, 214)
	p.picture(alt)
	spots, of := m.spots(), map[string]*Piece{}
	for i := range m.Pieces {
		of[spots[i]] = &m.Pieces[i]
	}
	var above, below []callout
	mark := func(piece *Piece, x, y float64, up bool) {
		if piece == nil || piece.Mark == nil {
			return
		}
		if up {
			above = append(above, callout{mark: piece.Mark, ax: x, ay: y})
		} else {
			below = append(below, callout{mark: piece.Mark, ax: x, ay: y})
		}
	}
	nozzles, sections := m.Nozzles(), m.Sections()
	at := func(nozzle float64) float64 { return boomLeft + boomWide*nozzle/float64(nozzles) }
	edge := bounds(nozzles, max(sections, 1))
	for i := range max(sections, 1) {
		piece := of["section-"+strconv.Itoa(i+1)]
		p.section(piece, at(float64(edge[i])), at(float64(edge[i+1])))
		if piece != nil {
			middle := (at(float64(edge[i])) + at(float64(edge[i+1]))) / 2
			if sections <= 24 {
				p.text(middle, 130, "measure small", "middle", strconv.Itoa(i+1))
			}
			mark(piece, middle, topAt(middle), true)
		}
	}
	p.WriteString(`<path class="fold thin" stroke-dasharray="5 3" d="`)
	for _, e := range edge[1 : len(edge)-1] {
		p.put(`M%v %vV116`, at(float64(e)), topAt(at(float64(e)))-8)
	}
	p.WriteString(`"/>`)
	if piece := of["boom"]; piece != nil {
		p.WriteString(`<g class="` + piece.class() + `">`)
		p.put(`<path d="M308 %vv-14h44v14M308 %vV%vM352 %vV%vM308 %vL352 %vM352 %vL308 %v"/>`,
			boomTop, boomTop, boomFoot, boomTop, boomFoot, boomTop, boomFoot, boomTop, boomFoot)
		p.WriteString(`</g>`)
		mark(piece, 344, boomTop-14, true)
	}
	if piece := of["filter-section"]; piece != nil {
		p.WriteString(`<g class="` + piece.class() + `">`)
		for i := range max(sections, 1) {
			p.box((at(float64(edge[i]))+at(float64(edge[i+1])))/2-3, boomFoot-4, 6, 9, 1)
		}
		p.WriteString(`</g>`)
		first := (at(float64(edge[0])) + at(float64(edge[1]))) / 2
		mark(piece, first, boomFoot+5, false)
	}
	if piece := of["nozzles"]; piece != nil {
		half := min(boomWide/float64(nozzles)/2-0.4, 4)
		p.WriteString(`<g class="` + piece.class() + `"><path class="nozzles" d="`)
		for i := range nozzles {
			p.nozzle(at(float64(i)+.5), half)
		}
		p.WriteString(`"/>`)
		if len(m.OutOfLimit) > 0 {
			p.WriteString(`<path class="out" fill="currentColor" d="`)
			for _, i := range m.OutOfLimit {
				if i >= 1 && i <= nozzles {
					p.nozzle(at(float64(i)-.5), half+1.5)
				}
			}
			p.WriteString(`"/>`)
		}
		p.WriteString(`</g>`)
		mark(piece, at(float64(nozzles)*.78), nozzleY+12, false)
	}
	p.put(`<path class="thin" d="M%v 140v8M%v 140v8M%v 144h%v"/>`, boomLeft, boomLeft+boomWide, boomLeft, boomWide)
	p.WriteString(`<rect class="under" x="300" y="135" width="60" height="18" stroke="none"/>`)
	p.text(330, 149, "measure", "middle", strconv.FormatFloat(m.WidthM, 'f', -1, 64)+" m")
	p.WriteString(`</g>`)
	spread(above, 14, 646)
	spread(below, 14, 646)
	p.callouts(above, 28, true)
	p.callouts(below, 170, false)
	p.WriteString(`</svg>`)
	return p.html()
}

func topAt(x float64) float64 {
	out := (x - boomLeft - boomWide/2) / (boomWide / 2)
	if out < 0 {
		out = -out
	}
	return boomShape(out)
}

// section draws the truss between two bounds, with its diagonals.
func (p *pen) section(piece *Piece, from, to float64) {
	class := "piece"
	if piece != nil {
		class = piece.class()
	}
	p.WriteString(`<g class="` + class + `">`)
	if middle := boomLeft + boomWide/2; from < middle && to > middle { // the ridge
		p.put(`<path d="M%v %vL%v %vL%v %vV%vH%vZ"/>`, from+1, topAt(from), middle, topAt(middle), to-1, topAt(to), boomFoot, from+1)
	} else {
		p.put(`<path d="M%v %vL%v %vV%vH%vZ"/>`, from+1, topAt(from), to-1, topAt(to), boomFoot, from+1)
	}
	bays := max(int((to-from)/24+.5), 1)
	p.WriteString(`<path class="thin" d="`)
	for i := range bays {
		a, b := from+(to-from)*float64(i)/float64(bays), from+(to-from)*float64(i+1)/float64(bays)
		p.put(`M%v %vL%v %vL%v %v`, a, boomFoot, (a+b)/2, topAt((a+b)/2), b, boomFoot)
	}
	p.WriteString(`"/></g>`)
}

func (p *pen) nozzle(x, half float64) {
	p.put(`M%v %vl%v 12h%vZ`, x, nozzleY, half, -2*half)
}

// Describe says in words what the drawings show beside the marks.
func Describe(m Machine) (side, boom string) {
	switch m.carrier() {
	case mounted:
		side = word("A mounted sprayer from its left side, with a tank of")
	case selfPropelled:
		side = word("A self-propelled sprayer from its left side, with a tank of")
	default:
		side = word("A trailed sprayer from its left side, with a tank of")
	}
	side += " " + litres(m.TankL)
	boom = word("The boom from behind, wide") + " " + strconv.FormatFloat(m.WidthM, 'f', -1, 64) + " m, " + word("sections:") + " " + strconv.Itoa(m.Sections()) +
		", " + word("nozzles:") + " " + strconv.Itoa(m.Nozzles())
	return side, boom
}
