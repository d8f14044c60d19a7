package events

import (
	"errors"

	"go.mongodb.org/mongo-driver/v2/x/bsonx/bsoncore"
)

// MeterAdded gives a rig a meter. Value is the counter's reading when it came
// under the ledger; the entry's time is when it read so, unless Untimed says
// that nobody knows. RollAt is where a counter with known digits starts again
// from zero, 0 when unknown.
type MeterAdded struct {
	Rig      string `bson:"rig" json:"rig"`
	Meter    string `bson:"meter" json:"meter"`
	Quantity string `bson:"q" json:"quantity"`
	Value    int64  `bson:"v" json:"value"`
	Untimed  bool   `bson:"untimed,omitempty" json:"untimed,omitempty"`
	RollAt   int64  `bson:"roll,omitempty" json:"roll_at,omitempty"`
	Spraying bool   `bson:"spraying,omitempty" json:"spraying,omitempty"` // it runs only while spraying
}

// Counter is one counter's value in base units.
type Counter struct {
	Meter string `bson:"m" json:"meter"`
	Value int64  `bson:"v" json:"value"`
}

// MeterRead is one reading of a rig's counters at the entry's time. Event is
// the id under which the rig (or a person's software) sent it.
type MeterRead struct {
	Rig      string    `bson:"rig" json:"rig"`
	Event    string    `bson:"ev" json:"event"`
	Counters []Counter `bson:"c" json:"counters"`
	Oldest   int64     `bson:"old,omitempty" json:"oldest,omitempty"` // see Arrival.Oldest
	Location *Location `bson:"loc,omitempty" json:"location,omitempty"`
}

// MeterSwapped starts a new counter on the same meter at the entry's time: the
// old one ended at Last (nil: at its last known value), the new one began with
// Start. Rolled says that rigledger concluded it from a counter running over.
type MeterSwapped struct {
	Rig    string `bson:"rig" json:"rig"`
	Meter  string `bson:"meter" json:"meter"`
	Last   *int64 `bson:"last,omitempty" json:"last,omitempty"`
	Start  int64  `bson:"start" json:"start"`
	Rolled bool   `bson:"rolled,omitempty" json:"rolled,omitempty"`
	Reason string `bson:"reason,omitempty" json:"reason,omitempty"`
}

// MeterUnswapped takes back the swap of a meter at the entry's time: the old
// counter went on running.
type MeterUnswapped struct {
	Rig    string `bson:"rig" json:"rig"`
	Meter  string `bson:"meter" json:"meter"`
	Reason string `bson:"reason" json:"reason"`
}

// ReadingVoided takes back the reading of a meter at the entry's time.
type ReadingVoided struct {
	Rig    string `bson:"rig" json:"rig"`
	Meter  string `bson:"meter" json:"meter"`
	Reason string `bson:"reason" json:"reason"`
}

// ReadingQuarantined keeps what could not be applied: the whole message when
// it could not be understood, else the counters that did not fit. The entry's
// time is the reading's own where it has one.
type ReadingQuarantined struct {
	Quarantine string        `bson:"id" json:"quarantine"`
	Rig        string        `bson:"rig,omitempty" json:"rig,omitempty"`
	Event      string        `bson:"ev,omitempty" json:"event,omitempty"`
	Arrived    string        `bson:"via" json:"via"` // the subject, or "api", "import"
	Reason     string        `bson:"reason" json:"reason"`
	Detail     string        `bson:"detail" json:"detail"`
	Counters   []HeldCounter `bson:"c,omitempty" json:"counters,omitempty"`
	Payload    []byte        `bson:"raw,omitempty" json:"payload,omitempty"`
	Location   *Location     `bson:"loc,omitempty" json:"location,omitempty"` // goes with the reading when it is released
}

// HeldCounter is a counter that was not applied, as it was sent: its meter may
// be unknown and its unit not that of the meter, so there are no base units yet.
type HeldCounter struct {
	Meter string  `bson:"m" json:"meter"`
	Value float64 `bson:"v" json:"value"`
	Unit  string  `bson:"u" json:"unit"`
}

// ReadingReleased ends a quarantine by applying the reading. How is "as_is",
// "swap" or "corrected"; the readings and swaps that result follow as facts of
// their own in the same commit.
type ReadingReleased struct {
	Quarantine string `bson:"id" json:"quarantine"`
	Rig        string `bson:"rig" json:"rig"`
	How        string `bson:"how" json:"how"`
	Reason     string `bson:"reason" json:"reason"`
}

// ReadingDismissed ends a quarantine without applying anything.
type ReadingDismissed struct {
	Quarantine string `bson:"id" json:"quarantine"`
	Rig        string `bson:"rig,omitempty" json:"rig,omitempty"`
	Reason     string `bson:"reason" json:"reason"`
}

// ReadingReopened takes a dismissal back: the reading waits in quarantine again.
type ReadingReopened struct {
	Quarantine string `bson:"id" json:"quarantine"`
	Rig        string `bson:"rig,omitempty" json:"rig,omitempty"`
	Reason     string `bson:"reason" json:"reason"`
}

// ConditionMeasured is a measured state of a rig or part (a pressure drop, a
// look at the oil) that a plan may act on.
type ConditionMeasured struct {
	Rig   string  `bson:"rig" json:"rig"`
	Event string  `bson:"ev,omitempty" json:"event,omitempty"`
	Part  string  `bson:"part,omitempty" json:"part,omitempty"`
	Code  string  `bson:"code" json:"code"`
	Value float64 `bson:"v" json:"value"`
	Unit  string  `bson:"unit,omitempty" json:"unit,omitempty"`
}

