package intake

import (
	"fmt"
	"math"
	"strconv"

	"github.com/go-json-experiment/json/jsontext"

	"rigledger/events"
)

// Bounds of an event's data.
const (
	maxCounters = 32   // counters or conditions of one event
	maxWord     = 128  // bytes of a meter, part, code or unit
	maxText     = 4096 // bytes of a defect's text
)

// wrong notes what is wrong with the data; the first stays.
func (d *decoder) wrong(pointer, what string) {
	if d.data.code == "" {
		d.data = fault{FaultData, place(pointer, what)}
	}
}

// body reads the data of an event of the subject's kind from j. at is the
// pointer of the data when j reads nothing else, "" when j reads the message.
func (d *decoder) body(a *events.Arrival, j *jsontext.Decoder, at string) error {
	r := dataReader{d: d, j: j, at: at}
	if j.PeekKind() != '{' {
		if err := j.SkipValue(); err != nil {
			return err
		}
		r.wrong("must be an object")
		return nil
	}
	var err error
	switch a.Kind {
	case events.KindReading:
		err = r.reading(a)
	case events.KindDefect:
		err = r.defect(a)
	default:
		err = r.condition(a)
	}
	return err
}

// dataReader reads the data of one event.
type dataReader struct {
	d  *decoder
	j  *jsontext.Decoder
	at string
}

func (r dataReader) pointer() string {
	if r.at != "" {
		return r.at + string(r.j.StackPointer())
	}
	return r.d.pointer()
}

// wrong is about the value just read.
func (r dataReader) wrong(what string) {
	if r.d.data.code == "" {
		r.d.wrong(r.pointer(), what)
	}
}

// missing is about a member of the object just read.
func (r dataReader) missing(member string) {
	if r.d.data.code == "" {
		r.d.wrong(r.pointer()+"/"+member, "is missing")
	}
}

// members calls read for each member of the object that comes next, which
// reads its value and says whether it knew it.
func (r dataReader) members(read func(name []byte) (known bool, err error)) error {
	if _, err := r.j.ReadToken(); err != nil {
		return err
	}
	for r.j.PeekKind() != '}' {
		raw, err := r.j.ReadValue()
		if err != nil {
			return err
		}
		name, err := unquote(raw)
		if err != nil {
			return err
		}
		known, err := read(name)
		if err != nil {
			return err
		}
		if !known {
			if err := r.j.SkipValue(); err != nil {
				return err
			}
		}
	}
	_, err := r.j.ReadToken()
	return err
}

// each calls read for each object of the array that comes next, at most
// maxCounters of them.
func (r dataReader) each(read func() error) (n int, err error) {
	if r.j.PeekKind() != '[' {
		if err := r.j.SkipValue(); err != nil {
			return 0, err
		}
		r.wrong("must be an array")
		return 0, nil
	}
	if _, err := r.j.ReadToken(); err != nil {
		return 0, err
	}
	for ; r.j.PeekKind() != ']'; n++ {
		if n >= maxCounters || r.j.PeekKind() != '{' {
			what := "must be an object"
			if n >= maxCounters {
				what = fmt.Sprintf("more than %d", maxCounters)
			}
			if err := r.j.SkipValue(); err != nil {
				return n, err
			}
			r.wrong(what)
			continue
		}
		if err := read(); err != nil {
			return n, err
		}
	}
	if _, err = r.j.ReadToken(); err == nil && n == 0 {
		r.wrong("must not be empty")
	}
	return n, err
}

func (r dataReader) reading(a *events.Arrival) error {
	d, has := r.d, false
	err := r.members(func(name []byte) (bool, error) {
		switch string(name) {
		case "counters":
			has = true
			d.list = d.list[:0]
			_, err := r.each(r.counter)
			a.Counters = append([]events.RawCounter(nil), d.list...)
			return true, err
		case "oldest":
			kind := r.j.PeekKind()
			raw, err := r.j.ReadValue()
			if err != nil || kind == 'n' {
				return true, err
			}
			n, err := strconv.ParseInt(string(raw), 10, 64)
			if err != nil || n < 0 {
				r.wrong("must be a whole number, 0 or more")
			}
			a.Oldest = n
			return true, nil
		case "position": // a place is never worth a counter: what is none is left out
			raw, err := r.j.ReadValue()
			if err == nil {
				a.Location = events.ParseLocation(raw)
			}
			return true, err
		}
		return false, nil
	})
	if err == nil && !has {
		r.missing("counters")
	}
	return err
}

