package drawing

import (
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"rigledger/fleet/plan"
)

// ofClass is a rig of an embedded class with all its parts.
func ofClass(t testing.TB, class string, width, tank float64) Machine {
	t.Helper()
	c := plan.ClassByName(class)
	if c == nil {
		t.Fatal("no class ", class)
	}
	m := Machine{WidthM: width, TankL: tank}
	for _, p := range c.Parts {
		m.Pieces = append(m.Pieces, Piece{Position: p.Position, Kind: p.Kind})
	}
	return m
}

// read checks that a drawing is well-formed, holds no script, style or address
// from elsewhere and stays within its box, and gives its elements.
func read(t testing.TB, svg string) (elements []xml.StartElement) {
	t.Helper()
	d := xml.NewDecoder(strings.NewReader(svg))
	for {
		token, err := d.Token()
		if errors.Is(err, io.EOF) {
			return elements
		}
		if err != nil {
			t.Fatalf("not well-formed: %v in %s", err, svg)
		}
		e, ok := token.(xml.StartElement)
		if !ok {
			continue
		}
		elements = append(elements, e.Copy())
		if e.Name.Local == "script" || e.Name.Local == "style" {
			t.Errorf("an element %s", e.Name.Local)
		}
		for _, a := range e.Attr {
			if a.Name.Local == "style" || strings.HasPrefix(a.Name.Local, "on") || strings.Contains(a.Value, "NaN") || strings.Contains(a.Value, "Inf") {
				t.Errorf("an attribute %s=%q", a.Name.Local, a.Value)
			}
			if a.Name.Local == "href" && !strings.HasPrefix(a.Value, "#") {
				t.Errorf("it leads to %q", a.Value)
			}
		}
	}
}

func get(e xml.StartElement, name string) string {
	for _, a := range e.Attr {
		if a.Name.Local == name {
			return a.Value
		}
	}
	return ""
}

func length(t testing.TB, e xml.StartElement, name string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(get(e, name), 64)
	if err != nil {
		t.Fatalf("%s of %s is %q", name, e.Name.Local, get(e, name))
	}
	return v
}

func TestEveryPlaceOfAClassIsInTheDrawing(t *testing.T) {
	for _, class := range []string{"trailed", "mounted", "self-propelled"} {
		m := ofClass(t, class, 24, 3500)
		for i, placed := range m.Placed() {
			if !placed {
				t.Errorf("%s: %s has no place", class, m.Pieces[i].Position)
			}
		}
		svg := string(Side(m, "", "")) + string(Boom(m, "", ""))
		drawn := strings.Count(svg, `class="piece"`)
		if want := len(m.Pieces); drawn != want {
			t.Errorf("%s: %d pieces are drawn, of %d", class, drawn, want)
		}
		if n := len(m.drawnOn(true)) + len(m.drawnOn(false)); n != len(m.Pieces) {
			t.Errorf("%s: %d pieces are in one of the views, of %d", class, n, len(m.Pieces))
		}
	}
}

func TestTheDrawingIsToScale(t *testing.T) {
	t.Run("a tank of eight times the litres is twice as long and high", func(t *testing.T) {
		h1, l1 := tankOf(1000)
		h8, l8 := tankOf(8000)
		if math.Abs(h8/h1-2) > 1e-9 || math.Abs(l8/l1-2) > 1e-9 {
			t.Errorf("%v × %v against %v × %v", h8, l8, h1, l1)
		}
	})
	t.Run("the tank holds its litres", func(t *testing.T) { // a box of the drawing's own proportions
		h, l := tankOf(3500)
		if got := h * l * 1.1 * h * 0.85 / 1e6; math.Abs(got-3.5) > 0.001 {
			t.Errorf("it holds %v m³", got)
		}
	})
	t.Run("24 m at 0.5 m have 48 nozzles, 27 m have 54, 36 m at 0.25 m have 144", func(t *testing.T) {
		for _, c := range []struct {
			width, spacing float64
			want           int
		}{{24, 0, 48}, {27, 0.5, 54}, {36, 0.25, 144}} {
			m := ofClass(t, "trailed", c.width, 3000)
			m.SpacingM = c.spacing
			if got := m.Nozzles(); got != c.want {
				t.Errorf("%v m at %v m: %d nozzles", c.width, c.spacing, got)
			}
			path := ""
			for _, e := range read(t, string(Boom(m, "", ""))) {
				if get(e, "class") == "nozzles" {
					path = get(e, "d")
				}
			}
			if got := strings.Count(path, "M"); got != c.want {
				t.Errorf("%d nozzles are drawn, want %d", got, c.want)
			}
		}
	})
	t.Run("nozzles out of limits are drawn full, those that are not there are not", func(t *testing.T) {
		m := ofClass(t, "trailed", 24, 3000)
		m.OutOfLimit = []int{3, 48, 49, 0}
		drawn := 0
		for _, e := range read(t, string(Boom(m, "", ""))) {
			if get(e, "class") == "out" {
				drawn = strings.Count(get(e, "d"), "M")
			}
		}
		if drawn != 2 {
			t.Errorf("%d are drawn full, want 2", drawn)
		}
	})
	t.Run("sections share the nozzles evenly and fold between them", func(t *testing.T) {
		m := ofClass(t, "trailed", 24, 3000)
		folds := 0
		for _, e := range read(t, string(Boom(m, "", ""))) {
			if strings.HasPrefix(get(e, "class"), "fold") {
				folds = strings.Count(get(e, "d"), "M")
			}
		}
		if m.Sections() != 7 || folds != 6 {
			t.Errorf("%d sections, %d folds", m.Sections(), folds)
		}
		edge := bounds(48, 7)
		for i := range 7 {
			if n := edge[i+1] - edge[i]; n < 6 || n > 7 {
				t.Errorf("section %d has %d nozzles", i+1, n)
			}
		}
	})
}

