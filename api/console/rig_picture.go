package console

import (
	"cmp"
	"html/template"
	"slices"
	"strconv"

	"rigledger/api/console/drawing"
	"rigledger/fleet"
	"rigledger/fleet/plan"
)

// rigPicture is the sprayer drawn with what is due or defective in place, and
// the rows that its callouts lead to.
type rigPicture struct {
	Side, Boom template.HTML
	Marked     []rigMarked // with a callout, by number
	Beside     []rigMarked // due, without a place in the drawing
	Guessed    bool        // nobody measured the spacing of the nozzles
	Legend     []rigLegend
}

type rigLegend struct {
	Glyph template.HTML
	Text  string
}

// rigMarked is a part with what it needs.
type rigMarked struct {
	Number     int
	Glyph      template.HTML
	Part, Name string
	Position   string
	Stop       bool
	Tasks      []rigTask
	Defects    []rigDefect
	Why        []string // what else stops the rig

	standing string
	fraction float64
	piece    int // in the drawing, -1 for none
}

// rigTask is a task that is soon due, due or overdue.
type rigTask struct {
	Title, Weight, Status string
	Left                  rigLeft
	Item, Stage, BookedOn string
}

// draw gathers the pieces and what they need, and draws them. Within View.
func (d *rigPage) draw(s *fleet.State, r *fleet.Rig, fit fleet.Fitness, lines []fleet.DueLine) {
	m := drawing.Machine{WidthM: d.WidthM, TankL: d.TankL}
	pieceOf := d.pieces(&m, s, r)
	d.nozzles(&m, s, r)
	marked := map[string]*rigMarked{}
	of := func(part string) *rigMarked {
		if part == "" {
			part = r.Rig // of the whole rig
		}
		one := marked[part]
		if one == nil {
			one = &rigMarked{Part: part, Name: word("The rig as a whole"), piece: -1}
			if p := s.Parts[part]; p != nil && part != r.Rig {
				one.Name, one.Position = p.Name, p.Position
			}
			if i, drawn := pieceOf[part]; drawn {
				one.piece = i
			}
			marked[part] = one
		}
		return one
	}
	for i := range lines {
		l := &lines[i]
		if l.Due.Status.Rank() < plan.Soon.Rank() {
			continue
		}
		one := of(l.Part.Part)
		task := rigTask{Title: l.Task.Title, Weight: string(l.Task.Weight), Status: string(l.Due.Status), Left: rigLeftOf(l), Item: l.Item}
		if it := s.Items[l.Item]; it != nil {
			task.Stage, task.BookedOn = string(it.Stage), it.BookedOn
		}
		one.Tasks = append(one.Tasks, task)
		if one.standing == "" { // lines come the most pressing first
			one.standing, one.fraction = string(l.Due.Status), l.Due.Fraction
		}
	}
	for _, defect := range rigDefects(s, r) {
		one := of(defect.Part)
		one.Defects = append(one.Defects, defect)
		if defect.Safety || one.standing == "" || one.standing == string(plan.Soon) {
			one.standing = "defect"
		}
	}
	for _, x := range fit.Reasons {
		if !x.Stops || x.Part == "" && x.Defect == "" {
			continue
		}
		part := x.Part
		if defect := s.Defects[x.Defect]; defect != nil {
			part = defect.Part
		}
		one := of(part)
		one.Stop = true
		if one.standing == "" {
			one.standing = "defect"
		}
		if x.Defect == "" && x.Code != "overdue-safety-task" && x.Code != "overdue-statutory-task" {
			one.Why = append(one.Why, x.Text)
		}
	}
	d.number(&m, marked)
	side, boom := drawing.Describe(m)
	label := word("The sprayer with what is due marked in place")
	d.Side = drawing.Side(m, label, side)
	d.Boom = drawing.Boom(m, word("The boom with what is due marked in place"), boom)
}

// number puts the parts in order, the worst first, and marks those with a place.
func (d *rigPage) number(m *drawing.Machine, marked map[string]*rigMarked) {
	all := make([]*rigMarked, 0, len(marked))
	for _, one := range marked {
		all = append(all, one)
	}
	weight := func(one *rigMarked) int {
		switch {
		case one.Stop:
			return 4
		case one.standing == string(plan.Overdue):
			return 3
		case one.standing == string(plan.IsDue) || one.standing == "defect":
			return 2
		}
		return 1
	}
	slices.SortFunc(all, func(a, b *rigMarked) int {
		return cmp.Or(cmp.Compare(weight(b), weight(a)), cmp.Compare(b.fraction, a.fraction), cmp.Compare(a.Part, b.Part))
	})
	placed := m.Placed()
	legend := map[string]bool{}
	for _, one := range all {
		one.Glyph = drawing.Glyph(one.standing, one.Stop)
		if one.piece < 0 || !placed[one.piece] {
			d.Beside = append(d.Beside, *one)
			continue
		}
		one.Number = len(d.Marked) + 1
		number := strconv.Itoa(one.Number)
		says := number + ": " + one.Name + ", " + one.standing
		if one.Stop {
			says += ", " + fleet.DoNotUse
		}
		m.Pieces[one.piece].Mark = &drawing.Mark{Number: one.Number, Standing: one.standing, Stop: one.Stop, Href: "#mark-" + number, Says: says}
		d.Marked = append(d.Marked, *one)
		legend[one.standing] = true
		legend["stop"] = legend["stop"] || one.Stop
	}
	for _, l := range []struct{ standing, text string }{
		{"soon", word("soon due")}, {"due", word("due")}, {"overdue", word("overdue")}, {"defect", word("a defect")},
	} {
		if legend[l.standing] {
			d.Legend = append(d.Legend, rigLegend{drawing.Glyph(l.standing, false), l.text})
		}
	}
	if legend["stop"] {
		d.Legend = append(d.Legend, rigLegend{drawing.Glyph("overdue", true), word("why the rig is not to be used")})
	}
}

// pieces are the places of the rig's class in its order, then other parts. A
// place that never had a part is none of this rig's.
func (d *rigPage) pieces(m *drawing.Machine, s *fleet.State, r *fleet.Rig) (pieceOf map[string]int) {
	pieceOf = map[string]int{}
	at, had := map[string]*fleet.Part{}, map[string]bool{}
	for _, id := range r.Fitted {
		at[s.Parts[id].Position] = s.Parts[id]
	}
	for _, id := range r.Left {
		had[s.Parts[id].Position] = true
	}
	add := func(position, kind string, p *fleet.Part) {
		if p != nil {
			kind = p.Kind
			pieceOf[p.Part] = len(m.Pieces)
		}
		m.Pieces = append(m.Pieces, drawing.Piece{Position: position, Kind: kind, Missing: p == nil})
	}
	if class := s.Class(r.Class); class != nil {
		for _, place := range class.Parts {
			if p := at[place.Position]; p != nil || had[place.Position] {
				add(place.Position, place.Kind, p)
			}
			delete(at, place.Position)
		}
	}
	for _, id := range r.Fitted {
		if p := s.Parts[id]; at[p.Position] == p {
			add(p.Position, p.Kind, p)
		}
	}
	return pieceOf
}

// nozzles takes spacing and worn nozzles from the newest calibration.
func (d *rigPage) nozzles(m *drawing.Machine, s *fleet.State, r *fleet.Rig) {
	d.Guessed = true
	if n := len(r.Bay.Calibrations); n > 0 {
		c := s.Bay.Calibrations[r.Bay.Calibrations[n-1]]
		m.SpacingM, m.OutOfLimit = c.SpacingM, c.Change
		d.Guessed = c.SpacingM == 0
	}
}
