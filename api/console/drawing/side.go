package drawing

import (
	"html/template"
	"math"
	"strconv"
)

// geometry is the machine from its left side, driving to the left, one unit a
// centimetre. Only the tank's size is data.
type geometry struct {
	on                carrier
	ground            float64
	hitch, front      float64 // x of the hitch and of the frame's front
	tankX, tankL      float64
	tankTop, tankFoot float64
	tankH             float64
	frame             float64 // y of the frame's upper edge
	rear, boomX       float64 // x of the mast and of the boom behind it
	wheelX, wheelR    float64
	width, height     float64
}

// tankOf gives a tank's height and length in centimetres for its litres: half
// as long again as high, a tenth wider than high, with a rounded bottom. What is drawn
// stays between 200 and 12 000 l. Proportions from memory.
func tankOf(litres float64) (high, long float64) {
	m3 := min(max(litres, 200), 12000) / 1000
	high = 100 * math.Cbrt(m3/(1.5*1.1*0.85))
	return high, 1.5 * high
}

func geometryOf(m *Machine) geometry {
	g := geometry{on: m.carrier(), ground: 0, hitch: 0}
	g.tankH, g.tankL = tankOf(m.TankL)
	g.frame = -86
	switch g.on {
	case trailed:
		g.front = 140
	case mounted:
		g.front = 70
	case selfPropelled:
		g.front, g.frame = 150, -112
	}
	g.wheelR = 55 + 15*g.tankH/100
	if g.on == selfPropelled {
		g.wheelR = 62 + 12*g.tankH/100
	}
	g.tankX = g.front + 62
	g.tankFoot = g.frame - 10
	g.tankTop = g.tankFoot - g.tankH
	g.wheelX = g.tankX + 0.62*g.tankL
	g.rear = g.tankX + g.tankL + 34
	if g.on == selfPropelled {
		g.rear += 60
		g.wheelX = g.tankX + 0.8*g.tankL
	}
	g.boomX = g.rear + 52
	g.width = g.boomX + 34
	g.height = 250 // of what stands before the tank: rinsing water, hand wash, cab
	if top := -g.tankTop + 20; top > g.height {
		g.height = top
	}
	return g
}

// spot is a piece in the drawing: how it is drawn, where a callout points, and
// whether that comes from above.
type spot struct {
	x, y  float64
	above bool
	draw  func(p *pen)
}

// pieces are drawn in this order, so that what is nearer covers what is behind.
var sideOrder = []string{
	"hoses-hydraulic", "wheel-right", "wheel-front-right", "wheel-rear-right", "drawbar", "linkage", "engine", "axle", "axle-front", "axle-rear", "tank-main",
	"tank-rinse", "tank-handwash", "hoses-spray", "pto-shaft", "gearbox", "air-chamber", "pump", "filter-suction", "filter-pressure", "regulation", "gauge",
	"flow-meter", "valves", "accumulator", "electrics", "wheel-left", "wheel-front-left", "wheel-rear-left", "brakes", "speed-sensor",
}

func (g geometry) wheel(x, back float64) spot {
	r := g.wheelR
	return spot{x - r*.62, g.ground - r*.45, false, func(p *pen) {
		p.circle(x+back, g.ground-r, r)
		if back == 0 {
			p.circle(x, g.ground-r, r*.6)
			p.circle(x, g.ground-r, r*.5)
		}
	}}
}

func (g geometry) axle(x float64) spot {
	y := g.ground - g.wheelR
	return spot{x, y + 9, false, func(p *pen) {
		p.line(x, g.frame+8, x, y)
		p.box(x-9, y-9, 18, 18, 2)
	}}
}

