package taskdata

import (
	"bytes"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"regexp"
	"strconv"
	"strings"

	"rigledger/api/exchange/xmlguard"
)

// Bounds of what a file may describe (house figures): more than any farm has, few enough that going through devices,
// tasks and elements against each other stays short. A section is an element; sections end at 255.
const (
	maxDevices  = 200
	maxElements = 1000 // of one device
	maxTasks    = 20_000
)

// document is TASKDATA.XML with the files it refers to, as far as it matters here.
type document struct {
	version  string
	devices  []*device
	elements map[string]*element // by DET A
	tasks    []*task
	fields   map[string]string // PFD A → designator
	external []string          // XFR A
}

type device struct {
	id, designator string // DVC A, B
	key            Key    // DVC D, E
	byObject       map[int]*element
}

type element struct {
	id     string // DET A
	object int    // DET B
	kind   int    // DET C: 1 device … 4 section
	up     int    // DET F: object id of the parent, 0 for none
	device *device
}

// parent is the element above, or nil.
func (e *element) parent() *element {
	if p := e.device.byObject[e.up]; e.up != 0 && p != e {
		return p
	}
	return nil
}

type task struct {
	id, designator, field, status string // TSK A, B, E, G
	times                         []interval
	logs                          []string // TLG A
}

// interval is a TIM of a task: what the terminal summed up at its end.
type interval struct {
	start, stop, duration, kind string // TIM A, B, C, D
	values                      []value
}

type value struct {
	ddi, raw, element string   // DLV A, B, C
	on                *element // that the id stands for, once known; nil for none
}

// parse reads a root file (ISO11783_TaskData) or one it refers to (XFC) into the document.
func (d *document) parse(name string, data []byte, bounds xmlguard.Bounds, s *skips) error {
	r := xmlguard.New(bytes.NewReader(data), bounds)
	root, err := r.Next()
	for err == nil {
		if e, ok := root.(xmlguard.Element); ok {
			if err := d.root(name, e); err != nil {
				return err
			}
			break
		}
		root, err = r.Next()
	}
	if err != nil {
		return wrapXML(name, err)
	}
	err = children(r, func(e xmlguard.Element) (bool, error) {
		switch e.Name {
		case "DVC":
			return true, d.device(r, e, s)
		case "TSK":
			return true, d.task(r, e)
		case "PFD":
			id, _ := e.Attr("A")
			designator, _ := e.Attr("C")
			d.fields[id] = designator
		case "XFR":
			file, _ := e.Attr("A")
			d.external = append(d.external, file)
		}
		return false, nil
	})
	if err != nil {
		return wrapXML(name, err)
	}
	if _, err := r.Next(); !errors.Is(err, io.EOF) && err != nil {
		return wrapXML(name, err)
	}
	return nil
}

// root judges the root element. Versions 2 to 4 are read; the second part of an export is an XFC.
func (d *document) root(name string, e xmlguard.Element) error {
	if e.Name == "XFC" && d.version != "" {
		return nil
	}
	if e.Name != "ISO11783_TaskData" {
		return fmt.Errorf("%s: root element is %q, not ISO11783_TaskData: %w", name, e.Name, ErrNotTaskData)
	}
	major, _ := e.Attr("VersionMajor")
	minor, _ := e.Attr("VersionMinor")
	if major != "2" && major != "3" && major != "4" {
		return fmt.Errorf("%s: version %q: versions 2 to 4 are read: %w", name, major, ErrNotTaskData)
	}
	d.version = major + "." + minor
	return nil
}

func wrapXML(name string, err error) error {
	if errors.Is(err, xmlguard.ErrRefused) {
		return fmt.Errorf("%s: %w (%w)", name, err, ErrRefused)
	}
	if errors.Is(err, xmlguard.ErrMalformed) || errors.Is(err, io.EOF) {
		return fmt.Errorf("%s: %w (%w)", name, err, ErrNotTaskData)
	}
	return fmt.Errorf("%s: %w", name, err)
}

