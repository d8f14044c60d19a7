package fleetxml

import (
	"errors"
	"fmt"
	"io"
	"strings"
	"time"

	"rigledger/api/exchange/xmlguard"
)

// ErrNotFleet says that the document is not fleet data, or is not accepted.
var ErrNotFleet = errors.New("not fleet data")

// node is an element with all that is in it. A document is read whole: its size is bounded.
type node struct {
	name  string
	attrs xmlguard.Element
	text  string
	in    []node
}

func (n node) child(name string) *node {
	for i := range n.in {
		if n.in[i].name == name {
			return &n.in[i]
		}
	}
	return nil
}

// value is the text of a child, trimmed; empty when there is none.
func (n node) value(name string) string {
	if c := n.child(name); c != nil {
		return strings.TrimSpace(c.text)
	}
	return ""
}

// bounds: 100 machines a page, but some senders put a whole fleet on one.
var bounds = xmlguard.Bounds{Bytes: 32 << 20, Tag: 64 << 10, Elements: 500_000, Depth: 16}

func tree(r io.Reader) (node, error) {
	x := xmlguard.New(r, bounds)
	var stack []node
	for {
		token, err := x.Next()
		if errors.Is(err, io.EOF) {
			return node{}, fmt.Errorf("document has no end: %w", ErrNotFleet)
		}
		if err != nil {
			return node{}, fmt.Errorf("line %d: %w (%w)", x.Line(), err, ErrNotFleet)
		}
		switch t := token.(type) {
		case xmlguard.Element:
			stack = append(stack, node{name: t.Name, attrs: t})
		case string:
			if n := len(stack); n > 0 && strings.TrimSpace(t) != "" {
				stack[n-1].text += t
			}
		case xmlguard.End:
			n := len(stack)
			done := stack[n-1]
			if n == 1 {
				if _, err := x.Next(); err != nil && !errors.Is(err, io.EOF) {
					return node{}, fmt.Errorf("after the end: %w (%w)", err, ErrNotFleet)
				}
				return done, nil
			}
			stack = stack[:n-1]
			stack[n-2].in = append(stack[n-2].in, done)
		}
	}
}

// Read reads a snapshot. What cannot be read is in the problems, the rest in the snapshot; the error
// (ErrNotFleet) is for a document that is none.
func Read(r io.Reader) (Snapshot, Problems, error) {
	root, err := tree(r)
	if err != nil {
		return Snapshot{}, nil, fmt.Errorf("read fleet snapshot: %w", err)
	}
	if root.name != "Fleet" {
		return Snapshot{}, nil, fmt.Errorf("read fleet snapshot: root element is %q, not Fleet: %w", root.name, ErrNotFleet)
	}
	var s Snapshot
	var p Problems
	s.Version, _ = root.attrs.Attr("version")
	if text, ok := root.attrs.Attr("snapshotTime"); ok {
		if s.Time, err = parseTime(text); err != nil {
			p.add("document", "snapshotTime", "%v", err)
		}
	}
	s.Links = links(root)
	n := 0
	for _, c := range root.in {
		if c.name == "Equipment" {
			n++
			s.Equipment = append(s.Equipment, equipment(c, n, &p))
		}
	}
	return s, p, nil
}

// links are the Links of a page: rel and href as elements, or as attributes.
func links(root node) []Link {
	var out []Link
	for _, c := range root.in {
		if c.name != "Links" {
			continue
		}
		for _, l := range append([]node{c}, c.in...) {
			rel, href := l.value("rel"), l.value("href")
			if rel == "" && href == "" {
				rel, _ = l.attrs.Attr("rel")
				href, _ = l.attrs.Attr("href")
			}
			if rel != "" && href != "" {
				out = append(out, Link{rel, href})
			}
		}
	}
	return out
}

func equipment(n node, index int, p *Problems) Equipment {
	e := Equipment{Header: header(n, fmt.Sprintf("equipment %d", index), p)}
	where := e.Header.EquipmentID
	if where == "" {
		where = e.Header.SerialNumber
	}
	if where == "" {
		where = fmt.Sprintf("equipment %d", index)
		p.add(where, "EquipmentHeader", "has neither EquipmentID nor SerialNumber")
	}
	seen := map[string]bool{}
	for _, c := range n.in {
		if seen[c.name] && c.name != "EquipmentHeader" {
			p.add(where, c.name, "is there twice; the first was taken")
			continue
		}
		seen[c.name] = true
		switch c.name {
		case "CumulativeOperatingHours":
			e.OperatingHours = take(c, where, p, hours)
		case "CumulativePowerTakeOffHours":
			e.PTOHours = take(c, where, p, hours)
		case "CumulativeIdleHours":
			e.IdleHours = take(c, where, p, hours)
		case "Distance":
			e.Distance = take(c, where, p, distance)
		case "CumulativeArea":
			e.Area = take(c, where, p, area)
		case "Location":
			e.Location = take(c, where, p, location)
		}
	}
	return e
}

func header(n node, where string, p *Problems) Header {
	c := n.child("EquipmentHeader")
	if c == nil {
		return Header{}
	}
	h := Header{OEMName: c.value("OEMName"), Model: c.value("Model"), EquipmentID: c.value("EquipmentID"),
		SerialNumber: c.value("SerialNumber"), PIN: c.value("PIN")}
	if text := c.value("UnitInstallDateTime"); text != "" {
		var err error
		if h.UnitInstalled, err = parseTime(text); err != nil {
			p.add(where, "UnitInstallDateTime", "%v", err)
		}
	}
	return h
}

// take reads a datum with its time, or notes why not.
func take[T any](n node, where string, p *Problems, of func(node, time.Time) (T, error)) *T {
	text, ok := n.attrs.Attr("datetime")
	if !ok {
		text, _ = n.attrs.Attr("dateTime")
	}
	at, err := parseTime(text)
	if err != nil {
		p.add(where, n.name, "datetime: %v", err)
		return nil
	}
	v, err := of(n, at)
	if err != nil {
		p.add(where, n.name, "%v", err)
		return nil
	}
	return &v
}

func hours(n node, at time.Time) (Hours, error) {
	s, err := seconds(n.value("Hour"))
	return Hours{at, s}, err
}

func distance(n node, at time.Time) (Distance, error) {
	m, err := metres(n.value("Odometer"), n.value("OdometerUnits"))
	return Distance{at, m}, err
}

func area(n node, at time.Time) (Area, error) {
	v, err := scaled(n.value("Hectare"), 10_000, 1)
	return Area{at, v}, err
}

func location(n node, at time.Time) (Location, error) {
	lat, err1 := degrees(n.value("Latitude"))
	lon, err2 := degrees(n.value("Longitude"))
	if err := errors.Join(err1, err2); err != nil {
		return Location{}, err
	}
	if !onGlobe(lat, lon) {
		return Location{}, fmt.Errorf("%v, %v is not on the globe", lat, lon)
	}
	return Location{at, lat, lon}, nil
}
