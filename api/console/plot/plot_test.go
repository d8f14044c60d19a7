package plot_test

import (
	"encoding/xml"
	"io"
	"math"
	"regexp"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"rigledger/api/console/plot"
)

// picture reads the markup, and counts what it holds by element and class.
func picture(t interface{ Fatalf(string, ...any) }, svg string) map[string]int {
	count := map[string]int{}
	d := xml.NewDecoder(strings.NewReader(svg))
	for {
		tok, err := d.Token()
		if err == io.EOF {
			return count
		}
		if err != nil {
			t.Fatalf("%v in %s", err, svg)
		}
		if e, ok := tok.(xml.StartElement); ok {
			name := e.Name.Local
			for _, a := range e.Attr {
				if a.Name.Local == "style" || strings.HasPrefix(a.Name.Local, "on") {
					t.Fatalf("the drawing has the attribute %s", a.Name.Local)
				}
				if a.Name.Local == "class" {
					name += "." + a.Value
				}
			}
			count[name]++
		}
	}
}

func values(xs ...float64) (row []plot.Bar) {
	for i, x := range xs {
		row = append(row, plot.Bar{Position: i + 1, Value: &x, Out: math.Abs(x) > 10, Near: math.Abs(x) > 5 && math.Abs(x) <= 10})
	}
	return row
}

func TestARowOfNozzlesIsDrawnWithItsLimits(t *testing.T) {
	row := append(values(0.8, -0.8, 3.3, -1.7, 10.83, 6), plot.Bar{Position: 7})
	svg := plot.Bars{ID: "f", Title: "Flow", Middle: "nominal", Unit: "%", Limit: 10, Row: row, Worst: 5, Named: "nozzle"}.SVG()
	got := picture(t, svg)
	for name, want := range map[string]int{"rect.in": 4, "rect.out worst": 1, "rect.near": 1, "circle.open": 1, "line.limit": 2, "line.middle": 1, "text.worst": 1, "text.tick": 7, "text.side": 3} {
		if got[name] != want {
			t.Errorf("%d × %s, want %d", got[name], name, want)
		}
	}
	for _, want := range []string{`data-number="10.8"`, `role="img"`, `aria-label="Flow"`, `nozzle`} {
		if !strings.Contains(svg, want) {
			t.Errorf("the drawing does not hold %s", want)
		}
	}
}

// A bar that ends at the limit line touches it: what is drawn is what was measured.
func TestABarAtTheLimitEndsOnTheLine(t *testing.T) {
	svg := plot.Bars{ID: "f", Limit: 10, Row: values(10, -10)}.SVG()
	lines := regexp.MustCompile(`class="limit" x1="[^"]*" y1="([^"]*)"`).FindAllStringSubmatch(svg, -1)
	bars := regexp.MustCompile(`<rect class="near"[^>]* y="([^"]*)" width="[^"]*" height="([^"]*)"`).FindAllStringSubmatch(svg, -1)
	if len(lines) != 2 || len(bars) != 2 || lines[0][1] != bars[0][1] {
		t.Fatalf("limit lines at %v, bars at %v", lines, bars)
	}
	if bars[0][2] != bars[1][2] {
		t.Errorf("as far above as below, and not as tall: %v", bars)
	}
}

func TestAGaugeIsDrawnBetweenItsLimits(t *testing.T) {
	g := plot.Gauge{Title: "Gauge", True: "master", Err: "as the master", Unit: "bar", Worst: 1, Steps: []plot.Step{{1.5, .3, true}, {3, .1, false}}, Limit: []plot.Funnel{{0, .2}, {2, .2}, {3.2, .32}}}
	got := picture(t, g.SVG())
	for name, want := range map[string]int{"polyline.limit": 2, "rect.out": 1, "circle.in": 1, "text.worst": 1} {
		if got[name] != want {
			t.Errorf("%d × %s, want %d", got[name], name, want)
		}
	}
	if (plot.Gauge{Steps: g.Steps}).SVG() != "" || (plot.Bars{Row: values(1)}).SVG() != "" {
		t.Error("something is drawn without limits")
	}
}

// Whatever is measured and however things are called, the drawing is well formed
// and stays inside its frame.
func TestADrawingIsWellFormedWhateverIsMeasured(t *testing.T) {
	number := regexp.MustCompile(` (?:x|y|cx|cy|x1|x2|y1|y2|width|height)="([^"]*)"`)
	rapid.Check(t, func(t *rapid.T) {
		name := rapid.StringMatching(`[<>"'&a-zא-ת]{0,20}`).Draw(t, "name")
		far := rapid.Float64()
		b := plot.Bars{ID: name, Title: name, Middle: name, Unit: name, Named: name, Limit: rapid.Float64Range(1e-6, 1e9).Draw(t, "limit"), Worst: 1}
		for i := range rapid.IntRange(1, 300).Draw(t, "positions") {
			x := far.Draw(t, "x")
			b.Row = append(b.Row, plot.Bar{Position: i + 1, Value: &x, Out: x > 0})
		}
		g := plot.Gauge{Title: name, True: name, Err: name, Unit: name, Worst: 1, Limit: []plot.Funnel{{0, .2}, {rapid.Float64Range(.1, 100).Draw(t, "far"), 1}}}
		for range rapid.IntRange(1, 8).Draw(t, "steps") {
			g.Steps = append(g.Steps, plot.Step{Master: rapid.Float64Range(0, 100).Draw(t, "master"), Error: far.Draw(t, "error")})
		}
		for _, svg := range []string{b.SVG(), g.SVG()} {
			if svg != "" {
				picture(t, svg)
			}
			for _, m := range number.FindAllStringSubmatch(svg, -1) {
				if strings.ContainsAny(m[1], "NI") {
					t.Fatalf("a coordinate is %s", m[1])
				}
			}
		}
	})
}