// children calls each for every element directly inside the one just opened, up to its end. each says
// whether it has read the element to its end itself.
func children(r *xmlguard.Reader, each func(xmlguard.Element) (bool, error)) error {
	for {
		token, err := r.Next()
		if err != nil {
			return err
		}
		switch t := token.(type) {
		case xmlguard.End:
			return nil
		case xmlguard.Element:
			read, err := each(t)
			if err != nil {
				return err
			}
			if !read {
				if err := r.Skip(); err != nil {
					return err
				}
			}
		}
	}
}

func (d *document) device(r *xmlguard.Reader, e xmlguard.Element, s *skips) error {
	v := &device{byObject: map[int]*element{}}
	v.id, _ = e.Attr("A")
	v.designator, _ = e.Attr("B")
	v.key.Name, _ = e.Attr("D")
	v.key.Serial, _ = e.Attr("E")
	v.key.Name = strings.ToUpper(strings.TrimSpace(v.key.Name))
	v.key.Serial = strings.TrimSpace(v.key.Serial)
	if b, err := hex.DecodeString(v.key.Name); err != nil || len(b) != 8 || allOf(b, 0) || allOf(b, 0xff) {
		s.add("device "+v.id, "NAME %q is not one: the device cannot be told from others", v.key.Name)
		return r.Skip()
	}
	if d.devices = append(d.devices, v); len(d.devices) > maxDevices {
		return fmt.Errorf("more than %d devices: %w", maxDevices, ErrRefused)
	}
	return children(r, func(e xmlguard.Element) (bool, error) {
		if e.Name != "DET" {
			return false, nil
		}
		if len(v.byObject) >= maxElements {
			return false, fmt.Errorf("device %s has more than %d elements: %w", v.id, maxElements, ErrRefused)
		}
		t := &element{device: v}
		t.id, _ = e.Attr("A")
		for name, to := range map[string]*int{"B": &t.object, "C": &t.kind, "F": &t.up} {
			text, _ := e.Attr(name)
			*to, _ = strconv.Atoi(text)
		}
		_, twice := d.elements[t.id]
		if _, ok := v.byObject[t.object]; ok || twice || t.id == "" {
			s.add("device "+v.id, "element %q: its id is empty or used twice, or its object id is", t.id)
			return false, nil
		}
		d.elements[t.id] = t
		v.byObject[t.object] = t
		return false, nil
	})
}

func allOf(b []byte, c byte) bool {
	for _, x := range b {
		if x != c {
			return false
		}
	}
	return true
}

func (d *document) task(r *xmlguard.Reader, e xmlguard.Element) error {
	t := &task{}
	t.id, _ = e.Attr("A")
	t.designator, _ = e.Attr("B")
	t.field, _ = e.Attr("E")
	t.status, _ = e.Attr("G")
	if d.tasks = append(d.tasks, t); len(d.tasks) > maxTasks {
		return fmt.Errorf("more than %d tasks: %w", maxTasks, ErrRefused)
	}
	return children(r, func(e xmlguard.Element) (bool, error) {
		switch e.Name {
		case "TLG":
			name, _ := e.Attr("A")
			t.logs = append(t.logs, name)
		case "TIM":
			i, err := readInterval(r, e)
			t.times = append(t.times, i)
			return true, err
		}
		return false, nil
	})
}

func readInterval(r *xmlguard.Reader, e xmlguard.Element) (interval, error) {
	var i interval
	i.start, _ = e.Attr("A")
	i.stop, _ = e.Attr("B")
	i.duration, _ = e.Attr("C")
	i.kind, _ = e.Attr("D")
	return i, children(r, func(e xmlguard.Element) (bool, error) {
		if e.Name == "DLV" {
			var v value
			v.ddi, _ = e.Attr("A")
			v.raw, _ = e.Attr("B")
			v.element, _ = e.Attr("C")
			i.values = append(i.values, v)
		}
		return false, nil
	})
}

// fileName is what XFR A and TLG A may be: three letters and five digits (ISO 11783-10 annex D).
var fileName = regexp.MustCompile(`^[A-Za-z]{3}[0-9]{5}$`)
