package intake

import (
	"bytes"
	"math"
	"strconv"
	"time"

	"rigledger/events"
)

// Nearly all that comes are readings without anything odd in them. fast reads
// those in one pass, several times as fast as the careful reader, and gives up
// at the first thing it does not know (an escape, an extension, a letter beyond
// ASCII, any fault): then the careful reader starts over and has the say. What
// fast takes, the careful reader would take with the same result; FuzzDecode
// holds it to that.
func (d *decoder) fast(blank *events.Arrival, payload []byte) ([]events.Arrival, bool) {
	s := scan{b: payload}
	if !s.next('[') {
		one := []events.Arrival{*blank}
		return one, d.fastEvent(&s, &one[0]) && s.end()
	}
	found := make([]events.Arrival, 0, min(MaxEvents, 1+len(payload)/180))
	for {
		if len(found) == MaxEvents {
			return nil, false
		}
		found = append(found, *blank)
		if !d.fastEvent(&s, &found[len(found)-1]) {
			return nil, false
		}
		if !s.next(',') {
			return found, s.next(']') && s.end()
		}
	}
}

// The members of an event, each of which must be there once.
const (
	sawVersion = 1 << iota
	sawID
	sawSource
	sawType
	sawTime
	sawData
	sawContent
	sawAll = sawVersion | sawID | sawSource | sawType | sawTime | sawData
)

func (d *decoder) fastEvent(s *scan, a *events.Arrival) bool {
	if !s.next('{') {
		return false
	}
	start, saw := s.i-1, 0
	for {
		name, ok := s.text()
		if !ok || !s.next(':') {
			return false
		}
		bit := 0
		switch string(name) {
		case "specversion":
			bit = sawVersion
		case "id":
			bit = sawID
		case "source":
			bit = sawSource
		case "type":
			bit = sawType
		case "time":
			bit = sawTime
		case "data":
			bit = sawData
		case "datacontenttype":
			bit = sawContent
		default:
			return false
		}
		if saw&bit != 0 {
			return false
		}
		saw |= bit
		if bit == sawData {
			if !d.fastReading(s, a) {
				return false
			}
		} else {
			text, ok := s.text()
			if !ok || !fastAttribute(a, bit, text) {
				return false
			}
		}
		if s.next('}') {
			break
		}
		if !s.next(',') {
			return false
		}
	}
	a.Payload = s.b[start:s.i]
	return saw&sawAll == sawAll
}

func fastAttribute(a *events.Arrival, bit int, text []byte) bool {
	switch bit {
	case sawVersion:
		return string(text) == "1.0"
	case sawID:
		a.Event = string(text)
		return len(text) <= maxID && !blank(text)
	case sawSource:
		n := len(rigSource)
		return len(text) > n && string(text[:n]) == rigSource && string(text[n:]) == a.Rig
	case sawType:
		return string(text) == "rig.reading.v1"
	case sawContent:
		return string(text) == "application/json"
	}
	t, ok := parseTime(text)
	a.Time = events.Milli(t)
	return ok
}

func (d *decoder) fastReading(s *scan, a *events.Arrival) bool {
	if !s.next('{') {
		return false
	}
	var counters, oldest, position bool
	for {
		name, ok := s.text()
		if !ok || !s.next(':') {
			return false
		}
		switch {
		case string(name) == "counters" && !counters:
			counters = true
			if !d.fastCounters(s) {
				return false
			}
			a.Counters = append(make([]events.RawCounter, 0, len(d.list)), d.list...)
		case string(name) == "oldest" && !oldest:
			oldest = true
			raw, ok := s.number()
			if !ok {
				return false
			}
			n, err := strconv.ParseInt(string(raw), 10, 64)
			if err != nil || n < 0 {
				return false
			}
			a.Oldest = n
		case string(name) == "position" && !position:
			position = true
			if !fastPosition(s, a) {
				return false
			}
		default:
			return false
		}
		if s.next('}') {
			return counters
		}
		if !s.next(',') {
			return false
		}
	}
}

// fastPosition reads {"latitude": …, "longitude": …}.
func fastPosition(s *scan, a *events.Arrival) bool {
	var at [2]float64
	var has [2]bool
	if !s.next('{') {
		return false
	}
	for {
		name, ok := s.text()
		if !ok || !s.next(':') {
			return false
		}
		which := 0
		switch string(name) {
		case "latitude":
		case "longitude":
			which = 1
		default:
			return false
		}
		raw, ok := s.number()
		if !ok || has[which] {
			return false
		}
		v, err := strconv.ParseFloat(string(raw), 64)
		if err != nil {
			return false
		}
		at[which], has[which] = v, true
		if s.next('}') {
			break
		}
		if !s.next(',') {
			return false
		}
	}
	a.Location = events.NewLocation(at[0], at[1])
	return has[0] && has[1]
}

