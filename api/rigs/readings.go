package rigs

import (
	"bytes"
	"encoding/json"
	"fmt"
	"net/http"
	"strconv"
	"time"

	"rigledger/api/call"
	"rigledger/api/shape"
	"rigledger/events"
	"rigledger/fleet"
	"rigledger/fleet/plan"
)

// Bounds of what is sent at once.
const (
	readingsMost = 500
	countersMost = 32
)

// readingBody is one reading as sent.
type readingBody struct {
	ID       string              `json:"id"`
	Time     time.Time           `json:"time"`
	Counters []events.RawCounter `json:"counters"`
	Position json.RawMessage     `json:"position,omitempty"` // read as rigs' is: what is no place is left out
}

// outcomeDoc is what became of a reading.
type outcomeDoc struct {
	ID          string   `json:"id"`
	Commit      uint64   `json:"commit,omitempty"` // absent when nothing had to be written
	Repeat      bool     `json:"repeat"`
	Quarantined []string `json:"quarantined"`
	Reason      string   `json:"reason,omitempty"`
	Detail      string   `json:"detail,omitempty"`
	Position    string   `json:"position,omitempty"` // "left-out" when it was no place
}

// ackDoc is what of one boot of the rig is durable; see the message rig.<rig>.ack.
type ackDoc struct {
	Boot int64      `json:"boot"`
	Seq  int64      `json:"seq"`
	Have [][2]int64 `json:"have,omitempty"`
	IDs  []string   `json:"ids,omitempty"`
}

// PostReadings takes one reading or a list of them. Repeats change nothing, so
// sending again is always safe; an answer of 202 says that something of it
// waits in quarantine.
func (res *Resources) PostReadings(c *call.Call) error {
	if err := c.SeesRig(); err != nil {
		return err
	}
	raw, err := c.ReadBody()
	if err != nil {
		return err
	}
	list := bytes.HasPrefix(bytes.TrimLeft(raw, " \t\r\n"), []byte("["))
	var sent []readingBody
	var payloads []json.RawMessage
	if list {
		if err := c.Body(&sent); err != nil {
			return err
		}
		if err := json.Unmarshal(raw, &payloads); err != nil {
			return err
		}
	} else {
		var one readingBody
		if err := c.Body(&one); err != nil {
			return err
		}
		sent, payloads = []readingBody{one}, []json.RawMessage{raw}
	}
	arrivals, err := arrivals(c, sent, payloads, list)
	if err != nil {
		return err
	}
	first, release, err := c.FirstStatus()
	if err != nil {
		return err
	}
	defer release()
	outcomes, acks, err := c.Fleet.TakeReport(c.Context(), arrivals)
	if err != nil {
		return err
	}
	status := http.StatusOK
	docs := make([]outcomeDoc, len(outcomes))
	for i, o := range outcomes {
		docs[i] = outcomeDoc{ID: sent[i].ID, Commit: o.Commit, Repeat: o.Repeat, Quarantined: shape.List(o.Quarantined), Reason: o.Reason, Detail: o.Detail}
		if p := string(sent[i].Position); p != "" && p != "null" && arrivals[i].Location == nil {
			docs[i].Position = "left-out"
		}
		if len(o.Quarantined) > 0 {
			status = http.StatusAccepted
		}
	}
	if first != 0 {
		c.SetHeader("Idempotency-Replayed", "true")
		status = first
	} else if err := c.RememberStatus(status); err != nil {
		return err
	}
	c.SetCommit(c.Fleet.Head().N)
	acked := make([]ackDoc, 0, len(acks))
	for _, a := range acks {
		acked = append(acked, ackDoc{a.Boot, a.Seq, a.Have, a.IDs})
	}
	if list {
		return c.Answer(status, map[string]any{"outcomes": docs, "acks": acked})
	}
	return c.Answer(status, struct {
		outcomeDoc
		Acks []ackDoc `json:"acks"`
	}{docs[0], acked})
}

// arrivals checks what was sent and makes arrivals of it.
func arrivals(c *call.Call, sent []readingBody, payloads []json.RawMessage, list bool) ([]events.Arrival, error) {
	var bad []call.FieldProblem
	fail := func(at, format string, args ...any) {
		if len(bad) < call.BadMost {
			bad = append(bad, call.FieldProblem{Pointer: at, Detail: fmt.Sprintf(format, args...)})
		}
	}
	if list && (len(sent) == 0 || len(sent) > readingsMost) {
		return nil, &call.Problem{Kind: call.Invalid, Detail: "a list has 1 to " + strconv.Itoa(readingsMost) + " readings"}
	}
	by := c.Who.Name
	if c.Who.Role == fleet.RoleRig {
		by = "" // the rig itself
	}
	arrivals := make([]events.Arrival, 0, len(sent))
	for i := range sent {
		at := ""
		if list {
			at = "/" + strconv.Itoa(i)
		}
		checkReading(&sent[i], at, fail)
		arrivals = append(arrivals, events.Arrival{
			Via: "api", By: by, Rig: c.Param("rig"), Event: sent[i].ID, Time: sent[i].Time, Kind: events.KindReading,
			Payload: payloads[i], Counters: sent[i].Counters, Location: events.ParseLocation(sent[i].Position),
		})
	}
	if len(bad) > 0 {
		return nil, &call.Problem{Kind: call.Invalid, Detail: "the reading does not hold together", Fields: bad}
	}
	return arrivals, nil
}