func TestWhatIsMarkedIsInPlaceAndLeadsToItsRow(t *testing.T) {
	m := ofClass(t, "trailed", 24, 3500)
	standings := []string{"soon", "due", "overdue", "defect"}
	for i := range m.Pieces {
		m.Pieces[i].Mark = &Mark{Number: i + 1, Standing: standings[i%4], Stop: i == 3, Href: fmt.Sprintf("#row-%d", i+1), Says: `<script>"x"`}
	}
	svg := string(Side(m, "l", "a")) + string(Boom(m, "l", "a"))
	elements := read(t, "<both>"+svg+"</both>")
	leads, filled := map[string]string{}, map[string]int{}
	at := ""
	for _, e := range elements {
		if e.Name.Local == "a" {
			at = get(e, "href")
			leads[at] = get(e, "class")
			if get(e, "aria-label") != `<script>"x"` {
				t.Errorf("the name is %q", get(e, "aria-label"))
			}
		}
		if get(e, "class") == "fill" {
			filled[at]++
		}
	}
	for i := range m.Pieces {
		mk := m.Pieces[i].Mark
		class, there := leads[mk.Href]
		if !there {
			t.Errorf("%s has no callout", m.Pieces[i].Position)
			continue
		}
		if strings.Contains(class, "stop") != mk.Stop {
			t.Errorf("the callout of %s is %q", m.Pieces[i].Position, class)
		}
		// Soon is an outline, due half, overdue full; a defect is full only if it stops the rig.
		if want := mk.Standing == "due" || mk.Standing == "overdue" || mk.Stop; (filled[mk.Href] == 1) != want {
			t.Errorf("the callout of %s (%s) has %d fillings", m.Pieces[i].Position, mk.Standing, filled[mk.Href])
		}
	}
	if strings.Count(svg, `class="cross"`) != 1 {
		t.Error("what stops the rig is crossed, and only that: the colour does not stand alone")
	}
	if strings.Count(svg, "stop") != 2 { // the piece and its callout
		t.Errorf("%d things say stop", strings.Count(svg, "stop"))
	}
}

func TestADrawingOfAnyMachineHoldsTogether(t *testing.T) {
	kinds := []string{"tank", "diaphragm-pump", "boom-section", "boom", "nozzle-set", "wheel", "axle", "engine", "linkage", "no-such", "gauge"}
	rapid.Check(t, func(t *rapid.T) {
		m := Machine{
			WidthM: rapid.Float64Range(0, 80).Draw(t, "width"), TankL: rapid.Float64Range(0, 1e6).Draw(t, "tank"),
			SpacingM: rapid.Float64Range(-1, 3).Draw(t, "spacing"), OutOfLimit: rapid.SliceOfN(rapid.IntRange(-3, 500), 0, 5).Draw(t, "out"),
		}
		for i := range rapid.IntRange(0, 50).Draw(t, "pieces") {
			p := Piece{Position: fmt.Sprintf("p-%d", i), Kind: rapid.SampledFrom(kinds).Draw(t, "kind"), Missing: rapid.Bool().Draw(t, "missing")}
			if rapid.Bool().Draw(t, "marked") {
				p.Mark = &Mark{Number: i + 1, Standing: rapid.SampledFrom([]string{"soon", "due", "overdue", "defect"}).Draw(t, "standing"), Href: fmt.Sprintf("#r%d", i), Says: rapid.String().Draw(t, "says")}
			}
			m.Pieces = append(m.Pieces, p)
		}
		svg := string(Side(m, "l", "a")) + string(Boom(m, "l", "a"))
		callouts := 0
		for _, e := range readAny(t, svg) {
			if e.Name.Local == "a" {
				callouts++
			}
		}
		want := 0
		for i, placed := range m.Placed() {
			if placed && m.Pieces[i].Mark != nil {
				want++
			}
		}
		if callouts != want {
			t.Fatalf("%d callouts for %d marked pieces with a place", callouts, want)
		}
	})
}

