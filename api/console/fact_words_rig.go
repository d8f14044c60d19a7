package console

import (
	"cmp"
	"strconv"
	"strings"

	"rigledger/events"
	"rigledger/fleet"
	"rigledger/fleet/meter"
)

// ofRig tells of rigs, their parts and their plans.
func (t *telling) ofRig(fact events.Fact) bool {
	switch f := fact.(type) {
	case *events.RigRegistered:
		return t.about(f.Name, classTitle(t.s, f.Class), led(word("yard"), f.Yard), figure(float64(f.WidthMM)/1000)+" m", figure(float64(f.TankML)/1000)+" l",
			led(word("serial"), f.Serial), led(word("first use"), f.FirstUse))
	case *events.RigAmended:
		return t.about(amended(f)...)
	case *events.RigRetired:
		return t.about(f.Reason)
	case *events.CredentialIssued:
		return t.about(led(word("user"), f.User))
	case *events.PartFitted:
		place := t.place(f.Position)
		return t.about(f.Name, onlyIf(place != f.Name, word("in the place")+" "+place), led(word("serial"), f.Serial), led(word("order number"), f.SKU), led(word("made on"), f.Made),
			led(word("used before"), amountsText(f.Carried)), onlyIf(f.FromStart, word("on it since the rig's first day")))
	case *events.PartRemoved:
		if f.Scrapped {
			t.What = word("Part removed and scrapped")
		}
		return t.about(partName(t.s, f.Part), f.Reason)
	case *events.PlanPublished:
		return t.about(planTitle(t.s, f.Plan, f.Version))
	case *events.PlanAdopted:
		return t.about(planTitle(t.s, f.Plan, f.Version))
	case *events.ClassPublished:
		return t.about(classTitle(t.s, f.Class))
	case *events.RigStanding:
		return t.about(t.standing(f)...)
	}
	return false
}

// amended says what was changed, and to what.
func amended(f *events.RigAmended) (changed []string) {
	for _, c := range []struct {
		name string
		to   *string
	}{{word("name"), f.Name}, {word("yard"), f.Yard}, {word("serial"), f.Serial}, {word("first use"), f.FirstUse}} {
		if c.to != nil {
			changed = append(changed, c.name+" "+onlyIf(*c.to == "", word("none"))+*c.to)
		}
	}
	if f.WidthMM != nil {
		changed = append(changed, word("boom width")+" "+figure(float64(*f.WidthMM)/1000)+" m")
	}
	if f.TankML != nil {
		changed = append(changed, word("tank")+" "+figure(float64(*f.TankML)/1000)+" l")
	}
	return changed
}

// place is what the rig's class calls a place.
func (t *telling) place(position string) string {
	if t.rig != nil {
		if class := t.s.Class(t.rig.Class); class != nil {
			for _, p := range class.Parts {
				if p.Position == position {
					return p.Title
				}
			}
		}
	}
	return strings.ReplaceAll(position, "-", " ")
}

func classTitle(s *fleet.State, class string) string {
	if c := s.Class(class); c != nil {
		return c.Title
	}
	return class
}

func planTitle(s *fleet.State, slug string, version int) string {
	title := slug
	if p := s.PlanOf(fleet.PlanRef{Plan: slug, Version: version}); p != nil {
		title = p.Title
	}
	return title + ", " + word("version") + " " + strconv.Itoa(version)
}

// standingMost is how many reasons and jobs of a standing are told.
const standingMost = 3

// standing says how a rig stands now, why, and which jobs stand otherwise.
func (t *telling) standing(f *events.RigStanding) []string {
	all := []string{f.Fitness}
	for i, r := range f.Reasons {
		if i < standingMost {
			all = append(all, r.Text)
		}
	}
	if more := len(f.Reasons) + f.More - standingMost; more > 0 {
		all = append(all, word("and")+" "+strconv.Itoa(more)+" "+word("more"))
	}
	for i, it := range f.Items {
		if i < standingMost {
			all = append(all, jobTitle(t.s, it.Item)+": "+word("now")+" "+it.Status)
		}
	}
	if more := len(f.Items) - standingMost; more > 0 {
		all = append(all, word("and")+" "+strconv.Itoa(more)+" "+word("more"))
	}
	return all
}

// ofMeters tells of meters, readings and what is measured on the rig.
func (t *telling) ofMeters(fact events.Fact) bool {
	switch f := fact.(type) {
	case *events.MeterAdded:
		return t.about(f.Meter+" "+meterText(meter.Quantity(f.Quantity), f.Value), onlyIf(f.Untimed, word("nobody knows when it read so")), onlyIf(f.Spraying, word("runs only while spraying")))
	case *events.MeterRead:
		return t.about(countersText(t.rig, f.Counters), readingWay(f.Event))
	case *events.MeterUnswapped:
		return t.about(f.Meter, f.Reason)
	case *events.MeterSwapped:
		if f.Rolled {
			t.What = word("Counter began anew")
		}
		last, start := "", ""
		if m := metersOf(t.rig, f.Meter); m != nil {
			start = word("new one from") + " " + meterText(m.Series.Quantity, f.Start)
			if f.Last != nil {
				last = word("old one ended at") + " " + meterText(m.Series.Quantity, *f.Last)
			}
		}
		return t.about(f.Meter, last, start, f.Reason)
	case *events.ReadingVoided:
		return t.about(f.Meter, f.Reason)
	case *events.ReadingQuarantined:
		shown := heldText(t.rig, f.Counters) // the detail is in the units of the message, and the intake has it
		return t.about(whyHeld(f.Reason).Short, cmp.Or(shown, f.Detail), led(word("came"), wayIn(f.Arrived)))
	case *events.ReadingReleased:
		return t.about(t.held(f.Quarantine), outcomeWords(f.How), f.Reason)
	case *events.ReadingReopened:
		return t.about(t.held(f.Quarantine), f.Reason)
	case *events.ReadingDismissed:
		return t.about(t.held(f.Quarantine), f.Reason)
	case *events.ConditionMeasured:
		return t.about(strings.ReplaceAll(f.Code, "-", " ")+" "+figure(f.Value)+onlyIf(f.Unit != "", " ")+f.Unit, partName(t.s, f.Part))
	case *events.ExchangeTaken:
		return t.about(led(word("device"), f.Device), strconv.Itoa(f.Readings)+" "+word("readings"))
	}
	return false
}

// held says what it was that the intake held.
func (t *telling) held(id string) string {
	h := t.s.Held[id]
	if h == nil {
		return id
	}
	return inARow(heldText(t.s.Rigs[h.Rig], h.Counters), word("held because")+": "+whyHeld(h.Reason).Short)
}

// readingWay says how a reading came, as far as the fact knows: NATS, MQTT and
// REST bring the same ids.
func readingWay(event string) string {
	switch {
	case strings.HasPrefix(event, "released:"):
		return word("released from the intake")
	case strings.HasPrefix(event, "taskdata-"):
		return word("from task data")
	case strings.HasPrefix(event, "fleet-"):
		return word("from a fleet document")
	}
	return ""
}
