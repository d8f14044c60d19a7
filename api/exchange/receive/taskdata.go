package receive

import (
	"encoding/json"
	"fmt"
	"strings"
	"time"

	"rigledger/api/exchange/taskdata"
	"rigledger/events"
	"rigledger/fleet"
	"rigledger/fleet/meter"
)

// Total is what a device counted over a task. It replaces what an earlier file
// said of the same task; it is on no meter.
type Total struct {
	Task     string    `json:"task"`
	Field    string    `json:"field,omitempty"`
	Measure  string    `json:"measure"`
	Value    int64     `json:"value"`
	Unit     string    `json:"unit"` // UN/ECE Recommendation 20
	At       time.Time `json:"at"`
	Suspect  string    `json:"suspect,omitempty"`
	Notes    []string  `json:"notes,omitempty"`
	TaskFrom time.Time `json:"task_from,omitzero"`
}

// meters is which meter a measure is, and whether that runs while spraying only.
var meters = map[taskdata.Measure]struct {
	quantity meter.Quantity
	spraying bool
}{
	taskdata.WorkingTime:   {meter.Hours, false},
	taskdata.EffectiveTime: {meter.Hours, true},
	taskdata.Area:          {meter.Area, false},
	taskdata.AppliedVolume: {meter.Volume, false},
}

// Rigs names rigs for devices, by serial number or NAME.
type Rigs map[string]string

// ParseRigs reads "serial:rig" pairs.
func ParseRigs(pairs []string) (Rigs, error) {
	rigs := Rigs{}
	for _, p := range pairs {
		at := strings.LastIndexByte(p, ':')
		if at < 1 || !fleet.ValidCode(p[at+1:]) {
			return nil, fmt.Errorf("%q is not <serial number or NAME>:<rig>", p)
		}
		if _, twice := rigs[p[:at]]; twice {
			return nil, fmt.Errorf("%q is named twice", p[:at])
		}
		rigs[p[:at]] = p[at+1:]
	}
	return rigs, nil
}

// Of finds the rig of a device, or says why there is none.
func (named Rigs) Of(s *fleet.State, key taskdata.Key, who Caller) (*fleet.Rig, string) {
	for _, k := range []string{key.Serial, key.Name} {
		code, ok := named[k]
		if !ok || k == "" {
			continue
		}
		r := s.Rigs[code]
		switch {
		case r == nil || !who.Sees(r):
			return nil, fmt.Sprintf("there is no rig %q", code)
		case r.Retired:
			return nil, fmt.Sprintf("rig %q is retired", code)
		}
		return r, ""
	}
	return inService(s, key.Serial, who)
}

// TaskData understands a set of task data against the fleet as it stands.
func TaskData(s *fleet.State, report *taskdata.Report, named Rigs, who Caller) *Lot {
	lot := &Lot{noted: true}
	for _, k := range report.Skipped {
		lot.Skipped = append(lot.Skipped, Skip{k.Where, k.Why, k.Count})
	}
	for _, dev := range report.Devices {
		d := &Device{Device: dev.Name, Serial: dev.Serial, Designator: dev.Designator}
		lot.Devices = append(lot.Devices, d)
		for _, t := range dev.Totals {
			name := t.Task.Designator
			if name == "" {
				name = t.Task.ID
			}
			d.Totals = append(d.Totals, Total{
				Task: name, Field: t.Task.Field, Measure: string(t.Measure), Value: t.Base, Unit: t.Quantity.Unit(), At: t.At, Suspect: t.Suspect,
				Notes: t.Notes, TaskFrom: t.Task.From,
			})
		}
		r, why := named.Of(s, dev.Key, who)
		if r == nil {
			d.skip("device", why)
			continue
		}
		d.Rig = r.Rig
		for i := range dev.Readings {
			d.reading(r, dev.Key, &dev.Readings[i], who)
		}
	}
	return lot.finish()
}

func (d *Device) reading(r *fleet.Rig, key taskdata.Key, read *taskdata.Reading, who Caller) {
	what := "lifetime " + string(read.Measure)
	goes, ok := meters[read.Measure]
	if !ok {
		d.skip(what, "no meter of a rig counts that")
		return
	}
	m, why := meterFor(r, goes.quantity, goes.spraying)
	if m == nil {
		d.skip(what, why)
		return
	}
	a := events.Arrival{
		Via: Via, By: who.Name, Rig: r.Rig, Event: "taskdata-" + read.ID, Time: read.At, Kind: events.KindReading,
		Counters: []events.RawCounter{{Meter: m.Meter, Value: float64(read.Base), Unit: read.Quantity.Unit()}},
	}
	a.Payload, _ = json.Marshal(map[string]any{ // plain values: cannot fail
		"device": key.Name, "serial": key.Serial, "measure": read.Measure, "value": read.Base, "unit": read.Quantity.Unit(),
		"time": read.At, "elements": read.Elements,
	})
	if read.Fix {
		a.Location = events.NewLocation(read.Lat, read.Lon)
	}
	if read.Suspect != "" {
		a.Fault, a.Detail = fleet.WhySuspect, what+": "+read.Suspect
	}
	d.arrivals = append(d.arrivals, a)
}
