package fleetxml

import (
	"bufio"
	"encoding/xml"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
	"time"
)

// Write writes a snapshot. It fails when w does, or when a location is not on the globe or a count negative.
func Write(w io.Writer, s Snapshot) error {
	p := newPrinter(w)
	p.head()
	version := s.Version
	if version == "" {
		version = "1"
	}
	p.open("Fleet", "xmlns", Namespace, "xmlns:rl", AreaNamespace, "version", version, "snapshotTime", stamp(s.Time))
	p.links(s.Links)
	for _, e := range s.Equipment {
		p.open("Equipment")
		p.header(e.Header)
		p.location(e.Location)
		p.hours("CumulativeOperatingHours", e.OperatingHours)
		p.hours("CumulativePowerTakeOffHours", e.PTOHours)
		p.hours("CumulativeIdleHours", e.IdleHours)
		p.distance(e.Distance)
		p.area(e.Area)
		p.close("Equipment")
	}
	p.close("Fleet")
	return p.done("fleet snapshot")
}

// printer writes XML and keeps the first error.
type printer struct {
	out   *bufio.Writer
	level int
	err   error
}

func newPrinter(w io.Writer) *printer { return &printer{out: bufio.NewWriter(w)} }

func (p *printer) done(what string) error {
	if err := p.out.Flush(); p.err == nil {
		p.err = err
	}
	if p.err != nil {
		return fmt.Errorf("write %s: %w", what, p.err)
	}
	return nil
}

func (p *printer) head() { p.out.WriteString(xml.Header) }

func (p *printer) tag(name string, attrs []string) {
	p.out.WriteString(strings.Repeat("  ", p.level) + "<" + name)
	for i := 0; i+1 < len(attrs); i += 2 {
		p.out.WriteString(" " + attrs[i] + `="`)
		p.text(attrs[i+1])
		p.out.WriteString(`"`)
	}
	p.out.WriteString(">")
}

func (p *printer) text(s string) {
	if err := xml.EscapeText(p.out, []byte(s)); err != nil && p.err == nil {
		p.err = err
	}
}

func (p *printer) open(name string, attrs ...string) {
	p.tag(name, attrs)
	p.out.WriteString("\n")
	p.level++
}

func (p *printer) close(name string) {
	p.level--
	p.out.WriteString(strings.Repeat("  ", p.level) + "</" + name + ">\n")
}

// leaf writes an element with text; nothing when the text is empty.
func (p *printer) leaf(name, text string) {
	if text == "" {
		return
	}
	p.tag(name, nil)
	p.text(text)
	p.out.WriteString("</" + name + ">\n")
}

func (p *printer) links(list []Link) {
	for _, l := range list {
		p.open("Links")
		p.leaf("rel", l.Rel)
		p.leaf("href", l.Href)
		p.close("Links")
	}
}

func (p *printer) header(h Header) {
	p.open("EquipmentHeader")
	if !h.UnitInstalled.IsZero() {
		p.leaf("UnitInstallDateTime", stamp(h.UnitInstalled))
	}
	p.leaf("OEMName", h.OEMName)
	p.leaf("Model", h.Model)
	p.leaf("EquipmentID", h.EquipmentID)
	p.leaf("SerialNumber", h.SerialNumber)
	p.leaf("PIN", h.PIN)
	p.close("EquipmentHeader")
}

// datum writes an element with its time and what is in it.
func (p *printer) datum(name string, at time.Time, pairs ...string) {
	p.open(name, "datetime", stamp(at))
	for i := 0; i+1 < len(pairs); i += 2 {
		p.leaf(pairs[i], pairs[i+1])
	}
	p.close(name)
}

func (p *printer) count(name string, v int64) {
	if (v < 0 || v > maxCount) && p.err == nil {
		p.err = fmt.Errorf("%s: count of %d", name, v)
	}
}

func (p *printer) hours(name string, h *Hours) {
	if h == nil {
		return
	}
	p.count(name, h.Seconds)
	// One second is 0.00028 h, so four places are within 0.18 s and come back as the same second.
	p.datum(name, h.At, "Hour", decimal(h.Seconds, 3600, 4))
}

func (p *printer) distance(d *Distance) {
	if d == nil {
		return
	}
	p.count("Distance", d.Metres)
	p.datum("Distance", d.At, "OdometerUnits", "kilometre", "Odometer", decimal(d.Metres, 1000, 3))
}

func (p *printer) area(a *Area) {
	if a == nil {
		return
	}
	p.count("CumulativeArea", a.SquareMetres)
	p.datum("rl:CumulativeArea", a.At, "rl:Hectare", decimal(a.SquareMetres, 10_000, 4))
}

func (p *printer) location(l *Location) {
	if l == nil {
		return
	}
	if !onGlobe(l.Lat, l.Lon) && p.err == nil {
		p.err = fmt.Errorf("location %v, %v is not on the globe", l.Lat, l.Lon)
	}
	p.datum("Location", l.At, "Latitude", strconv.FormatFloat(l.Lat, 'f', -1, 64), "Longitude", strconv.FormatFloat(l.Lon, 'f', -1, 64))
}

func onGlobe(lat, lon float64) bool {
	return math.Abs(lat) <= 90 && math.Abs(lon) <= 180 // false for what is not a number
}

// maxCount keeps the arithmetic below in range: 10¹⁵, as the ledger's own counters.
const maxCount = int64(1e15)

// decimal is v/per with places digits after the point, rounded half up, without float. v is not negative; per is at most
// 10^places, so the fraction of the largest rest, (per−1)/per, does not round up to a whole.
func decimal(v, per int64, places int) string {
	if v < 0 {
		return "0"
	}
	scale := int64(1)
	for range places {
		scale *= 10
	}
	whole, rest := v/per, v%per
	part := (rest*scale*2 + per) / (2 * per)
	return fmt.Sprintf("%d.%0*d", whole, places, part)
}

// stamp is a time in UTC to the second: YYYY-MM-DDThh:mm:ssZ.
func stamp(t time.Time) string { return t.UTC().Truncate(time.Second).Format("2006-01-02T15:04:05Z") }
