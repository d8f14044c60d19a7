package fleet

import (
	"slices"
	"time"

	"rigledger/events"
	"rigledger/fleet/plan"
	"rigledger/fleet/testbay"
)

// RecordNotice stands on every record that is handed over.
const RecordNotice = "This record does not replace the inspection by a licensed tester that the law of the place asks for. " +
	"It shows what was entered in the ledger, and the commits that prove it."

// RecordForm is raised when a record changes its form.
const RecordForm = 2

// Kinds of record.
const (
	InspectionRecord  = "inspection"
	CalibrationRecord = "calibration"
	RigRecord         = "rig"
)

// Record is what is handed over to an auditor: a pure function of the ledger up
// to AsOf, of Of and ID, of the time it was made and the fleet's zone. Hash is
// the SHA-256 of its JSON with Hash empty.
type Record struct {
	Form   int         `json:"form"`
	Of     string      `json:"record"` // inspection, calibration or rig
	ID     string      `json:"id"`
	Made   time.Time   `json:"made"`
	Zone   string      `json:"zone"`
	AsOf   events.Head `json:"as_of"`
	Notice string      `json:"notice"`
	Rig    RecordRig   `json:"rig"`

	Inspection  *RecordSheet       `json:"inspection,omitempty"`
	Calibration *Calibration       `json:"calibration,omitempty"`
	Fitness     *Fitness           `json:"fitness,omitempty"`
	Meters      []RecordMeter      `json:"meters,omitempty"`
	Place       *Placement         `json:"place,omitempty"`
	Next        *testbay.Due       `json:"next_inspection,omitempty"`
	Certs       []*Certificate     `json:"certificates,omitempty"`
	Sheets      []RecordInspection `json:"inspections,omitempty"`
	Cals        []*Calibration     `json:"calibrations,omitempty"`
	Handovers   []*Handover        `json:"handovers,omitempty"`
	Defects     []*Defect          `json:"open_defects,omitempty"`

	Facts   []RecordFact  `json:"facts"`
	Commits []CommitProof `json:"commits"`
	Hash    string        `json:"record_hash"`

	voided map[voidedReading]uint64 // the newest commit that took a reading back
}

type voidedReading struct {
	meter string
	at    int64 // Unix ms
}

// RecordRig says which rig it is.
type RecordRig struct {
	Rig      string  `json:"rig"`
	Name     string  `json:"name"`
	Class    string  `json:"class"`
	Yard     string  `json:"yard"`
	Serial   string  `json:"serial,omitempty"`
	WidthM   float64 `json:"width_m"`
	TankL    float64 `json:"tank_l"`
	FirstUse string  `json:"first_use,omitempty"`
}

// RecordSheet is an inspection by the headings of its form.
type RecordSheet struct {
	RecordInspection
	Headings []RecordHeading `json:"headings"`
}

// RecordInspection is an inspection in one line.
type RecordInspection struct {
	Inspection  string              `json:"inspection"`
	At          time.Time           `json:"at"`
	Commit      uint64              `json:"commit"`
	Statutory   bool                `json:"statutory"`
	RuleSet     string              `json:"ruleset"`
	Edition     string              `json:"edition"`
	Tester      string              `json:"tester"`
	Station     string              `json:"station,omitempty"`
	Outcome     string              `json:"outcome"`
	Failed      []string            `json:"failed,omitempty"`
	Retest      string              `json:"retest_of,omitempty"`
	RetestBy    string              `json:"retest_by,omitempty"`
	Instruments []events.Instrument `json:"instruments,omitempty"`
	Advisories  []string            `json:"advisories,omitempty"`
	Note        string              `json:"note,omitempty"`
}

// RecordHeading is one heading with its points.
type RecordHeading struct {
	Name   string        `json:"name"`
	Points []RecordPoint `json:"points"`
}

// RecordPoint is a point in the words of its rule set.
type RecordPoint struct {
	Name string `json:"name"`
	events.PointJudged
}

// CommitProof is a commit of the ledger that holds some of the facts.
type CommitProof struct {
	N        uint64      `json:"commit"`
	Recorded time.Time   `json:"recorded"`
	Hash     events.Hash `json:"hash"`
}

// record builds a record as far as the state has it: without the commits of its
// readings and without the hashes of any.
func (s *State) record(of, id string, made time.Time) (*Record, *Rig, error) {
	r := &Record{
		Form: RecordForm, Of: of, ID: id, Made: events.Milli(made), Zone: s.zone.String(), AsOf: s.Head, Notice: RecordNotice,
		Facts: []RecordFact{}, Commits: []CommitProof{},
	}
	var rig *Rig
	var wanted func(f events.Fact) bool
	switch of {
	case InspectionRecord:
		in := s.Bay.Inspections[id]
		if in == nil {
			return nil, nil, missing("inspection", id)
		}
		rig = s.Rigs[in.Rig]
		r.Inspection = s.recordSheet(in)
		wanted = s.aboutInspection(in)
	case CalibrationRecord:
		cal := s.Bay.Calibrations[id]
		if cal == nil {
			return nil, nil, missing("calibration", id)
		}
		rig, r.Calibration = s.Rigs[cal.Rig], cal
		wanted = func(f events.Fact) bool {
			made, ok := f.(*events.CalibrationMade)
			return ok && made.Calibration == id
		}
	case RigRecord:
		if rig = s.Rigs[id]; rig == nil {
			return nil, nil, missing("rig", id)
		}
		s.fillRig(r, rig, made)
		wanted = forAuditor
	default:
		return nil, nil, missing("kind of record", of)
	}
	r.Rig = RecordRig{
		Rig: rig.Rig, Name: rig.Name, Class: rig.Class, Yard: rig.Yard, Serial: rig.Serial, FirstUse: rig.FirstUse,
		WidthM: float64(rig.WidthMM) / 1000, TankL: float64(rig.TankML) / 1000,
	}
	w, ends := s.reckon(rig), s.ends(rig)
	r.voided = map[voidedReading]uint64{}
	for _, l := range rig.Timeline {
		if f, ok := l.Entry.Fact.(*events.ReadingVoided); ok {
			r.voided[voidedReading{f.Meter, l.Entry.At.UnixMilli()}] = l.N
		}
		if wanted(l.Entry.Fact) {
			r.Facts = append(r.Facts, s.recordFact(w, ends, l))
			if n := len(r.Commits); n == 0 || r.Commits[n-1].N != l.N {
				r.Commits = append(r.Commits, CommitProof{N: l.N, Recorded: l.Recorded})
			}
		}
	}
	return r, rig, nil
}