// units of counters, UN/ECE Recommendation 20; which goes with which
// meter, the desk knows.
var units = map[string]bool{
	"HUR": true, "MIN": true, "SEC": true, "H18": true, "HAR": true, "MTK": true,
	"LTR": true, "MLT": true, "MTQ": true, "KMT": true, "MTR": true, "C62": true,
}

func checkReading(r *readingBody, at string, fail func(at, format string, args ...any)) {
	if !plainText(r.ID, 128) {
		fail(at+"/id", "must be 1 to 128 visible characters, unique for the rig")
	}
	switch {
	case r.Time.IsZero():
		fail(at+"/time", "is missing")
	case r.Time.Year() < 1950 || r.Time.Year() > 2200:
		fail(at+"/time", "must lie between the years 1950 and 2200")
	}
	if len(r.Counters) == 0 || len(r.Counters) > countersMost {
		fail(at+"/counters", "must list 1 to %d counters", countersMost)
		return
	}
	seen := map[string]bool{}
	for i, k := range r.Counters {
		here := at + "/counters/" + strconv.Itoa(i)
		switch {
		case !fleet.ValidCode(k.Meter):
			fail(here+"/meter", "must be 1 to 64 of the characters A-Z a-z 0-9 _ -")
		case seen[k.Meter]:
			fail(here+"/meter", "is listed twice")
		}
		seen[k.Meter] = true
		if k.Value < 0 {
			fail(here+"/value", "must not be negative")
		}
		if !units[k.Unit] {
			fail(here+"/unit", "must be one of HUR MIN SEC H18 HAR MTK LTR MLT MTQ KMT MTR C62")
		}
	}
}

func plainText(s string, most int) bool {
	if len(s) == 0 || len(s) > most {
		return false
	}
	for _, r := range s {
		if r <= ' ' || r == 0x7f || r == 0xfffd {
			return false
		}
	}
	return true
}

// readingDoc is one kept reading.
type readingDoc struct {
	Meter   string       `json:"meter"`
	Time    time.Time    `json:"time"`
	Counter plan.Amounts `json:"counter"`
	Total   plan.Amounts `json:"total"`
	Swaps   int          `json:"swaps"` // how many counters the meter had before this one
}

// GetReadings answers GET /v1/rigs/{rig}/readings.
func (res *Resources) GetReadings(c *call.Call) error {
	p := c.Pages("readings")
	meters := c.Query.Words("meter")
	var docs []readingDoc
	var next string
	err := c.View(func(s *fleet.State) error {
		r, err := c.Rig(s)
		if err != nil {
			return err
		}
		from, to := int64(0), int64(1)<<53
		if t, given := c.Query.Instant("from", s.Zone()); given {
			from = t.UnixMilli()
		}
		if t, given := c.Query.Instant("to", s.Zone()); given {
			to = t.UnixMilli() - 1
		}
		if err := c.Query.Err(); err != nil {
			return err
		}
		if p.After != nil {
			from = max(from, int64(p.After.N)) // readings before 1970 are not paged over
		}
		var found []call.Placed[readingDoc]
		for _, m := range r.Meters {
			if !call.Wants(meters, m.Meter) {
				continue
			}
			q := m.Series.Quantity
			of := 0
			for _, k := range m.Series.Points(from, to) {
				at := call.Place{N: uint64(max(k.At, 0)), ID: m.Meter + " " + fmt.Sprintf("%06d", k.Epoch)}
				if !p.Wants(at) {
					continue
				}
				found = append(found, call.Placed[readingDoc]{At: at, Of: readingDoc{
					m.Meter, time.UnixMilli(k.At).UTC(), shape.Amount(q, k.Value), shape.Amount(q, k.Total), k.Epoch,
				}})
				if of++; of > p.Limit {
					break // this meter alone fills the page
				}
			}
		}
		found, next = call.Cut(&p, found)
		docs = make([]readingDoc, 0, len(found))
		for _, f := range found {
			docs = append(docs, f.Of)
		}
		return nil
	})
	if err != nil {
		return err
	}
	return c.List("readings", docs, next, nil)
}
