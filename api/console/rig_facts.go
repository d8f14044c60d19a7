package console

import (
	"strconv"
	"strings"
	"time"

	"rigledger/events"
	"rigledger/fleet"
	"rigledger/fleet/plan"
)

// rigFactsMost is how many facts of the timeline one page shows.
const rigFactsMost = 25

// rigTimeline is a page of what happened to a rig, the newest first.
type rigTimeline struct {
	Facts        []rigFact
	Newer, Older int // where those pages begin, -1 for none
	FactsInAll   int
}

// rigFact is one fact in words, with the way to its counter-fact while there is one.
type rigFact struct {
	Commit       uint64
	At, Recorded time.Time
	Late         bool // it was put on record on a later day than it holds
	By           string
	What, More   string
	Href, Do     string
	Same         []rigFact // likewise in that commit: a plan raises many jobs at once
}

// timeline takes the page that the address names: facts counts those left out.
func (d *rigPage) timeline(v *visit, s *fleet.State, r *fleet.Rig) {
	d.FactsInAll = len(r.Timeline)
	skip, err := strconv.Atoi(v.query("facts"))
	if err != nil || skip < 0 || skip >= d.FactsInAll {
		skip = 0
	}
	d.Newer, d.Older = -1, -1
	taken := 0
	if skip > 0 {
		d.Newer = max(0, skip-rigFactsMost)
	}
	if skip+rigFactsMost < d.FactsInAll {
		d.Older = skip + rigFactsMost
	}
	for i := d.FactsInAll - 1 - skip; i >= 0 && taken < rigFactsMost; i-- {
		l := &r.Timeline[i]
		one := rigFact{Commit: l.N, At: l.Entry.At, Recorded: l.Recorded, By: l.Entry.By}
		one.Late = plan.Of(l.Entry.At, v.zone) != plan.Of(l.Recorded, v.zone)
		one.What, one.More = rigFactWords(s, r, l.Entry.Fact)
		if one.Href, one.Do = rigCounterFact(s, r, l.Entry.Fact); one.Href == "/intake" && !v.may(watching...) {
			one.Href, one.Do = "", ""
		}
		taken++
		if n := len(d.Facts) - 1; n >= 0 && d.Facts[n].Commit == one.Commit && d.Facts[n].What == one.What && d.Facts[n].At.Equal(one.At) {
			d.Facts[n].Same = append(d.Facts[n].Same, one)
			continue
		}
		d.Facts = append(d.Facts, one)
	}
}

// rigFactWords says what happened, and more of it.
func rigFactWords(s *fleet.State, r *fleet.Rig, f events.Fact) (what, more string) {
	item := func(id string) string {
		it := s.Items[id]
		if it == nil {
			return id
		}
		name := ""
		if p := s.Parts[it.Part]; p != nil {
			name = ", " + p.Name
		}
		if p := s.PlanOf(fleet.PlanRef{Plan: it.Plan, Version: it.Version}); p != nil && p.Task(it.Task) != nil {
			return p.Task(it.Task).Title + name // as it was called when the job came on the list
		}
		return rigTaskTitle(s, r, it.Task) + name
	}
	list := func(of ...string) string {
		var some []string
		for _, one := range of {
			if one != "" {
				some = append(some, one)
			}
		}
		return strings.Join(some, "; ")
	}
	amount := func(name string, base int64) string {
		m := r.Meter(name)
		if m == nil {
			return name
		}
		q := m.Series.Quantity
		return name + " " + rigDecimal(q.FromBase(base), 1) + " " + rigUnit(q.Field())
	}
	switch f := f.(type) {
	case *events.RigRegistered:
		return word("Brought under the ledger"), list(f.Name, f.Class, f.Yard)
	case *events.RigAmended:
		return word("What was registered was changed"), rigAmendedWords(f)
	case *events.RigRetired:
		return word("Retired"), f.Reason
	case *events.CredentialIssued:
		return word("A credential for the rig was made"), f.User
	case *events.PartFitted:
		return word("A part was fitted"), list(f.Name, f.Serial)
	case *events.PartRemoved:
		name := f.Part
		if p := s.Parts[f.Part]; p != nil {
			name = p.Name
		}
		if f.Scrapped {
			return word("A part was removed and scrapped"), list(name, f.Reason)
		}
		return word("A part was removed"), list(name, f.Reason)
	case *events.MeterAdded:
		return word("A meter was added"), amount(f.Meter, f.Value)
	case *events.MeterSwapped:
		if f.Rolled {
			return word("A meter's counter began anew"), list(amount(f.Meter, f.Start), f.Reason)
		}
		return word("A meter was swapped"), list(amount(f.Meter, f.Start), f.Reason)
	case *events.ReadingVoided:
		return word("A reading was voided"), list(f.Meter, f.Reason)
	case *events.ReadingQuarantined:
		return word("A reading was held"), f.Detail
	case *events.ReadingReleased:
		return word("A held reading was released"), f.Reason
	case *events.ReadingDismissed:
		return word("A held reading was dismissed"), f.Reason
	case *events.ConditionMeasured:
		return word("A condition was measured"), list(f.Code+" "+strconv.FormatFloat(f.Value, 'f', -1, 64)+" "+f.Unit, f.Part)
	case *events.PlanAdopted:
		return word("A plan was adopted"), f.Plan + " " + strconv.Itoa(f.Version)
	case *events.ItemRaised:
		return word("A job came on the list"), item(f.Item)
	case *events.ItemBooked:
		return word("A job was booked"), list(item(f.Item), f.Date, f.For)
	case *events.ItemStarted:
		return word("A job was taken in hand"), list(item(f.Item), f.Worker)
	case *events.ItemFinished:
		return word("A job was done"), list(item(f.Item), f.Worker, f.Findings)
	case *events.ItemDeferred:
		return word("A job was deferred"), list(item(f.Item), f.Date, f.Reason)
	case *events.ItemStruck:
		return word("A job was struck"), list(item(f.Item), f.Reason)
	case *events.DefectReported:
		if f.Safety {
			return word("A safety defect was reported"), f.Text
		}
		return word("A defect was reported"), f.Text
	case *events.DefectCleared:
		text := ""
		if d := s.Defects[f.Defect]; d != nil {
			text = d.Text
		}
		return word("A defect was cleared"), list(text, f.Action)
	case *events.BookingMade:
		if f.Rest {
			return word("Rest was booked"), list(f.From, f.To, f.Note)
		}
		return word("Work was booked"), list(f.From, f.To, f.Note)
	case *events.BookingCancelled:
		return word("A booking was taken back"), f.Reason
	case *events.WorkChanged:
		return word("It was given other work"), list(f.Date, f.Note)
	case *events.ExchangeTaken:
		return word("Task data was taken in"), f.Device
	case *events.RigPlaced:
		return word("Its place was set"), f.Place
	case *events.InspectionJudged:
		return word("An inspection was judged"), list(strings.ReplaceAll(f.Outcome, "_", " "), f.Tester)
	case *events.CalibrationMade:
		return word("A calibration was made"), list(strings.ReplaceAll(f.Outcome, "_", " "), f.Tester)
	case *events.CertificateIssued:
		return word("A certificate was recorded"), list(f.Number, f.Tester)
	case *events.CertificateWithdrawn:
		return word("A certificate was withdrawn"), f.Reason
	case *events.HandoverSigned:
		return word("Handed over clean"), list(f.Signed, strings.Join(f.Products, ", "))
	case *events.RigStanding:
		return word("How it stands has changed"), f.Fitness
	}
	return f.Kind(), ""
}

