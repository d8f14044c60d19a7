package console

import (
	"strconv"
	"strings"

	"rigledger/events"
	"rigledger/fleet"
	"rigledger/fleet/meter"
)

// kindWords say in words what each kind of fact is.
var kindWords = map[string]string{
	"rig.registered": word("Rig registered"), "rig.amended": word("Rig's details changed"), "rig.retired": word("Rig retired"),
	"credential.issued": word("New way in for a rig"),
	"part.fitted":       word("Part fitted"), "part.removed": word("Part removed"),
	"meter.added": word("Meter added"), "meter.read": word("Counters read"), "meter.swapped": word("Counter changed for another"),
	"reading.voided": word("Reading taken back"), "reading.quarantined": word("Held at the intake"),
	"reading.released": word("Released from the intake"), "reading.dismissed": word("Dismissed at the intake"),
	"condition.measured": word("Condition measured"),
	"plan.published":     word("Plan published"), "plan.adopted": word("Plan adopted"), "class.published": word("Class published"),
	"item.raised": word("Job came on the list"), "item.booked": word("Job booked"), "item.started": word("Job begun"),
	"item.finished": word("Job done"), "item.deferred": word("Job deferred"), "item.struck": word("Job struck"),
	"booking.made": word("Booking made"), "booking.cancelled": word("Booking cancelled"), "work.changed": word("Other work from now on"),
	"defect.reported": word("Defect reported"), "defect.cleared": word("Defect cleared"),
	"token.issued": word("Token made"), "token.revoked": word("Token revoked"), "token.used": word("Token used for the first time that day"),
	"request.kept": word("Request kept against repeats"),
	"rig.placed":   word("Law of the rig's place set"), "yard.placed": word("Law of the yard's place set"),
	"ruleset.published": word("Rule set published"), "intervals.published": word("Inspection intervals published"),
	"inspection.judged": word("Inspection judged"), "calibration.made": word("Calibration made"),
	"certificate.issued": word("Certificate issued"), "certificate.withdrawn": word("Certificate withdrawn"),
	"handover.signed": word("Handed over clean"), "file.kept": word("File kept"),
	"calendar.issued": word("Calendar made"), "calendar.revoked": word("Calendar revoked"), "exchange.taken": word("Task data taken"),
	"rig.standing": word("Standing noted"),
	"hook.added":   word("Hook added"), "hook.rotated": word("Hook's secret renewed"), "hook.delivered": word("Hook's deliveries noted"),
	"hook.disabled": word("Hook disabled"), "hook.enabled": word("Hook enabled"), "hook.removed": word("Hook removed"),
}

// meterSymbol is the unit in which a meter's total is shown.
func meterSymbol(q meter.Quantity) string {
	return map[meter.Quantity]string{
		meter.Hours: "h", meter.Area: "ha", meter.Volume: "l", meter.Distance: "km", meter.Loads: word("loads"),
	}[q]
}

// meterText writes a counter's value in base units with its unit.
func meterText(q meter.Quantity, base int64) string {
	return strconv.FormatFloat(q.FromBase(base), 'f', meterDecimals(q), 64) + " " + meterSymbol(q)
}

// meterDecimals is how exactly a meter's value is shown: as far as its tolerance goes.
func meterDecimals(q meter.Quantity) int {
	switch q {
	case meter.Hours, meter.Area:
		return 2
	case meter.Distance:
		return 1
	}
	return 0
}

// countersText writes the counters of a reading. Within View.
func countersText(rig *fleet.Rig, counters []events.Counter) string {
	var all []string
	for _, c := range counters {
		if rig == nil {
			continue
		}
		if m := rig.Meter(c.Meter); m != nil {
			all = append(all, c.Meter+" "+meterText(m.Series.Quantity, c.Value))
		}
	}
	return strings.Join(all, ", ")
}

func amountsText(list events.Amounts) string {
	var all []string
	for _, a := range list {
		all = append(all, meterText(meter.Quantity(a.Quantity), a.Value))
	}
	return strings.Join(all, ", ")
}

// inOneLine joins what is not empty.
func inOneLine(of ...string) string {
	var all []string
	for _, s := range of {
		if s != "" {
			all = append(all, s)
		}
	}
	return strings.Join(all, " · ")
}

func onlyIf(yes bool, s string) string {
	if yes {
		return s
	}
	return ""
}

// jobTitle is an item in words: its task's title and its part. Within View.
func jobTitle(s *fleet.State, item string) string {
	it := s.Items[item]
	if it == nil {
		return item
	}
	title := it.Task
	if p := s.PlanOf(fleet.PlanRef{Plan: it.Plan, Version: it.Version}); p != nil {
		if t := p.Task(it.Task); t != nil {
			title = t.Title
		}
	}
	if part := s.Parts[it.Part]; part != nil && part.Part != it.Rig {
		title += " (" + part.Name + ")"
	}
	return title
}

