package drawing

import "fmt"

// Machine is a sprayer as it is drawn.
type Machine struct {
	WidthM     float64
	TankL      float64
	SpacingM   float64 // of the nozzles; 0 where nobody measured it
	OutOfLimit []int   // nozzles from the left, from 1, that flow out of limits
	Pieces     []Piece
}

// Piece is one place on the rig: what is fitted there, or that nothing is.
type Piece struct {
	Position, Kind string
	Missing        bool
	Mark           *Mark
}

// Mark says that a piece needs something. Standing is soon, due, overdue or
// defect; Stop that the rig is not to be used because of it.
type Mark struct {
	Number   int
	Standing string
	Stop     bool
	Href     string // its row
	Says     string
}

// usualSpacing of nozzles in metres, where nobody measured it (common practice).
const usualSpacing = 0.5

// Nozzles is how many nozzles the boom is drawn with.
func (m *Machine) Nozzles() int {
	spacing := m.SpacingM
	if spacing < 0.1 || spacing > 2 {
		spacing = usualSpacing
	}
	return min(max(int(m.WidthM/spacing+0.5), 1), 400)
}

// Sections is how many sections the boom has, 0 where that is not known.
func (m *Machine) Sections() int {
	count := 0
	for i := range m.Pieces {
		if m.Pieces[i].Kind == "boom-section" {
			count++
		}
	}
	return min(count, 40)
}

// carrier is what the sprayer stands on.
type carrier string

const (
	trailed       carrier = "trailed"
	mounted       carrier = "mounted"
	selfPropelled carrier = "self-propelled"
)

func (m *Machine) carrier() carrier {
	for i := range m.Pieces {
		switch m.Pieces[i].Kind {
		case "linkage":
			return mounted
		case "engine":
			return selfPropelled
		}
	}
	return trailed
}

// spotByKind is where a part of a kind is drawn when its position says nothing to us.
var spotByKind = map[string]string{
	"diaphragm-pump": "pump", "centrifugal-pump": "pump", "piston-pump": "pump", "suction-filter": "filter-suction", "pressure-filter": "filter-pressure",
	"section-filter": "filter-section", "nozzle-set": "nozzles", "spray-hoses": "hoses-spray", "hydraulic-hoses": "hoses-hydraulic", "tank": "tank-main",
	"drawbar": "drawbar", "linkage": "linkage", "pto-shaft": "pto-shaft", "gearbox": "gearbox", "air-chamber": "air-chamber", "regulation": "regulation",
	"valves": "valves", "flow-meter": "flow-meter", "speed-sensor": "speed-sensor", "gauge": "gauge", "boom": "boom", "electrics": "electrics",
	"axle": "axle", "wheel": "wheel-left", "brakes": "brakes", "engine": "engine", "accumulator": "accumulator",
}

// spots gives each piece its place in the drawing, "" for none. Two pieces never
// share one: the second is listed beside.
func (m *Machine) spots() []string {
	out := make([]string, len(m.Pieces))
	taken := map[string]bool{}
	side := geometryOf(m).spots()
	known := func(spot string) bool { _, on := side[spot]; return on || boomSpots[spot] }
	give := func(i int, spot string) {
		if out[i] == "" && known(spot) && !taken[spot] {
			out[i], taken[spot] = spot, true
		}
	}
	section := 0
	for i := range m.Pieces {
		if m.Pieces[i].Kind == "boom-section" && section < m.Sections() {
			section++
			out[i] = fmt.Sprintf("section-%d", section)
			continue
		}
		give(i, m.Pieces[i].Position)
	}
	for i := range m.Pieces {
		give(i, spotByKind[m.Pieces[i].Kind])
	}
	return out
}

// Placed says of each piece whether the drawing has a place for it.
func (m *Machine) Placed() []bool {
	out := make([]bool, len(m.Pieces))
	for i, spot := range m.spots() {
		out[i] = spot != ""
	}
	return out
}

var boomSpots = map[string]bool{"boom": true, "filter-section": true, "nozzles": true}

// class is how much ink a piece gets.
func (p *Piece) class() string {
	c := "piece"
	if p.Missing {
		c += " missing"
	}
	if p.Mark != nil {
		c += " " + p.Mark.Standing
		if p.Mark.Stop {
			c += " stop"
		}
	}
	return c
}