func readAny(t *rapid.T, svg string) (elements []xml.StartElement) {
	d := xml.NewDecoder(strings.NewReader("<both>" + svg + "</both>"))
	for {
		token, err := d.Token()
		if errors.Is(err, io.EOF) {
			return elements
		}
		if err != nil {
			t.Fatalf("not well-formed: %v", err)
		}
		if e, ok := token.(xml.StartElement); ok {
			elements = append(elements, e.Copy())
			for _, a := range e.Attr {
				if a.Name.Local != "aria-label" && (strings.Contains(a.Value, "NaN") || strings.Contains(a.Value, "Inf")) {
					t.Fatalf("%s=%q", a.Name.Local, a.Value)
				}
			}
		}
	}
}

func TestCalloutsNeverStandOnEachOther(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var row []callout
		for i, x := range rapid.SliceOfN(rapid.Float64Range(-50, 700), 1, 20).Draw(t, "anchors") {
			row = append(row, callout{mark: &Mark{Number: i}, ax: x})
		}
		spread(row, 12, 648)
		for i := range row {
			if row[i].x < 12-0.01 || row[i].x > 648+0.01 {
				t.Fatalf("one stands at %v", row[i].x)
			}
			if i > 0 && (row[i].x-row[i-1].x < calloutStep-0.01 || row[i].ax < row[i-1].ax) {
				t.Fatalf("%v and %v", row[i-1], row[i])
			}
		}
	})
}

func TestBarsAreAsHighAsTheDaysWere(t *testing.T) {
	u := Use{Unit: "h", Days: []UseDay{{0, false}, {4, true}, {8, true}, {0, true}, {2, false}}, Months: []Tick{{0, "2026-05", "May 2026"}}}
	for _, e := range read(t, string(Bars(u, "", ""))) {
		switch get(e, "class") {
		case "gain":
			var tops []float64
			for _, part := range strings.Split(get(e, "d"), "M")[1:] {
				var x, foot, top float64
				if _, err := fmt.Sscanf(part, "%f %fV%fh", &x, &foot, &top); err != nil {
					t.Fatal(err)
				}
				tops = append(tops, foot-top)
			}
			if len(tops) != 3 || math.Abs(tops[1]/tops[0]-2) > .01 || math.Abs(tops[0]/tops[2]-2) > .01 {
				t.Errorf("bars of 4, 8 and 2 h are %v high", tops)
			}
		case "season":
			day := (chartWide - chartLeft - chartRight) / 5
			if x, w := length(t, e, "x"), length(t, e, "width"); math.Abs(x-chartLeft-day) > .1 || math.Abs(w-3*day) > .1 {
				t.Errorf("the season stands at %v, %v wide", x, w)
			}
		}
	}
}

func TestAFanShowsTheLimitsThatItReaches(t *testing.T) {
	f := Fan{Unit: "h", Today: "today", Past: []float64{90, 95, 100}, Booked: []FanBooking{{1, 2, false}, {50, 60, true}}}
	for i := range 20 {
		f.Ahead = append(f.Ahead, FanDay{100 + float64(i), 100 + 2*float64(i), 100 + 3*float64(i)})
	}
	f.Limits = []FanLimit{{At: 110, Letter: "a", Href: "#a"}, {At: 111, Letter: "b", Href: "#b"}, {At: 500, Letter: "c", Href: "#c"}, {At: 20, Letter: "d", Href: "#d"}}
	svg := string(FanChart(f, "", ""))
	letters := map[string]bool{}
	for _, e := range read(t, svg) {
		if e.Name.Local == "a" {
			letters[get(e, "href")] = true
		}
	}
	if len(letters) != 2 || !letters["#a"] || !letters["#b"] {
		t.Errorf("the limits shown are %v", letters)
	}
	if strings.Count(svg, `class="booked"`) != 1 || strings.Contains(svg, `class="rest"`) {
		t.Error("bookings within the fan are shaded, others are not")
	}
	if empty := string(FanChart(Fan{}, "", "")); len(read(t, empty)) == 0 {
		t.Error("an empty fan is no drawing")
	}
}

func TestScalesAreRound(t *testing.T) {
	for _, c := range []struct {
		low, high float64
		want      string
	}{{0, 9, "[0 5]"}, {0, 10, "[0 5 10]"}, {0, 7.9, "[0 2 4 6]"}, {822, 871, "[840 860]"}, {5, 5, "[5]"}} {
		if got := fmt.Sprint(steps(c.low, c.high)); got != c.want {
			t.Errorf("from %v to %v: %s, want %s", c.low, c.high, got, c.want)
		}
	}
}

// drawnOn lists the positions that a view draws.
func (m *Machine) drawnOn(side bool) (positions []string) {
	on := geometryOf(m).spots()
	for i, s := range m.spots() {
		if _, here := on[s]; s != "" && here == side {
			positions = append(positions, m.Pieces[i].Position)
		}
	}
	slices.Sort(positions)
	return positions
}
