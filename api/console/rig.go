package console

import (
	"strconv"
	"time"

	"rigledger/fleet"
	"rigledger/fleet/plan"
)

var rigPages = append([]page{{"/rigs/:rig", nil, showRig}}, partPages...)

// rigPage is one rig: whether it may go out and what it takes, the drawing with
// what is due in place, its use and what that leads to, its parts, its meters and
// what happened to it.
type rigPage struct {
	Rig, Name, Class, Yard, Serial, FirstUse string
	WidthM, TankL                            float64
	Plan                                     fleet.PlanRef
	Retired                                  bool
	Match                                    string // entity tag for a change of what was registered
	Typed                                    string // the form that was refused, which stands open

	rigTop
	rigPicture
	rigAhead
	Parts        []rigPart
	Left         []rigPart
	Positions    []option // that a part can be fitted to
	Fit          string   // a part that is to be fitted, from the address
	Meters       []rigMeter
	OpenDefects  []rigDefect
	Carried      []option // parts on the rig, for a defect
	Booked       []rigBooking
	Certificates []rigCertificate
	Inspections  []rigBayLine
	Calibrations []rigBayLine
	rigTimeline
	rigHandover
	Changes    map[string]*counterChange // swaps of each meter, to be taken back
	Plans      []option
	Place      string
	ID         string // of a reading that is written by hand
	Clock      string // the fleet's time, as a field for it takes it
	Made       time.Time
	Quantities []option
}

func showRig(v *visit) error {
	code := v.param("rig")
	d := rigPage{ID: "by-hand-" + fleet.Secret()[:20], Clock: v.now.In(v.zone).Format("2006-01-02T15:04"), Quantities: rigQuantities(), Made: v.now}
	if v.refused != nil {
		d.Typed = v.refused.form
	}
	var fans []fleet.Fan
	var ahead fleet.RigForecast
	fans, ahead, err := v.fleet.Fans(code, fleet.WhatIf{}, fanDays)
	if err != nil && fleet.CodeOf(err) != fleet.NotFound && fleet.CodeOf(err) != fleet.Conflict {
		return err
	}
	d.Booked = rigBookings(ahead)
	v.fleet.View(func(s *fleet.State) {
		var r *fleet.Rig
		if r, err = v.rig(s, code); err != nil {
			return
		}
		lines := v.fleet.DueOf(s, r, v.now)
		d.Rig, d.Name, d.Class, d.Yard, d.Serial, d.FirstUse = r.Rig, r.Name, r.Class, r.Yard, r.Serial, r.FirstUse
		d.WidthM, d.TankL, d.Plan, d.Retired = float64(r.WidthMM)/1000, float64(r.TankML)/1000, r.Plan, r.Retired
		d.Match = `"` + strconv.FormatUint(r.Changed, 10) + `"`
		fit := v.fleet.FitnessOf(s, r, v.now)
		d.top(v, s, r, fit, lines, ahead)
		d.draw(s, r, fit, lines)
		if err = d.ahead(v, s, r, lines, fans, ahead); err != nil {
			return
		}
		d.Parts, d.Left = rigParts(v, s, r, lines)
		d.Positions, d.Carried = rigPositions(s, r), rigCarried(s, r)
		d.Fit = v.query("part")
		d.Meters = rigMeters(v, r)
		d.OpenDefects = rigDefects(s, r)
		d.Certificates, d.Inspections, d.Calibrations = rigBayLines(v, s, r)
		d.timeline(v, s, r)
		d.rigHandover = rigHandoverOf(s, r)
		d.Changes = counterChanges(v, r)
		if v.may(managers...) {
			d.Plans = rigPlans(s, r)
			if p := s.PlacementOf(r); p != nil {
				d.Place = placeName(s, p.Place)
			}
		}
	})
	if err != nil {
		return err
	}
	return v.showLive("rig.html", d.Rig, "/", &d)
}

// rigAmount is a quantity as people read it.
type rigAmount struct {
	Value float64
	Unit  string
}

// rigLeft is what is left until a task falls due, or since: an amount of use, or
// a day, or both.
type rigLeft struct {
	rigAmount
	Past  bool
	Day   plan.Date
	Guess bool // counted on an estimate, for want of a meter
}

// rigLeftOf tells the trigger that makes a line stand as it does.
func rigLeftOf(l *fleet.DueLine) (left rigLeft) {
	left.Guess = len(l.Estimated) > 0
	calendar := l.Due.Why == plan.WhyMonths || l.Due.Why == plan.WhyDays || l.Due.Why == plan.WhyDate || l.Due.Why == plan.WhySeason
	for q, rest := range l.Due.Remaining.All() {
		if calendar || left.Unit != "" && q.Unit() != l.Due.Why {
			continue
		}
		left.Value, left.Unit, left.Past = float64(rest)/float64(q.Per()), rigUnit(q.Unit()), rest < 0
		if left.Past {
			left.Value = -left.Value
		}
	}
	if left.Unit == "" || calendar {
		left.Day, left.Past = l.Due.Date, l.Due.RemainingDays < 0
	}
	return left
}

// rigUnit is the sign of a unit: h, ha and l as in ISO 80000, km, and loads in full.
func rigUnit(unit string) string {
	switch unit {
	case "hours":
		return word("h")
	case "hectares":
		return word("ha")
	case "litres":
		return word("l")
	case "kilometres":
		return word("km")
	case "loads":
		return word("loads")
	}
	return unit
}

func rigTime(ms int64) time.Time {
	if ms == 0 {
		return time.Time{}
	}
	return time.UnixMilli(ms).UTC()
}
