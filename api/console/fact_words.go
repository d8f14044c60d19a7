package console

import (
	"cmp"
	"strings"

	"rigledger/events"
	"rigledger/fleet"
)

// told is a fact in words, the same wherever people read it: in the ledger, on a
// rig's and a part's page, in a record. Days in it are written as 2026-05-04, for
// the page to put into the reader's form.
type told struct {
	What  string // what happened
	About string // to whom and to what, how much, by which way, and why
	Proof string // lines that were ticked and files that were kept with it, for a record
}

// kindWords say what each kind of fact is; some facts are told more closely.
var kindWords = map[string]string{
	"rig.registered": word("Rig registered"), "rig.amended": word("Rig's details changed"), "rig.retired": word("Rig retired"),
	"credential.issued": word("New way in for a rig"),
	"part.fitted":       word("Part fitted"), "part.removed": word("Part removed"),
	"meter.added": word("Meter added"), "meter.read": word("Counters read"), "meter.swapped": word("Counter changed for another"),
	"meter.unswapped": word("Change of a counter taken back"),
	"reading.voided":  word("Reading taken back"), "reading.quarantined": word("Held at the intake"),
	"reading.released": word("Released from the intake"), "reading.dismissed": word("Dismissed at the intake"), "reading.reopened": word("Held at the intake again"),
	"condition.measured": word("Condition measured"),
	"plan.published":     word("Plan published"), "plan.adopted": word("Plan adopted"), "class.published": word("Class published"),
	"item.raised": word("Job came on the list"), "item.booked": word("Job booked"), "item.started": word("Job taken in hand"),
	"item.finished": word("Job done"), "item.deferred": word("Job deferred"), "item.struck": word("Job struck"), "item.returned": word("Step of a job taken back"),
	"booking.made": word("Booking made"), "booking.cancelled": word("Booking taken back"), "work.changed": word("Rig given other work"),
	"defect.reported": word("Defect reported"), "defect.cleared": word("Defect cleared"),
	"token.issued": word("Token made"), "token.revoked": word("Token revoked"), "token.used": word("Token used for the first time that day"),
	"request.kept": word("Request kept against repeats"),
	"rig.placed":   word("Law of the rig's place set"), "yard.placed": word("Law of the yard's place set"),
	"ruleset.published": word("Rule set published"), "intervals.published": word("Inspection intervals published"),
	"inspection.judged": word("Inspection judged"), "calibration.made": word("Calibration made"),
	"certificate.issued": word("Certificate put on record"), "certificate.withdrawn": word("Certificate withdrawn"),
	"handover.signed": word("Handed over clean"), "file.kept": word("File kept"),
	"calendar.issued": word("Calendar made"), "calendar.revoked": word("Calendar revoked"), "exchange.taken": word("Task data taken"),
	"rig.standing": word("How the rig stands has changed"),
	"hook.added":   word("Hook added"), "hook.rotated": word("Hook's secret renewed"), "hook.delivered": word("Hook's deliveries noted"),
	"hook.disabled": word("Hook disabled"), "hook.enabled": word("Hook enabled"), "hook.removed": word("Hook removed"),
}

// wordsOfKind says what a kind of fact is.
func wordsOfKind(kind string) string { return cmp.Or(kindWords[kind], kind) }

// telling is what a fact is told with: names instead of ids, as they are known now.
type telling struct {
	s   *fleet.State
	rig *fleet.Rig // nil where the fact is about none
	told
}

// tell puts a fact into words, without its secrets. Within View.
func tell(s *fleet.State, fact events.Fact) told {
	t := &telling{s: s, rig: s.Rigs[fact.Subject()], told: told{What: wordsOfKind(fact.Kind())}}
	for _, of := range []func(*telling, events.Fact) bool{(*telling).ofRig, (*telling).ofMeters, (*telling).ofJobs, (*telling).ofUse, (*telling).ofBay, (*telling).ofAccess} {
		if of(t, fact) {
			break
		}
	}
	return t.told
}

// about lists what a fact is about, leaving out what is empty.
func (t *telling) about(of ...string) bool {
	t.About = inARow(of...)
	return true
}

// inARow joins what is not empty.
func inARow(of ...string) string {
	var all []string
	for _, s := range of {
		if s != "" {
			all = append(all, s)
		}
	}
	return strings.Join(all, "; ")
}

// led puts a word before something, if there is something.
func led(by, of string) string { return onlyIf(of != "", by+" "+of) }

func onlyIf(yes bool, s string) string {
	if yes {
		return s
	}
	return ""
}

func plainOutcome(outcome string) string { return strings.ReplaceAll(outcome, "_", " ") }

// partName is what a part is called.
func partName(s *fleet.State, part string) string {
	if p := s.Parts[part]; p != nil {
		return p.Name
	}
	return part
}

// partOn is what a part is called beside the rig that carries it: the rig itself is
// a part too, under the rig's own name, which stands there already.
func partOn(rig string, p *fleet.Part) string {
	if p.Part == rig {
		return word("The rig as a whole")
	}
	return p.Name
}

// partBeside is the same where a job stands in a line under its rig: nothing for
// the rig itself.
func partBeside(rig string, p *fleet.Part) string {
	if p.Part == rig {
		return ""
	}
	return p.Name
}

// jobTitle is an item in words: its task's title, as the plan called it when it
// came on the list, and its part. Within View.
func jobTitle(s *fleet.State, item string) string {
	it := s.Items[item]
	if it == nil {
		return item
	}
	title := taskTitle(s, it, it.Task)
	if part := s.Parts[it.Part]; part != nil && part.Part != it.Rig && part.Name != title {
		title += " (" + part.Name + ")"
	}
	return title
}

// taskTitle is what the plan of an item calls a task.
func taskTitle(s *fleet.State, it *fleet.Item, slug string) string {
	if p := s.PlanOf(fleet.PlanRef{Plan: it.Plan, Version: it.Version}); p != nil && p.Task(slug) != nil {
		return p.Task(slug).Title
	}
	return rigTaskTitle(s, s.Rigs[it.Rig], slug)
}