// counter reads one counter and appends it to d.list.
func (r dataReader) counter() error {
	d, j := r.d, r.j
	var c events.RawCounter
	var meter, value, unit bool
	if _, err := j.ReadToken(); err != nil {
		return err
	}
	for j.PeekKind() != '}' {
		raw, err := j.ReadValue()
		if err != nil {
			return err
		}
		name, err := unquote(raw)
		if err != nil {
			return err
		}
		switch string(name) {
		case "meter":
			if c.Meter, meter, err = r.text(maxWord, true); err == nil && meter {
				for i := range d.list {
					if d.list[i].Meter == c.Meter {
						r.wrong(fmt.Sprintf("meter %q stands twice in one reading", c.Meter))
					}
				}
			}
		case "value":
			c.Value, value, err = r.number()
		case "unit":
			c.Unit, unit, err = r.text(maxWord, true)
		default:
			err = j.SkipValue()
		}
		if err != nil {
			return err
		}
	}
	if _, err := j.ReadToken(); err != nil {
		return err
	}
	switch {
	case !meter:
		r.missing("meter")
	case !value:
		r.missing("value")
	case !unit:
		r.missing("unit")
	}
	d.list = append(d.list, c)
	return nil
}

// defect needs a text or a code: a rig knows its fault codes, an operator has
// words. One that says nothing about safety is not taken for a safety defect.
func (r dataReader) defect(a *events.Arrival) error {
	a.Defect = &events.RawDefect{}
	err := r.members(func(name []byte) (bool, error) {
		var err error
		switch string(name) {
		case "part":
			a.Defect.Part, _, err = r.text(maxWord, false)
		case "code":
			a.Defect.Code, _, err = r.text(maxWord, false)
		case "text":
			a.Defect.Text, _, err = r.text(maxText, false)
		case "safety":
			kind := r.j.PeekKind()
			err = r.j.SkipValue()
			if a.Defect.Safety = kind == 't'; err == nil && kind != 't' && kind != 'f' {
				r.wrong("must be true or false")
			}
		default:
			return false, nil
		}
		return true, err
	})
	if err == nil && a.Defect.Text == "" && a.Defect.Code == "" {
		r.missing("text")
	}
	return err
}

func (r dataReader) condition(a *events.Arrival) error {
	has := false
	err := r.members(func(name []byte) (bool, error) {
		if string(name) != "conditions" {
			return false, nil
		}
		has = true
		_, err := r.each(func() error {
			var c events.RawCondition
			var code, value bool
			err := r.members(func(name []byte) (bool, error) {
				var err error
				switch string(name) {
				case "part":
					c.Part, _, err = r.text(maxWord, false)
				case "code":
					c.Code, code, err = r.text(maxWord, true)
				case "value":
					c.Value, value, err = r.number()
				case "unit":
					c.Unit, _, err = r.text(maxWord, false)
				default:
					return false, nil
				}
				return true, err
			})
			if err != nil {
				return err
			}
			if !code {
				r.missing("code")
			} else if !value {
				r.missing("value")
			}
			a.Conditions = append(a.Conditions, c)
			return nil
		})
		return true, err
	})
	if err == nil && !has {
		r.missing("conditions")
	}
	return err
}

// text reads a string of at most limit bytes; ok is false when it was null or
// of another kind.
func (r dataReader) text(limit int, needed bool) (text string, ok bool, err error) {
	kind := r.j.PeekKind()
	raw, err := r.j.ReadValue()
	if err != nil || kind == 'n' {
		return "", false, err
	}
	if kind != '"' {
		r.wrong("must be a string")
		return "", false, nil
	}
	plain, err := unquote(raw)
	if err != nil {
		return "", false, err
	}
	switch {
	case len(plain) > limit:
		r.wrong(fmt.Sprintf("is longer than %d bytes", limit))
	case needed && blank(plain):
		r.wrong("must not be empty")
	case limit == maxWord:
		return r.d.word(plain), true, nil
	default:
		return string(plain), true, nil
	}
	return "", true, nil
}

// number reads a finite number.
func (r dataReader) number() (value float64, ok bool, err error) {
	kind := r.j.PeekKind()
	raw, err := r.j.ReadValue()
	if err != nil || kind == 'n' {
		return 0, false, err
	}
	if kind != '0' {
		r.wrong("must be a number")
		return 0, true, nil
	}
	value, err = strconv.ParseFloat(string(raw), 64)
	if err != nil || math.IsInf(value, 0) {
		r.wrong("is too large for a number")
		return 0, true, nil
	}
	return value, true, nil
}
