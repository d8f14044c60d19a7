package api

import (
	"encoding/json"
	"math"
	"reflect"
	"slices"
	"strings"
	"sync"

	"rigledger/fleet"
	"rigledger/fleet/meter"
	"rigledger/fleet/plan"
)

// Orders that lists can be asked for, the usual one first. Each is a key with the
// id behind it, so that an entry whose key stays keeps its place however much is
// written meanwhile; one whose key changes may come twice or not at all.
var (
	rigSorts         = []string{"rig", "-hours", "fitness", "next_due"}
	itemSorts        = []string{"raised", "pressing", "due", "rig"}
	defectSorts      = []string{"reported", "-reported", "rig"}
	inspectionSorts  = []string{"recorded", "-recorded", "rig"}
	certificateSorts = []string{"recorded", "expires", "rig"}
	bookingSorts     = []string{"from", "rig"}
)

// latest is the key of what has none: it comes last.
const latest = math.MaxUint64

// down turns a number around: the largest comes first.
func down(n int64) uint64 { return math.MaxInt64 - uint64(max(n, 0)) }

// onDay is a date as a key.
func onDay(d plan.Date) uint64 {
	if d.IsZero() {
		return latest
	}
	return uint64(int64(1)<<40 + int64(epoch.DaysUntil(d)))
}

var epoch = plan.Date{Year: 1970, Month: 1, Day: 1}

// pressingKey is how pressing a line is as a key: overdue first, and within a status
// what has used up most of its interval. Numbers from 0 up are in the order of
// their bits (IEEE 754), of which the two lowest give way to the status.
func pressingKey(l *fleet.DueLine) uint64 {
	if l == nil {
		return latest
	}
	used := l.Due.Fraction
	if !(used > 0) { // not a number either
		used = 0
	}
	return uint64(3-l.Due.Status.Rank())<<62 | (math.MaxUint64>>2 - math.Float64bits(used)>>2)
}

// byRig is the place of something of a rig in an order by rigs.
func byRig(rig, id string) place { return place{ID: rig + "\x00" + id} }

func (c *call) rigPlace(s *fleet.State, r *fleet.Rig, order string) place {
	at := place{ID: r.Rig}
	switch order {
	case "-hours":
		at.N = latest
		if m := r.MeterOf(meter.Hours, ""); m != nil {
			total, _ := m.Series.Total()
			at.N = down(total)
		}
	case "fitness":
		at.N = uint64(slices.Index([]string{fleet.DoNotUse, fleet.FitAdvisories, fleet.Fit}, c.api.fleet.FitnessOf(s, r, c.now).State))
	case "next_due":
		at.N = latest
		if lines := c.api.fleet.DueOf(s, r, c.now); len(lines) > 0 {
			at.N = pressingKey(&lines[0])
		}
	}
	return at
}

func itemPlace(i foundItem, order string) place {
	it := i.item
	switch order {
	case "pressing":
		return place{pressingKey(i.line), it.Item}
	case "due":
		date, _ := plan.ParseDate(it.DueDate)
		if i.line != nil {
			date = i.line.Due.Date
		}
		return place{onDay(date), it.Item}
	case "rig":
		return byRig(it.Rig, it.Item)
	}
	return place{it.RaisedIn, it.Item}
}

func defectPlace(d *fleet.Defect, order string) place {
	ms := d.ReportedAt.UnixMilli()
	switch order {
	case "-reported":
		return place{down(ms), d.Defect}
	case "rig":
		return byRig(d.Rig, d.Defect)
	}
	return place{uint64(ms), d.Defect}
}

func inspectionPlace(in *fleet.Inspection, order string) place {
	switch order {
	case "-recorded":
		return place{down(int64(in.N)), in.Inspection}
	case "rig":
		return byRig(in.Rig, in.Inspection)
	}
	return place{in.N, in.Inspection}
}

func certificatePlace(z *fleet.Certificate, order string) place {
	switch order {
	case "expires":
		date, _ := plan.ParseDate(z.Expires)
		return place{onDay(date), z.Certificate}
	case "rig":
		return byRig(z.Rig, z.Certificate)
	}
	return place{z.N, z.Certificate}
}

func bookingPlace(b *fleet.Booking, order string) place {
	if order == "rig" {
		return byRig(b.Rig, b.From+" "+b.Booking)
	}
	return place{ID: b.From + " " + b.Booking}
}

// sparse is which members of a document are wanted; nil for all.
type sparse []string

// fields reads the names of the members that are wanted of documents like of;
// id always is.
func (c *call) fields(of any, id string) sparse {
	wanted := c.query.words("fields", membersOf(reflect.TypeOf(of))...)
	if wanted == nil || slices.Contains(wanted, id) {
		return wanted
	}
	return append(wanted, id)
}

var memberLists sync.Map // reflect.Type → []string

// membersOf lists the members that a document's JSON can have.
func membersOf(t reflect.Type) []string {
	if known, ok := memberLists.Load(t); ok {
		return known.([]string)
	}
	var names []string
	for i := range t.NumField() {
		f := t.Field(i)
		name, _, _ := strings.Cut(f.Tag.Get("json"), ",")
		switch {
		case f.Anonymous && name == "":
			names = append(names, membersOf(f.Type)...)
		case name != "" && name != "-":
			names = append(names, name)
		}
	}
	memberLists.Store(t, names)
	return names
}

// of gives a document, or each of a list, with the wanted members alone. A member
// that a document does not have stays away.
func (w sparse) of(doc any) (any, error) {
	if w == nil {
		return doc, nil
	}
	text, err := json.Marshal(doc)
	if err != nil {
		return nil, err
	}
	return w.cut(text)
}

func (w sparse) cut(text []byte) (any, error) {
	if len(text) > 0 && text[0] == '[' {
		var list []map[string]json.RawMessage
		if err := json.Unmarshal(text, &list); err != nil {
			return nil, err
		}
		for _, d := range list {
			w.thin(d)
		}
		return list, nil
	}
	var d map[string]json.RawMessage
	err := json.Unmarshal(text, &d)
	w.thin(d)
	return d, err
}

func (w sparse) thin(d map[string]json.RawMessage) {
	for name := range d {
		if !slices.Contains(w, name) {
			delete(d, name)
		}
	}
}