// fastCounters reads the array of counters into d.list.
func (d *decoder) fastCounters(s *scan) bool {
	d.list = d.list[:0]
	if !s.next('[') {
		return false
	}
	for {
		var c events.RawCounter
		var meter, value, unit bool
		if !s.next('{') || len(d.list) == maxCounters {
			return false
		}
		for {
			name, ok := s.text()
			if !ok || !s.next(':') {
				return false
			}
			switch {
			case string(name) == "value" && !value:
				raw, ok := s.number()
				if !ok {
					return false
				}
				v, err := strconv.ParseFloat(string(raw), 64)
				if err != nil || math.IsInf(v, 0) {
					return false
				}
				c.Value, value = v, true
			case string(name) == "meter" && !meter:
				text, ok := s.text()
				if !ok || len(text) > maxWord || blank(text) {
					return false
				}
				c.Meter, meter = d.word(text), true
			case string(name) == "unit" && !unit:
				text, ok := s.text()
				if !ok || len(text) > maxWord || blank(text) {
					return false
				}
				c.Unit, unit = d.word(text), true
			default:
				return false
			}
			if s.next('}') {
				break
			}
			if !s.next(',') {
				return false
			}
		}
		if !meter || !value || !unit {
			return false
		}
		for i := range d.list {
			if d.list[i].Meter == c.Meter {
				return false
			}
		}
		d.list = append(d.list, c)
		if s.next(']') {
			return true
		}
		if !s.next(',') {
			return false
		}
	}
}

// scan walks over JSON text.
type scan struct {
	b []byte
	i int
}

func (s *scan) space() {
	for s.i < len(s.b) {
		switch s.b[s.i] {
		case ' ', '\t', '\r', '\n':
			s.i++
		default:
			return
		}
	}
}

// next steps over c when it comes next.
func (s *scan) next(c byte) bool {
	s.space()
	if s.i < len(s.b) && s.b[s.i] == c {
		s.i++
		return true
	}
	return false
}

func (s *scan) end() bool {
	s.space()
	return s.i == len(s.b)
}

// text reads a string of plain ASCII without escapes.
func (s *scan) text() ([]byte, bool) {
	if !s.next('"') {
		return nil, false
	}
	n := bytes.IndexByte(s.b[s.i:], '"')
	if n < 0 {
		return nil, false
	}
	text := s.b[s.i : s.i+n]
	for _, c := range text {
		if c < ' ' || c >= 0x7f || c == '\\' {
			return nil, false
		}
	}
	s.i += n + 1
	return text, true
}

// number reads a number by the grammar of RFC 8259, section 6.
func (s *scan) number() ([]byte, bool) {
	s.space()
	start := s.i
	if s.i < len(s.b) && s.b[s.i] == '-' {
		s.i++
	}
	first := s.i
	whole := s.digits()
	if whole == 0 || whole > 1 && s.b[first] == '0' {
		return nil, false
	}
	if s.i < len(s.b) && s.b[s.i] == '.' {
		s.i++
		if s.digits() == 0 {
			return nil, false
		}
	}
	if s.i < len(s.b) && (s.b[s.i] == 'e' || s.b[s.i] == 'E') {
		s.i++
		if s.i < len(s.b) && (s.b[s.i] == '+' || s.b[s.i] == '-') {
			s.i++
		}
		if s.digits() == 0 {
			return nil, false
		}
	}
	return s.b[start:s.i], true
}

func (s *scan) digits() int {
	start := s.i
	for s.i < len(s.b) && s.b[s.i]-'0' <= 9 {
		s.i++
	}
	return s.i - start
}

// parseTime reads an RFC 3339 time. The standard library lets more through
// than the RFC does (a comma before the fraction, offsets past 24 h), so the
// form is checked first.
func parseTime(text []byte) (time.Time, bool) {
	const form = "0000-00-00T00:00:00"
	if len(text) <= len(form) || !formed(text[:len(form)], form) {
		return time.Time{}, false
	}
	rest := text[len(form):]
	if rest[0] == '.' {
		n := 1
		for n < len(rest) && rest[n]-'0' <= 9 {
			n++
		}
		if rest = rest[n:]; n == 1 {
			return time.Time{}, false
		}
	}
	if string(rest) != "Z" && !(formed(rest, "+00:00") || formed(rest, "-00:00")) {
		return time.Time{}, false
	}
	if len(rest) > 1 && (string(rest[1:3]) > "23" || string(rest[4:6]) > "59") {
		return time.Time{}, false
	}
	var t time.Time
	err := t.UnmarshalText(text)
	return t, err == nil
}

// formed says whether text has form's signs, and digits where it has zeros.
func formed(text []byte, form string) bool {
	if len(text) != len(form) {
		return false
	}
	for i, c := range text {
		if form[i] == '0' && c-'0' > 9 || form[i] != '0' && c != form[i] {
			return false
		}
	}
	return true
}