// spots are the places of this machine by position.
func (g geometry) spots() map[string]spot {
	pumpX, pumpY := g.front+16, g.frame-20
	panel := g.tankX + 30
	low := g.frame + 8
	hub := g.ground - g.wheelR
	valveX := g.tankX + g.tankL + 14
	s := map[string]spot{
		"tank-main": {g.tankX + g.tankL*.5, g.tankTop, true, func(p *pen) {
			x, l, top, foot := g.tankX, g.tankL, g.tankTop, g.tankFoot
			p.put(`<path d="M%v %vh%vq16 0 16 16v%vq0 10 -10 14l%v 14h%vl%v -14q-10 -4 -10 -14v%vq0 -16 16 -16Z"/>`,
				x+16, top, l-32, g.tankH-44, -l*.3, -l*.4+20, -l*.3, -(g.tankH - 44))
			p.box(x+l*.5-15, top-8, 30, 8, 3)
			p.put(`<path d="M%v %vv%v" stroke-width="1"/>`, x+12, top+22, g.tankH-60)
			for y := top + 22; y <= foot-36; y += 12 {
				p.line(x+12, y, x+18, y)
			}
		}},
		"tank-rinse": {g.front + 20, g.frame - 108, true, func(p *pen) { p.box(g.front-12, g.frame-108, 64, 48, 10) }},
		"tank-handwash": {g.front + 2, g.frame - 140, true, func(p *pen) {
			p.box(g.front-10, g.frame-140, 26, 28, 5)
			p.put(`<path d="M%v %vh-6v5"/>`, g.front-10, g.frame-118)
		}},
		"pump": {pumpX, pumpY + 14, false, func(p *pen) {
			p.circle(pumpX, pumpY, 18)
			p.circle(pumpX, pumpY, 6)
			for a := 0.0; a < 6; a++ {
				c, s := math.Cos(a*math.Pi/3), math.Sin(a*math.Pi/3)
				p.line(pumpX+8*c, pumpY+8*s, pumpX+16*c, pumpY+16*s)
			}
		}},
		"air-chamber": {pumpX + 22, pumpY - 24, true, func(p *pen) {
			p.line(pumpX+13, pumpY-12, pumpX+19, pumpY-18)
			p.circle(pumpX+24, pumpY-24, 9)
		}},
		"filter-suction": {g.tankX + 26, low + 30, false, func(p *pen) {
			p.box(g.tankX+17, low+2, 18, 9, 2)
			p.put(`<path d="M%v %vv16l5 5h4l5 -5v-16M%v %vv12M%v %vv12"/>`, g.tankX+19, low+11, g.tankX+24, low+13, g.tankX+28, low+13)
		}},
		"filter-pressure": {g.front + 44, low + 28, false, func(p *pen) {
			p.box(g.front+36, low+2, 14, 7, 2)
			p.put(`<path d="M%v %vv14l4 4h3l4 -4v-14"/>`, g.front+37.5, low+9)
		}},
		"regulation": {panel + 6, g.tankFoot - 48, true, func(p *pen) {
			p.box(panel-12, g.tankFoot-48, 36, 26, 3)
			p.valve(panel+6, g.tankFoot-35, 9)
		}},
		"gauge": {panel + 6, g.tankFoot - 82, true, func(p *pen) {
			p.line(panel+6, g.tankFoot-58, panel+6, g.tankFoot-48)
			p.circle(panel+6, g.tankFoot-70, 12)
			p.line(panel+6, g.tankFoot-70, panel+13, g.tankFoot-76)
		}},
		"flow-meter": {panel + 44, g.tankFoot - 34, true, func(p *pen) {
			p.circle(panel+44, g.tankFoot-24, 10)
			p.put(`<path d="M%v %vl12 6l-12 6Z"/>`, panel+39, g.tankFoot-30)
		}},
		"valves": {valveX, g.tankFoot - 40, true, func(p *pen) {
			for i := range 3 {
				p.valve(valveX, g.tankFoot-34+float64(i)*13, 7)
			}
		}},
		"hoses-spray": {g.tankX + g.tankL*.42, g.tankFoot - 14, true, func(p *pen) {
			p.put(`<path class="hose" stroke-width="3" d="M%v %vV%vM%v %vH%vV%v"/>`, g.tankX+26, g.tankFoot, low+2, g.tankX+17, low+6, g.front+20, pumpY+18)
			p.put(`<path class="hose" stroke-width="3" d="M%v %vh14V%v"/>`, pumpX+18, pumpY, low+2)
			p.put(`<path class="hose" stroke-width="3" d="M%v %vv-6H%vV%v"/>`, g.front+50, low+8, panel+2, g.tankFoot-22)
			p.put(`<path class="hose" stroke-width="3" d="M%v %vH%vM%v %vH%vM%v %vH%vq6 0 6 6V-64"/>`,
				panel+24, g.tankFoot-24, panel+34, panel+54, g.tankFoot-24, valveX-7, valveX+7, g.tankFoot-24, g.boomX-9)
		}},
		"hoses-hydraulic": {g.hitch + 40, g.frame + 12, false, func(p *pen) {
			p.put(`<path class="hose" stroke-dasharray="9 3" d="M%v %vC%v %v %v %v %v %vH%v"/>`,
				g.hitch-8, g.frame-40, g.hitch+16, g.frame-16, g.hitch+16, g.frame+12, g.hitch+46, g.frame+12, g.rear)
		}},
		"electrics": {g.rear + 12, g.frame + 24, false, func(p *pen) {
			p.line(g.rear, g.frame+6, g.rear+12, g.frame+10)
			p.box(g.rear+7, g.frame+10, 11, 16, 3)
			p.line(g.rear+7, g.frame+18, g.rear+18, g.frame+18)
		}},
		"speed-sensor": {g.wheelX + g.wheelR*.5, hub + 2, false, func(p *pen) {
			p.put(`<path d="M%v %vl16 -8v16Z"/>`, g.wheelX+g.wheelR*.5-6, hub)
		}},
	}
	switch g.on {
	case trailed:
		s["drawbar"] = spot{g.hitch + 64, -62, false, func(p *pen) {
			p.circle(g.hitch, -52, 6)
			p.put(`<path d="M%v -56L%v %vM%v -48L%v %v"/>`, g.hitch+5, g.front-14, g.frame, g.hitch+5, g.front-14, g.frame+8)
			p.put(`<path d="M%v -54V-8m-7 0h14"/>`, g.hitch+36)
		}}
		s["wheel-left"], s["wheel-right"], s["axle"] = g.wheel(g.wheelX, 0), g.wheel(g.wheelX, 16), g.axle(g.wheelX)
		right := s["wheel-right"]
		right.x, right.y = g.wheelX+g.wheelR+10, g.ground-g.wheelR*.6
		s["wheel-right"] = right
	case selfPropelled:
		s["hoses-hydraulic"] = spot{g.rear - 30, g.frame + 14, false, func(p *pen) {
			p.put(`<path class="hose" stroke-dasharray="9 3" d="M%v %vv20H%v"/>`, g.rear-60, g.frame-8, g.rear)
		}}
		front := g.hitch + 66
		for name, x := range map[string]float64{"front": front, "rear": g.wheelX} {
			s["wheel-"+name+"-left"], s["axle-"+name] = g.wheel(x, 0), g.axle(x)
			right := g.wheel(x, 14)
			right.x, right.y = x+g.wheelR+8, g.ground-g.wheelR*.6
			s["wheel-"+name+"-right"] = right
		}
		s["engine"] = spot{g.rear - 46, g.frame - 66, true, func(p *pen) {
			p.box(g.rear-76, g.frame-66, 62, 58, 6)
			p.put(`<path d="M%v %vv-22h6v22M%v %vh26m-26 9h26m-26 9h26"/>`, g.rear-34, g.frame-66, g.rear-68, g.frame-46)
		}}
		s["accumulator"] = spot{front + 24, g.frame - 12, true, func(p *pen) { p.circle(front+24, g.frame-4, 9) }}
	case mounted:
		s["linkage"] = spot{g.hitch + 30, -70, false, func(p *pen) {
			p.put(`<path d="M%v -58L%v -62M%v -120L%v -112"/>`, g.hitch-14, g.front-12, g.hitch-14, g.front-12)
			p.put(`<path d="M%v -40V-150L%v %v"/>`, g.front-12, g.front+30, g.frame)
			p.circle(g.hitch-14, -58, 4)
			p.circle(g.hitch-14, -120, 4)
		}}
	}
	if g.on != selfPropelled {
		shaft := pumpY
		s["pto-shaft"] = spot{(g.hitch + g.front) / 2, shaft + 4, false, func(p *pen) {
			end := g.front - 40
			p.circle(g.hitch-6, shaft, 5)
			p.circle(end, shaft, 5)
			p.put(`<path d="M%v %vL%v %vL%v %vL%v %vZ"/>`, g.hitch+2, shaft-7, end-8, shaft-5, end-8, shaft+5, g.hitch+2, shaft+7)
			p.line((g.hitch+end)/2, shaft-6, (g.hitch+end)/2, shaft+6)
		}}
		s["gearbox"] = spot{g.front - 22, pumpY + 13, false, func(p *pen) {
			p.box(g.front-35, pumpY-14, 26, 28, 3)
			p.line(g.front-9, pumpY, pumpX-18, pumpY)
		}}
	}
	if g.on != mounted {
		s["brakes"] = spot{g.wheelX - 10, hub + 12, false, func(p *pen) {
			p.put(`<path stroke-width="3" d="M%v %va16 16 0 0 0 0 22M%v %va16 16 0 0 1 0 22"/>`, g.wheelX-12, hub-11, g.wheelX+12, hub-11)
		}}
	} else {
		delete(s, "speed-sensor")
		s["speed-sensor"] = spot{g.hitch - 10, g.frame + 40, false, func(p *pen) { p.put(`<path d="M%v %vl16 -8v16Z"/>`, g.hitch-16, g.frame+40) }}
	}
	return s
}