func rigAmendedWords(f *events.RigAmended) string {
	var some []string
	for _, t := range []*string{f.Name, f.Yard, f.Serial, f.FirstUse} {
		if t != nil {
			some = append(some, *t)
		}
	}
	if f.WidthMM != nil {
		some = append(some, rigDecimal(float64(*f.WidthMM)/1000, 2)+" m")
	}
	if f.TankML != nil {
		some = append(some, rigDecimal(float64(*f.TankML)/1000, 0)+" l")
	}
	return strings.Join(some, "; ")
}

// rigCounterFact is where a fact that still holds can be taken back or gone on with.
func rigCounterFact(s *fleet.State, r *fleet.Rig, f events.Fact) (href, do string) {
	open := func(id string) bool { it := s.Items[id]; return it != nil && it.Stage.Open() }
	switch f := f.(type) {
	case *events.DefectReported:
		if d := s.Defects[f.Defect]; d != nil && d.ClearedAt.IsZero() {
			return "#defect-" + f.Defect, word("clear it")
		}
	case *events.CertificateIssued:
		if c := s.Bay.Certificates[f.Certificate]; c != nil && c.Withdrawn == nil {
			return "#certificate-" + f.Certificate, word("withdraw it")
		}
	case *events.PartFitted:
		if p := s.Parts[f.Part]; p != nil && p.Rig() == r.Rig {
			return "/parts/" + f.Part, word("remove it")
		}
	case *events.PartRemoved:
		if p := s.Parts[f.Part]; p != nil && p.Rig() == "" && !p.Scrapped {
			return "?part=" + f.Part + "#fit", word("fit it again")
		}
	case *events.BookingMade:
		if b := s.Bookings[f.Booking]; b != nil && !b.Cancelled {
			return "#booked", word("take it back")
		}
	case *events.ReadingQuarantined:
		if h := s.Held[f.Quarantine]; h != nil && h.Outcome == "" {
			return "/intake", word("release or dismiss it")
		}
	case *events.ItemRaised:
		if open(f.Item) {
			return "/items/" + f.Item, word("see the job")
		}
	case *events.ItemBooked:
		if open(f.Item) {
			return "/items/" + f.Item, word("see the job")
		}
	case *events.ItemDeferred:
		if open(f.Item) {
			return "/items/" + f.Item, word("see the job")
		}
	case *events.ItemFinished:
		return "/items/" + f.Item, word("see the job")
	case *events.InspectionJudged:
		return "/inspections/" + f.Inspection, word("see it")
	case *events.CalibrationMade:
		return "/calibrations/" + f.Calibration, word("see it")
	case *events.RigAmended, *events.RigRegistered:
		return "#change", word("change it")
	case *events.MeterAdded, *events.MeterSwapped, *events.ReadingVoided:
		return "#meters", word("see the meters")
	}
	return "", ""
}