func (*MeterAdded) Kind() string         { return "meter.added" }
func (*MeterRead) Kind() string          { return "meter.read" }
func (*MeterSwapped) Kind() string       { return "meter.swapped" }
func (*MeterUnswapped) Kind() string     { return "meter.unswapped" }
func (*ReadingVoided) Kind() string      { return "reading.voided" }
func (*ReadingQuarantined) Kind() string { return "reading.quarantined" }
func (*ReadingReleased) Kind() string    { return "reading.released" }
func (*ReadingDismissed) Kind() string   { return "reading.dismissed" }
func (*ReadingReopened) Kind() string    { return "reading.reopened" }
func (*ConditionMeasured) Kind() string  { return "condition.measured" }

func (f *MeterAdded) Subject() string         { return f.Rig }
func (f *MeterRead) Subject() string          { return f.Rig }
func (f *MeterSwapped) Subject() string       { return f.Rig }
func (f *MeterUnswapped) Subject() string     { return f.Rig }
func (f *ReadingVoided) Subject() string      { return f.Rig }
func (f *ReadingQuarantined) Subject() string { return f.Rig }
func (f *ReadingReleased) Subject() string    { return f.Rig }
func (f *ReadingDismissed) Subject() string   { return f.Rig }
func (f *ReadingReopened) Subject() string    { return f.Rig }
func (f *ConditionMeasured) Subject() string  { return f.Rig }

// appendTo writes the reading as the element "f". Readings are most of any
// ledger, so they pass without reflection, in the bytes reflection would give.
func (f *MeterRead) appendTo(dst []byte) []byte {
	doc, dst := bsoncore.AppendDocumentElementStart(dst, "f")
	dst = bsoncore.AppendStringElement(dst, "rig", f.Rig)
	dst = bsoncore.AppendStringElement(dst, "ev", f.Event)
	arr, dst := bsoncore.AppendArrayElementStart(dst, "c")
	for i := range f.Counters {
		var key [4]byte
		var el int32
		el, dst = bsoncore.AppendDocumentElementStart(dst, string(appendInt(key[:0], i)))
		dst = bsoncore.AppendStringElement(dst, "m", f.Counters[i].Meter)
		dst = bsoncore.AppendInt64Element(dst, "v", f.Counters[i].Value)
		dst, _ = bsoncore.AppendDocumentEnd(dst, el)
	}
	dst, _ = bsoncore.AppendArrayEnd(dst, arr)
	if f.Oldest != 0 {
		dst = bsoncore.AppendInt64Element(dst, "old", f.Oldest)
	}
	if f.Location != nil {
		var loc int32
		loc, dst = bsoncore.AppendDocumentElementStart(dst, "loc")
		dst = bsoncore.AppendInt64Element(dst, "lat", f.Location.Latitude)
		dst = bsoncore.AppendInt64Element(dst, "lon", f.Location.Longitude)
		dst, _ = bsoncore.AppendDocumentEnd(dst, loc)
	}
	dst, _ = bsoncore.AppendDocumentEnd(dst, doc)
	return dst
}

var errReading = errors.New("unreadable reading")

func (f *MeterRead) decode(doc []byte) error {
	rest, err := documentBody(doc)
	if err != nil {
		return err
	}
	for len(rest) > 0 {
		el, tail, ok := bsoncore.ReadElement(rest)
		if !ok {
			return errReading
		}
		rest = tail
		v, err := el.ValueErr()
		if err != nil {
			return err
		}
		switch el.Key() {
		case "rig":
			f.Rig, ok = v.StringValueOK()
		case "ev":
			f.Event, ok = v.StringValueOK()
		case "c":
			var arr []byte
			if arr, ok = v.ArrayOK(); ok {
				f.Counters, err = decodeCounters(arr)
			}
		case "old":
			f.Oldest, ok = v.Int64OK()
		case "loc":
			var doc []byte
			if doc, ok = v.DocumentOK(); ok {
				f.Location = new(Location)
				err = f.Location.decode(doc)
			}
		}
		if !ok || err != nil {
			return errReading
		}
	}
	return nil
}

func decodeCounters(arr []byte) ([]Counter, error) {
	rest, err := documentBody(arr)
	if err != nil {
		return nil, err
	}
	counters := make([]Counter, 0, 2)
	for len(rest) > 0 {
		el, tail, ok := bsoncore.ReadElement(rest)
		if !ok {
			return nil, errReading
		}
		rest = tail
		doc, ok := el.Value().DocumentOK()
		if !ok {
			return nil, errReading
		}
		body, err := documentBody(doc)
		if err != nil {
			return nil, err
		}
		var c Counter
		for len(body) > 0 {
			field, tail, ok := bsoncore.ReadElement(body)
			if !ok {
				return nil, errReading
			}
			body = tail
			v, err := field.ValueErr()
			if err != nil {
				return nil, err
			}
			switch field.Key() {
			case "m":
				c.Meter, ok = v.StringValueOK()
			case "v":
				c.Value, ok = v.Int64OK()
			}
			if !ok {
				return nil, errReading
			}
		}
		counters = append(counters, c)
	}
	return counters, nil
}