// Side draws the machine from its left side. alt says what it shows.
func Side(m Machine, label, alt string) template.HTML {
	g := geometryOf(&m)
	var p pen
	left, top := -40.0, -g.height-48
	wide := g.width + 70
	p.begin("side", label, left, top, wide, g.height+48+74)
	p.picture(alt)
	p.backdrop(&g, left, wide)
	spots, of := m.spots(), map[string]*Piece{}
	for i := range m.Pieces {
		if spots[i] != "" {
			of[spots[i]] = &m.Pieces[i]
		}
	}
	var above, below []callout
	places := g.spots()
	for _, name := range sideOrder {
		at, here := places[name]
		piece := of[name]
		if !here || piece == nil {
			continue
		}
		p.WriteString(`<g class="` + piece.class() + `">`)
		at.draw(&p)
		p.WriteString(`</g>`)
		if piece.Mark != nil {
			c := callout{mark: piece.Mark, ax: at.x, ay: at.y}
			if at.above {
				above = append(above, c)
			} else {
				below = append(below, c)
			}
		}
	}
	p.text(g.tankX+g.tankL*.56, g.tankTop+g.tankH*.42, "measure", "middle", litres(m.TankL))
	p.put(`<path class="thin" d="M%v 16v6M%v 16v6M%v 19h100"/>`, left+wide-120, left+wide-20, left+wide-120)
	p.text(left+wide-70, 33, "measure small", "middle", word("1 m"))
	p.WriteString(`</g>`)
	spread(above, left+12, left+wide-12)
	spread(below, left+12, left+wide-140)
	p.callouts(above, top+34, true)
	p.callouts(below, 36, false)
	p.WriteString(`</svg>`)
	return p.html()
}

