package fleetxml

import (
	"fmt"
	"io"
	"strings"
	"time"
)

// Element is the kind of datum in a time series.
type Element string

// The time series there are.
const (
	OperatingHours Element = "CumulativeOperatingHours"
	PTOHours       Element = "CumulativePowerTakeOffHours"
	IdleHours      Element = "CumulativeIdleHours"
	Odometer       Element = "Distance"
	Places         Element = "Location"
	Hectares       Element = "CumulativeArea" // own namespace
)

// Series is a page of one machine's data of one kind, in order of time. Of the lists only that of
// the element is used.
type Series struct {
	Element   Element
	Version   string
	Time      time.Time
	Links     []Link
	Header    Header
	Hours     []Hours
	Distances []Distance
	Locations []Location
	Areas     []Area
}

// Known says whether there is such a series.
func (e Element) Known() bool {
	switch e {
	case OperatingHours, PTOHours, IdleHours, Odometer, Places, Hectares:
		return true
	}
	return false
}

// WriteSeries writes a time series: the root element is {Element}Messages.
func WriteSeries(w io.Writer, s Series) error {
	if !s.Element.Known() {
		return fmt.Errorf("write time series: element %q is not known", s.Element)
	}
	p := newPrinter(w)
	p.head()
	root := string(s.Element) + "Messages"
	if s.Element == Hectares {
		root = "rl:" + root
	}
	version := s.Version
	if version == "" {
		version = "1"
	}
	p.open(root, "xmlns", Namespace, "xmlns:rl", AreaNamespace, "version", version, "snapshotTime", stamp(s.Time))
	p.links(s.Links)
	p.header(s.Header)
	switch s.Element {
	case Odometer:
		for i := range s.Distances {
			p.distance(&s.Distances[i])
		}
	case Places:
		for i := range s.Locations {
			p.location(&s.Locations[i])
		}
	case Hectares:
		for i := range s.Areas {
			p.area(&s.Areas[i])
		}
	default:
		for i := range s.Hours {
			p.hours(string(s.Element), &s.Hours[i])
		}
	}
	p.close(root)
	return p.done("time series")
}

// ReadSeries reads a time series; problems and error are those of Read.
func ReadSeries(r io.Reader) (Series, Problems, error) {
	root, err := tree(r)
	if err != nil {
		return Series{}, nil, fmt.Errorf("read time series: %w", err)
	}
	s := Series{Element: Element(strings.TrimSuffix(root.name, "Messages"))}
	if !strings.HasSuffix(root.name, "Messages") || !s.Element.Known() {
		return Series{}, nil, fmt.Errorf("read time series: root element is %q: %w", root.name, ErrNotFleet)
	}
	var p Problems
	s.Version, _ = root.attrs.Attr("version")
	if text, ok := root.attrs.Attr("snapshotTime"); ok {
		if s.Time, err = parseTime(text); err != nil {
			p.add("document", "snapshotTime", "%v", err)
		}
	}
	s.Links = links(root)
	s.Header = header(root, "document", &p)
	n := 0
	for _, c := range root.in {
		if c.name != string(s.Element) {
			continue
		}
		n++
		where := fmt.Sprintf("datum %d", n)
		switch s.Element {
		case Odometer:
			s.Distances = add(s.Distances, take(c, where, &p, distance))
		case Places:
			s.Locations = add(s.Locations, take(c, where, &p, location))
		case Hectares:
			s.Areas = add(s.Areas, take(c, where, &p, area))
		default:
			s.Hours = add(s.Hours, take(c, where, &p, hours))
		}
	}
	return s, p, nil
}

func add[T any](list []T, v *T) []T {
	if v == nil {
		return list
	}
	return append(list, *v)
}