func (s *State) recordFact(w *reckoning, ends map[string][]int64, l Logged) RecordFact {
	one := RecordFact{Logged: l}
	if at, ok := s.measuredAt(&l.Entry); ok {
		one.Meters = metersThen(w.rig, at)
	}
	if done, ok := l.Entry.Fact.(*events.ItemFinished); ok {
		one.Since = s.runs(w, ends, done, l.Entry.At)
	}
	return one
}

// auditKinds are the facts of a rig's file. Left out are readings other than
// those that something rests on, what waited in quarantine, credentials, and items that were only raised or booked.
var auditKinds = []string{
	"rig.registered", "rig.amended", "rig.retired", "rig.placed", "part.fitted", "part.removed", "meter.added", "meter.swapped", "meter.unswapped", "plan.adopted",
	"item.started", "item.finished", "item.deferred", "item.struck", "defect.reported", "defect.cleared",
	"inspection.judged", "calibration.made", "certificate.issued", "certificate.withdrawn", "handover.signed",
}

func forAuditor(f events.Fact) bool {
	if back, ok := f.(*events.ItemReturned); ok {
		return back.Step != StepBooked // a booking is not in the file either
	}
	return slices.Contains(auditKinds, f.Kind())
}

func (s *State) fillRig(r *Record, rig *Rig, made time.Time) {
	today := plan.Of(made, s.zone)
	fit := s.fitness(rig, moment{asOf: farFuture, today: today}, s.Due(rig, today))
	r.Fitness, r.Meters = &fit, recordMeters(rig)
	place, due, err := s.NextInspection(rig, today)
	if r.Place = place; place != nil && err == nil {
		r.Next = &due
	}
	for _, id := range rig.Bay.Certificates {
		r.Certs = append(r.Certs, s.Bay.Certificates[id])
	}
	for _, id := range rig.Bay.Inspections {
		r.Sheets = append(r.Sheets, recordInspection(s.Bay.Inspections[id]))
	}
	for _, id := range rig.Bay.Calibrations {
		r.Cals = append(r.Cals, s.Bay.Calibrations[id])
	}
	r.Handovers = rig.Bay.Handovers
	for _, id := range rig.Defects {
		r.Defects = append(r.Defects, s.Defects[id])
	}
}

func recordInspection(in *Inspection) RecordInspection {
	r := RecordInspection{
		Inspection: in.Inspection, At: in.At, Commit: in.N, Statutory: in.Statutory, RuleSet: in.RuleSet, Edition: in.Edition,
		Tester: in.Tester, Station: in.Station, Outcome: in.Outcome, Retest: in.Retest, RetestBy: in.RetestBy,
		Instruments: in.Instruments, Advisories: in.Advisories, Note: in.Note,
	}
	for i := range in.Points {
		if in.Points[i].Outcome == string(testbay.Fail) {
			r.Failed = append(r.Failed, in.Points[i].Point)
		}
	}
	return r
}

func (s *State) recordSheet(in *Inspection) *RecordSheet {
	sheet := &RecordSheet{RecordInspection: recordInspection(in), Headings: []RecordHeading{}}
	rs, _ := s.RuleSet(in.RuleSet, in.Edition, testbay.Date{})
	for _, h := range rs.Form() {
		heading := RecordHeading{Name: h.Name, Points: []RecordPoint{}}
		for _, p := range h.Points {
			if judged := in.point(p.ID); judged != nil {
				heading.Points = append(heading.Points, RecordPoint{Name: p.Name, PointJudged: *judged})
			}
		}
		sheet.Headings = append(sheet.Headings, heading)
	}
	return sheet
}

// aboutInspection finds the facts about an inspection: itself and those it
// retests, its defects and their end, its certificate.
func (s *State) aboutInspection(in *Inspection) func(events.Fact) bool {
	chain := map[string]bool{}
	defects := map[string]bool{}
	for at := in; at != nil && !chain[at.Inspection]; at = s.Bay.Inspections[at.Retest] {
		chain[at.Inspection] = true
		for i := range at.Points {
			if d := at.Points[i].Defect; d != "" {
				defects[d] = true
			}
		}
	}
	certs := map[string]bool{}
	return func(f events.Fact) bool {
		switch f := f.(type) {
		case *events.InspectionJudged:
			return chain[f.Inspection]
		case *events.DefectReported:
			return defects[f.Defect]
		case *events.DefectCleared:
			return defects[f.Defect]
		case *events.CertificateIssued:
			certs[f.Certificate] = f.Inspection == in.Inspection
			return certs[f.Certificate]
		case *events.CertificateWithdrawn:
			return certs[f.Certificate]
		}
		return false
	}
}
