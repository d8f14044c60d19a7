package events

import (
	"strconv"
	"strings"
	"time"
)

// Arrival is what came in from the field and is not yet a fact: the desk
// decides whether it becomes one, is already known, or goes to quarantine.
type Arrival struct {
	Via     string    // how it came: the NATS subject, "api" or "import"
	By      string    // who sent it; "" means the rig itself
	Rig     string    // the rig that its subject or address names
	Event   string    // the event's id, "<boot>:<sequence>" where the rig can
	Time    time.Time // when it was measured
	Kind    string    // KindReading, KindDefect or KindCondition
	Payload []byte    // as it came, kept when it goes to quarantine

	Counters   []RawCounter   // of a reading
	Defect     *RawDefect     // of a defect
	Conditions []RawCondition // of a condition

	// Location is where a reading was taken, nil when nobody says or what was said
	// is no place.
	Location *Location

	// Oldest is the lowest sequence of this boot that the rig still holds; nothing
	// below it will ever come. 0 when the rig does not say.
	Oldest int64

	// Fault and Detail say why the message could not be understood; Fault is a
	// short code such as "bad-event", "" when it was understood.
	Fault, Detail string
}

// Kinds of arrival: the last token of the subject rig.<rig>.<kind>.
const (
	KindReading   = "reading"
	KindDefect    = "defect"
	KindCondition = "condition"
)

// RawCounter is a cumulative counter as sent: Unit is a UN/ECE Rec 20 code.
type RawCounter struct {
	Meter string  `json:"meter"`
	Value float64 `json:"value" must:"be"` // nought is a value, nothing is none
	Unit  string  `json:"unit"`
}

// RawDefect is a fault as a rig or its operator reports it.
type RawDefect struct {
	Part   string `json:"part,omitempty"`
	Code   string `json:"code,omitempty"`
	Text   string `json:"text"`
	Safety bool   `json:"safety"`
}

// RawCondition is a measured state as sent.
type RawCondition struct {
	Part  string  `json:"part,omitempty"`
	Code  string  `json:"code"`
	Value float64 `json:"value" must:"be"`
	Unit  string  `json:"unit,omitempty"`
}

// Ack tells a rig what is durable: every sequence of the boot up to Seq, and
// the ranges in Have above it. An event whose id has no sequence is acked by
// its ID. A rig keeps what is not acked.
type Ack struct {
	Rig  string     `json:"-"`
	Boot int64      `json:"boot"`
	Seq  int64      `json:"seq"`
	Have [][2]int64 `json:"have,omitempty"`
	IDs  []string   `json:"ids,omitempty"`
}

// ParseSequence reads an event id of the form "<boot>:<sequence>", both whole
// numbers without sign; ok is false for any other id.
func ParseSequence(id string) (boot, seq int64, ok bool) {
	b, s, found := strings.Cut(id, ":")
	if !found || len(b) > 18 || len(s) > 18 {
		return 0, 0, false
	}
	bu, err := strconv.ParseUint(b, 10, 63)
	if err != nil {
		return 0, 0, false
	}
	su, err := strconv.ParseUint(s, 10, 63)
	if err != nil {
		return 0, 0, false
	}
	return int64(bu), int64(su), true
}
