package receive

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"slices"

	"rigledger/events"
	"rigledger/fleet"
	"rigledger/fleet/meter"
)

// Via is how these readings came, as the ledger has it.
const Via = "exchange"

// Skip is something that was passed over.
type Skip struct {
	What  string `json:"what"`
	Why   string `json:"why"`
	Count int    `json:"count"`
}

// Held is a reading that went to quarantine.
type Held struct {
	Quarantine string `json:"quarantine"`
	Reason     string `json:"reason"`
	Detail     string `json:"detail"`
}

// Device is what became of one device. Taken, Known and HeldCount count readings: new
// in the ledger, in it before, and in quarantine.
type Device struct {
	Device     string  `json:"device"` // how the file calls it
	Serial     string  `json:"serial,omitempty"`
	Designator string  `json:"designator,omitempty"`
	Rig        string  `json:"rig,omitempty"` // "" when it is none of the fleet's
	Taken      int     `json:"taken"`
	Known      int     `json:"known"`
	HeldCount  int     `json:"held_count"`
	Held       []Held  `json:"held"` // the first of them
	Skipped    []Skip  `json:"skipped"`
	Totals     []Total `json:"totals"` // reports of tasks: on no meter

	arrivals []events.Arrival
}

// heldMost is how many quarantined readings of a device are listed.
const heldMost = 100

// Lot is what is to be taken: all understood, nothing written.
type Lot struct {
	Devices []*Device
	Skipped []Skip // not of one device
	noted   bool   // a device's readings are noted once all are taken
}

// Caller is for whom a lot is taken.
type Caller struct {
	Name string
	Sees func(r *fleet.Rig) bool // rigs that it may know of
}

func (d *Device) skip(what, why string) {
	for i := range d.Skipped {
		if s := &d.Skipped[i]; s.What == what && s.Why == why {
			s.Count++
			return
		}
	}
	d.Skipped = append(d.Skipped, Skip{what, why, 1})
}

// Waiting is how many readings the lot has for the desk.
func (l *Lot) Waiting() (n int) {
	for _, d := range l.Devices {
		n += len(d.arrivals)
	}
	return n
}

// Take has the desk decide every reading and fills in what became of them. An
// error may leave part of a lot taken; taking it again counts nothing twice.
func (l *Lot) Take(ctx context.Context, f *fleet.Fleet, who Caller) error {
	for _, d := range l.Devices {
		if len(d.arrivals) == 0 {
			continue
		}
		note := &fleet.NoteExchange{Taken: events.ExchangeTaken{Rig: d.Rig, Device: d.Device, Digest: digest(d.arrivals), Readings: len(d.arrivals)}}
		if d.taken(f, note.Taken.Digest) {
			d.Known = len(d.arrivals)
			continue
		}
		outcomes, _, err := f.TakeReport(ctx, d.arrivals)
		if err != nil {
			return fmt.Errorf("taking the readings of %s: %w", d.Device, err)
		}
		for _, o := range outcomes {
			switch {
			case len(o.Quarantined) > 0:
				d.HeldCount++
				for _, id := range o.Quarantined {
					if len(d.Held) < heldMost {
						d.Held = append(d.Held, Held{id, o.Reason, o.Detail})
					}
				}
			case o.Repeat:
				d.Known++
			default:
				d.Taken++
			}
		}
		// What is held may be released or corrected: it is looked at again each time.
		if l.noted && d.Taken > 0 && d.HeldCount == 0 {
			if _, err := f.Do(ctx, who.Name, note, nil); err != nil {
				return fmt.Errorf("noting the readings of %s: %w", d.Device, err)
			}
		}
	}
	return nil
}

// NotAgain takes nothing, because the same request was carried out before, and
// fills in what of it is on record.
func (l *Lot) NotAgain(f *fleet.Fleet) {
	for _, d := range l.Devices {
		switch n := len(d.arrivals); {
		case n == 0:
		case d.taken(f, digest(d.arrivals)):
			d.Known = n
		default:
			d.skip("readings", "this request was carried out before, without them; send it with another Idempotency-Key")
		}
	}
}

// taken says whether exactly these readings of the device were taken before.
func (d *Device) taken(f *fleet.Fleet, digest string) (known bool) {
	f.View(func(s *fleet.State) {
		known = s.Rigs[d.Rig] != nil && s.Rigs[d.Rig].Exchanged[digest]
	})
	return known
}

// digest is of which readings of which meters these are.
func digest(arrivals []events.Arrival) string {
	sum := sha256.New()
	for _, a := range arrivals {
		for _, c := range a.Counters {
			_, _ = fmt.Fprintf(sum, "%s\x00%s\x00", a.Event, c.Meter)
		}
	}
	return hex.EncodeToString(sum.Sum(nil))
}

// inService finds the one rig with a serial number that the caller sees.
func inService(s *fleet.State, serial string, who Caller) (*fleet.Rig, string) {
	if serial == "" {
		return nil, "it has no serial number, and none was named for it"
	}
	var found []*fleet.Rig
	for _, r := range s.Rigs {
		if r.Serial == serial && !r.Retired && who.Sees(r) {
			found = append(found, r)
		}
	}
	switch len(found) {
	case 0:
		return nil, "no rig in service has its serial number"
	case 1:
		return found[0], ""
	}
	return nil, "more than one rig has its serial number"
}

// meterFor finds the one meter of a rig for a quantity; spraying says, for
// hours, whether it runs while spraying only.
func meterFor(r *fleet.Rig, q meter.Quantity, spraying bool) (*fleet.Meter, string) {
	var found []*fleet.Meter
	for _, m := range r.Meters {
		if m.Series.Quantity == q && (q != meter.Hours || m.Spraying == spraying) {
			found = append(found, m)
		}
	}
	switch {
	case len(found) == 1:
		return found[0], ""
	case len(found) > 1:
		return nil, "the rig has more than one meter that it could be"
	case q == meter.Hours && spraying:
		return nil, "the rig has no hour meter that runs while spraying only"
	case q == meter.Hours:
		return nil, "the rig has no hour meter that runs whenever the machine does"
	}
	return nil, "the rig has no meter for " + string(q)
}

// finish orders a lot and makes its lists lists.
func (l *Lot) finish() *Lot {
	if l.Skipped == nil {
		l.Skipped = []Skip{}
	}
	for _, d := range l.Devices {
		if d.Held == nil {
			d.Held = []Held{}
		}
		if d.Skipped == nil {
			d.Skipped = []Skip{}
		}
		if d.Totals == nil {
			d.Totals = []Total{}
		}
		slices.SortStableFunc(d.arrivals, func(a, b events.Arrival) int { return a.Time.Compare(b.Time) })
	}
	return l
}
