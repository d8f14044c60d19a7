package receive

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"time"

	"rigledger/api/exchange/fleetxml"
	"rigledger/events"
	"rigledger/fleet"
	"rigledger/fleet/meter"
)

// FleetData understands a snapshot of a fleet against the fleet as it stands.
func FleetData(s *fleet.State, snap fleetxml.Snapshot, problems fleetxml.Problems, who Caller) *Lot {
	lot := &Lot{}
	for _, p := range problems {
		lot.Skipped = append(lot.Skipped, Skip{p.Equipment + " " + p.Field, p.Why, 1})
	}
	for i, e := range snap.Equipment {
		name := e.Header.EquipmentID
		if name == "" {
			name = fmt.Sprintf("equipment %d", i+1)
		}
		d := &Device{Device: name, Serial: e.Header.SerialNumber, Designator: e.Header.Model}
		lot.Devices = append(lot.Devices, d)
		r := s.Rigs[e.Header.EquipmentID]
		why := ""
		switch {
		case r == nil || !who.Sees(r):
			r, why = inService(s, e.Header.SerialNumber, who)
		case r.Retired:
			r, why = nil, "the rig is retired"
		}
		if r == nil {
			d.skip("machine", why)
			continue
		}
		d.Rig = r.Rig
		if h := e.OperatingHours; h != nil {
			d.datum(r, "CumulativeOperatingHours", meter.Hours, h.At, h.Seconds, "SEC", who)
		}
		if a := e.Area; a != nil {
			d.datum(r, "CumulativeArea", meter.Area, a.At, a.SquareMetres, "MTK", who)
		}
		if k := e.Distance; k != nil {
			d.datum(r, "Distance", meter.Distance, k.At, k.Metres, "MTR", who)
		}
		if e.PTOHours != nil {
			d.skip("CumulativePowerTakeOffHours", "no meter of a rig counts that")
		}
		if e.IdleHours != nil {
			d.skip("CumulativeIdleHours", "no meter of a rig counts that")
		}
		if e.Location != nil {
			d.place(e.Location)
		}
	}
	return lot.finish()
}

// place keeps where the machine was with a reading of the same time.
func (d *Device) place(l *fleetxml.Location) {
	at := events.NewLocation(l.Lat, l.Lon)
	if at == nil {
		d.skip("Location", "is 0, 0, which is sent without a fix")
		return
	}
	var best *events.Arrival
	for i := range d.arrivals {
		if a := &d.arrivals[i]; a.Time.Equal(l.At) {
			best = a
		}
	}
	if best == nil {
		d.skip("Location", "no counter that was taken is of its time")
		return
	}
	best.Location = at
}

func (d *Device) datum(r *fleet.Rig, element string, q meter.Quantity, at time.Time, base int64, unit string, who Caller) {
	m, why := meterFor(r, q, false)
	if m == nil {
		d.skip(element, why)
		return
	}
	if at.Year() < 1950 || at.Year() > 2200 {
		d.skip(element, "its time must lie between the years 1950 and 2200")
		return
	}
	sum := sha256.Sum256(fmt.Appendf(nil, "%s %s %d %d", r.Rig, element, at.UnixMilli(), base))
	a := events.Arrival{
		Via: Via, By: who.Name, Rig: r.Rig, Event: "fleet-" + hex.EncodeToString(sum[:16]), Time: at, Kind: events.KindReading,
		Counters: []events.RawCounter{{Meter: m.Meter, Value: float64(base), Unit: unit}},
	}
	a.Payload, _ = json.Marshal(map[string]any{"element": element, "value": base, "unit": unit, "time": at}) // cannot fail
	d.arrivals = append(d.arrivals, a)
}