// factDetail says what a fact is about, in words, without its secrets. Within View.
func factDetail(s *fleet.State, fact events.Fact) string {
	rig := s.Rigs[fact.Subject()]
	switch f := fact.(type) {
	case *events.RigRegistered:
		return inOneLine(f.Name, f.Class, word("yard")+" "+f.Yard)
	case *events.RigAmended:
		text := func(p *string) string {
			if p == nil {
				return ""
			}
			return *p
		}
		return inOneLine(text(f.Name), text(f.Yard), text(f.Serial), text(f.FirstUse))
	case *events.RigRetired:
		return f.Reason
	case *events.PartFitted:
		return inOneLine(f.Name, f.Position, f.Serial)
	case *events.PartRemoved:
		return inOneLine(f.Part, f.Reason)
	case *events.MeterAdded:
		return inOneLine(f.Meter, meterText(meter.Quantity(f.Quantity), f.Value))
	case *events.MeterRead:
		return countersText(rig, f.Counters)
	case *events.MeterSwapped:
		last, start := "", strconv.FormatInt(f.Start, 10)
		if m := metersOf(rig, f.Meter); m != nil {
			start = word("new one from") + " " + meterText(m.Series.Quantity, f.Start)
			if f.Last != nil {
				last = word("old one ended at") + " " + meterText(m.Series.Quantity, *f.Last)
			}
		}
		return inOneLine(f.Meter, last, start, f.Reason)
	case *events.ReadingVoided:
		return inOneLine(f.Meter, f.Reason)
	case *events.ReadingQuarantined:
		return inOneLine(f.Quarantine, whyHeld(f.Reason).Short, f.Detail)
	case *events.ReadingReleased:
		return inOneLine(f.Quarantine, outcomeWords(f.How), f.Reason)
	case *events.ReadingDismissed:
		return inOneLine(f.Quarantine, f.Reason)
	case *events.ConditionMeasured:
		return inOneLine(f.Code, strconv.FormatFloat(f.Value, 'f', -1, 64)+" "+f.Unit)
	case *events.PlanPublished:
		return f.Plan + " " + strconv.Itoa(f.Version)
	case *events.PlanAdopted:
		return f.Plan + " " + strconv.Itoa(f.Version)
	case *events.ClassPublished:
		return f.Class
	case *events.ItemRaised:
		return inOneLine(jobTitle(s, f.Item), amountsText(f.Due), f.DueDate)
	case *events.ItemBooked:
		return inOneLine(jobTitle(s, f.Item), f.Date, f.For)
	case *events.ItemStarted:
		return inOneLine(jobTitle(s, f.Item), f.Worker)
	case *events.ItemFinished:
		return inOneLine(jobTitle(s, f.Item), f.Worker, f.Findings)
	case *events.ItemDeferred:
		return inOneLine(jobTitle(s, f.Item), amountsText(f.Due), f.Date, f.Reason)
	case *events.ItemStruck:
		return inOneLine(jobTitle(s, f.Item), f.Reason)
	case *events.BookingMade:
		return inOneLine(f.From+" – "+f.To, onlyIf(f.Rest, word("rest")), f.Note)
	case *events.BookingCancelled:
		return inOneLine(f.Booking, f.Reason)
	case *events.WorkChanged:
		return inOneLine(f.Date, f.Note)
	case *events.DefectReported:
		return inOneLine(f.Text, f.Code, onlyIf(f.Safety, word("a danger to people")))
	case *events.DefectCleared:
		return inOneLine(f.Defect, f.Action)
	}
	return factDetailOfTheBay(fact)
}

func factDetailOfTheBay(fact events.Fact) string {
	plain := func(outcome string) string { return strings.ReplaceAll(outcome, "_", " ") }
	switch f := fact.(type) {
	case *events.RigPlaced:
		return inOneLine(f.Place, strings.Join(f.Schemes, ", "))
	case *events.YardPlaced:
		return inOneLine(f.Yard, f.Place, strings.Join(f.Schemes, ", "))
	case *events.RuleSetPublished:
		return f.RuleSet + " " + f.Edition
	case *events.InspectionJudged:
		return inOneLine(f.Inspection, plain(f.Outcome), f.Tester)
	case *events.CalibrationMade:
		return inOneLine(f.Calibration, plain(f.Outcome), f.Tester)
	case *events.CertificateIssued:
		return inOneLine(f.Number, f.Tester, f.Expires)
	case *events.CertificateWithdrawn:
		return inOneLine(f.Certificate, f.Reason)
	case *events.HandoverSigned:
		return inOneLine(f.Signed, strings.Join(f.Products, ", "))
	case *events.FileKept:
		return inOneLine(f.Name, f.Type)
	case *events.ExchangeTaken:
		return inOneLine(f.Device, strconv.Itoa(f.Readings))
	case *events.RigStanding:
		return f.Fitness
	case *events.TokenIssued:
		return inOneLine(f.Name, f.Role, strings.Join(f.Yards, ", "), f.Rig)
	case *events.TokenRevoked:
		return inOneLine(f.Token, f.Reason)
	case *events.TokenUsed:
		return f.Token
	case *events.CalendarIssued:
		return inOneLine(f.Name, f.Yard, f.Rig)
	case *events.CalendarRevoked:
		return inOneLine(f.Calendar, f.Reason)
	case *events.HookAdded:
		return f.Name
	case *events.HookDisabled:
		return inOneLine(f.Hook, f.Reason)
	case *events.HookRemoved:
		return inOneLine(f.Hook, f.Reason)
	}
	return ""
}

func metersOf(rig *fleet.Rig, name string) *fleet.Meter {
	if rig == nil {
		return nil
	}
	return rig.Meter(name)
}