// backdrop is what stands whatever is fitted: ground, frame, mast, the boom's end.
func (p *pen) backdrop(g *geometry, left, wide float64) {
	p.put(`<path class="thin" d="M%v 0h%v"/>`, left, wide)
	p.put(`<path class="frame" d="M%v %vV%vM%v %vV%v"/>`, g.front-8, g.frame, g.frame-60, g.front+48, g.frame, g.frame-60)
	p.put(`<path class="frame" d="M%v %vH%vv8H%vZ"/>`, g.front-14, g.frame, g.rear, g.front-14)
	p.put(`<path class="frame" d="M%v %vV%vM%v %vV%v"/>`, g.rear, g.frame+8, g.frame-92, g.rear+8, g.frame+8, g.frame-92)
	p.put(`<path class="frame" d="M%v %vL%v -112M%v %vL%v -74"/>`, g.rear+8, g.frame-70, g.boomX-12, g.rear+8, g.frame-14, g.boomX-12)
	p.put(`<path class="frame" d="M%v -120h24v46h-24ZM%v -120l24 46m0 -46l-24 46"/>`, g.boomX-12, g.boomX-12)
	p.put(`<path class="thin" d="M%v -64v8l-10 40m10 -40l10 40"/>`, g.boomX-3)
	if g.on == selfPropelled {
		p.put(`<path class="frame" d="M%v %vH%vv8H%vZ"/>`, g.hitch+6, g.frame, g.front, g.hitch+6)
		p.put(`<path class="frame" d="M%v %vv-60l18 -58h66v118ZM%v %vl12 -46h30v60h-42Z"/>`, g.hitch+20, g.frame, g.hitch+30, g.frame-58)
	}
}

func litres(l float64) string {
	return strconv.FormatFloat(math.Round(l), 'f', -1, 64) + " l"
}
