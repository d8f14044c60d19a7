package intake

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strings"
	"sync"
	"time"

	"github.com/go-json-experiment/json/jsontext"

	"rigledger/events"
)

// MaxEvents is how many events one message may carry.
const MaxEvents = 500

// Codes of an arrival that could not be understood.
const (
	FaultJSON        = "bad-json"     // not JSON, not UTF-8, or a name twice in one object
	FaultEvent       = "bad-event"    // not a CloudEvents 1.0 event
	FaultTime        = "bad-time"     // no time, or not RFC 3339
	FaultData        = "bad-data"     // the event is one, its data is not
	FaultTooMany     = "too-many"     // more than MaxEvents in one message
	FaultWrongRig    = "wrong-rig"    // the source is another rig than the subject
	FaultUnknownType = "unknown-type" // the type does not belong to the subject
)

// Decode reads one message: a CloudEvents 1.0 structured JSON event or an
// array of them. It never fails: what cannot be understood is an arrival with
// a Fault, whose Detail begins with the JSON pointer of the member at fault
// within Payload. Its Event and Time are filled in where they could be read;
// Time is otherwise the time received. An empty array gives no arrivals.
func Decode(subject string, payload []byte, received time.Time) []events.Arrival {
	blank := events.Arrival{Via: subject, Time: events.Milli(received), Payload: payload}
	var ok bool
	if blank.Rig, blank.Kind, ok = parseSubject(subject); !ok {
		return refuse(blank, FaultUnknownType, fmt.Sprintf("nothing is taken on subject %q", subject))
	}
	d := decoders.Get().(*decoder)
	defer decoders.Put(d)
	if blank.Kind == events.KindReading {
		if found, ok := d.fast(&blank, payload); ok {
			return found
		}
	}
	return d.careful(blank, payload)
}

// careful reads any message.
func (d *decoder) careful(blank events.Arrival, payload []byte) []events.Arrival {
	found, err := d.message(&blank, payload)
	if err != nil {
		return salvage(d, blank, payload, err)
	}
	return found
}

func refuse(a events.Arrival, code, detail string) []events.Arrival {
	a.Fault, a.Detail = code, detail
	return []events.Arrival{a}
}

// decoder reads one message after another; it keeps what is worth keeping.
type decoder struct {
	json  jsontext.Decoder
	input bytes.Buffer
	one   jsontext.Decoder // for data_base64
	inner bytes.Buffer
	words map[string]string // meter names and unit codes met so far
	list  []events.RawCounter
	data  fault // what is wrong with the data of the event in hand
	batch bool  // whether the event in hand is one of an array
}

type fault struct{ code, detail string }

var decoders = sync.Pool{New: func() any { return &decoder{words: map[string]string{}} }}

// message reads the whole of payload; its error is one of syntax.
func (d *decoder) message(blank *events.Arrival, payload []byte) ([]events.Arrival, error) {
	d.input = *bytes.NewBuffer(payload)
	d.json.Reset(&d.input)
	var found []events.Arrival
	switch d.json.PeekKind() {
	case '[':
		d.batch = true
		if _, err := d.json.ReadToken(); err != nil {
			return nil, err
		}
		found = make([]events.Arrival, 0, min(MaxEvents, 1+len(payload)/180))
		for d.json.PeekKind() != ']' {
			if len(found) == MaxEvents {
				return d.tooMany(blank)
			}
			found = append(found, *blank)
			if err := d.event(&found[len(found)-1], payload); err != nil {
				return nil, err
			}
		}
		if _, err := d.json.ReadToken(); err != nil {
			return nil, err
		}
	default:
		d.batch = false
		found = append(found, *blank)
		if err := d.event(&found[0], payload); err != nil {
			return nil, err
		}
	}
	return found, d.end()
}

// end checks that nothing follows.
func (d *decoder) end() error {
	_, err := d.json.ReadToken()
	switch {
	case err == io.EOF:
		return nil
	case err != nil:
		return err
	}
	return errors.New("something follows the first value")
}

func (d *decoder) tooMany(blank *events.Arrival) ([]events.Arrival, error) {
	for d.json.PeekKind() != ']' {
		if err := d.json.SkipValue(); err != nil {
			return nil, err
		}
	}
	if _, err := d.json.ReadToken(); err != nil {
		return nil, err
	}
	if err := d.end(); err != nil {
		return nil, err
	}
	return refuse(*blank, FaultTooMany, fmt.Sprintf("/%d: a message carries at most %d events", MaxEvents, MaxEvents)), nil
}

// salvage handles a message that the strict reader refused. When it is JSON
// all the same (a name twice in one object, a broken character), the events of
// an array are judged one by one, so that one bad event does not take the others with it.
func salvage(d *decoder, blank events.Arrival, payload []byte, err error) []events.Arrival {
	why := "not JSON: " + syntaxText(err)
	if !json.Valid(payload) {
		return refuse(blank, FaultJSON, why)
	}
	var members []json.RawMessage
	if json.Unmarshal(payload, &members) != nil {
		return refuse(glimpse(blank), FaultJSON, why)
	}
	if len(members) > MaxEvents {
		return refuse(blank, FaultTooMany, fmt.Sprintf("/%d: a message carries at most %d events", MaxEvents, MaxEvents))
	}
	var found []events.Arrival
	for _, m := range members {
		one := blank
		one.Payload = m
		if got, err := d.message(&one, m); err != nil {
			found = append(found, refuse(glimpse(one), FaultJSON, "not JSON: "+syntaxText(err))...)
		} else if bytes.HasPrefix(m, []byte("[")) {
			found = append(found, refuse(one, FaultEvent, "an event is a JSON object")...)
		} else {
			found = append(found, got...)
		}
	}
	return found
}

// glimpse reads id and time of an event that will be refused, so that the rig
// can be told that it is kept.
func glimpse(a events.Arrival) events.Arrival {
	var e struct {
		ID   string `json:"id"`
		Time string `json:"time"`
	}
	json.Unmarshal(a.Payload, &e) // what cannot be read stays empty
	if validID(e.ID) == "" {
		a.Event = e.ID
	}
	if t, ok := parseTime([]byte(e.Time)); ok {
		a.Time = events.Milli(t)
	}
	return a
}

// syntaxText gives the reader's complaint without its own prefix.
func syntaxText(err error) string {
	if errors.Is(err, io.ErrUnexpectedEOF) || err == io.EOF {
		return "it ends too early"
	}
	var s *jsontext.SyntacticError
	if errors.As(err, &s) && s.Err != nil {
		at := string(s.JSONPointer)
		if at == "" {
			return fmt.Sprintf("%v at byte %d", s.Err, s.ByteOffset)
		}
		return fmt.Sprintf("%v at byte %d, at %s", s.Err, s.ByteOffset, at)
	}
	return strings.TrimPrefix(err.Error(), "jsontext: ")
}

// word gives raw as a string, the same one each time for a word met before.
func (d *decoder) word(raw []byte) string {
	if w, ok := d.words[string(raw)]; ok {
		return w
	}
	w := string(raw)
	if len(d.words) < 1024 && len(w) <= 64 {
		d.words[w] = w
	}
	return w
}
