package fleet

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
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
	Place       *Placement         `json:"place,omitempty"`
	Next        *testbay.Due       `json:"next_inspection,omitempty"`
	Certs       []*Certificate     `json:"certificates,omitempty"`
	Sheets      []RecordInspection `json:"inspections,omitempty"`
	Cals        []*Calibration     `json:"calibrations,omitempty"`
	Handovers   []*Handover        `json:"handovers,omitempty"`
	Defects     []*Defect          `json:"open_defects,omitempty"`

	Facts   []Logged      `json:"facts"`
	Commits []CommitProof `json:"commits"`
	Hash    string        `json:"record_hash"`
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

// record builds a record without the hashes of its commits.
func (s *State) record(of, id string, made time.Time) (*Record, *Rig, error) {
	r := &Record{
		Form: RecordForm, Of: of, ID: id, Made: events.Milli(made), Zone: s.zone.String(), AsOf: s.Head, Notice: RecordNotice,
		Facts: []Logged{}, Commits: []CommitProof{},
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
	for _, l := range rig.Timeline {
		if wanted(l.Entry.Fact) {
			r.Facts = append(r.Facts, l)
			if n := len(r.Commits); n == 0 || r.Commits[n-1].N != l.N {
				r.Commits = append(r.Commits, CommitProof{N: l.N, Recorded: l.Recorded})
			}
		}
	}
	return r, rig, nil
}

// auditKinds are the facts of a rig's file. Left out are counters, what waited
// in quarantine, credentials, and items that were only raised or booked.
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
	r.Fitness = &fit
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

// seal hashes a record whose commits are proven.
func (r *Record) seal() error {
	r.Hash = ""
	text, err := json.Marshal(r)
	if err != nil {
		return err
	}
	sum := sha256.Sum256(text)
	r.Hash = hex.EncodeToString(sum[:])
	return nil
}

// Record makes a record of an inspection, a calibration or a rig as the ledger
// stands. may is asked about the rig before anything is told.
func (f *Fleet) Record(ctx context.Context, of, id string, may func(r *Rig) error) (*Record, error) {
	now := f.now()
	var r *Record
	var text []byte
	var err error
	f.View(func(s *State) {
		var rig *Rig
		if r, rig, err = s.record(of, id, now); err == nil {
			if err = may(rig); err == nil {
				text, err = json.Marshal(r) // a copy that stands still
			}
		}
	})
	if err != nil {
		return nil, err
	}
	r = &Record{}
	if err := json.Unmarshal(text, r); err != nil {
		return nil, err
	}
	if err := f.prove(ctx, r.Commits); err != nil {
		return nil, &Error{Code: Down, Message: "the ledger cannot be read", Cause: err}
	}
	return r, r.seal()
}

// readOn is how many commits are read past rather than looked up anew: a look-up
// costs about as much as reading a hundred in order (measured on SQLite).
const readOn = 200

// prove fills in the hashes of commits, which are in order, from the ledger.
func (f *Fleet) prove(ctx context.Context, commits []CommitProof) error {
	for i := 0; i < len(commits); {
		first := commits[i].N
		err := f.store.Read(ctx, first, func(c *events.Commit) error {
			if c.N == commits[i].N {
				commits[i].Hash = c.Hash
				i++
			}
			if i == len(commits) || commits[i].N > c.N+readOn {
				return errFound
			}
			return nil
		})
		switch {
		case err != nil && !errors.Is(err, errFound):
			return fmt.Errorf("reading commit %d and on: %w", first, err)
		case err == nil && i < len(commits):
			return fmt.Errorf("commit %d is not in the ledger", commits[i].N)
		}
	}
	return nil
}

// VerifyRecord holds a record, as JSON, against a ledger: it replays the ledger
// up to the record's commit, makes the record anew and compares every character
// but white space between them. The error says what differs. The record names the
// time zone that it was made under, which the ledger does not hold; with a zone
// it must be that one.
func VerifyRecord(ctx context.Context, store events.Store, zone *time.Location, text []byte) (*Record, error) {
	var given Record
	if err := json.Unmarshal(text, &given); err != nil {
		return nil, fmt.Errorf("the file is not a record: %w", err)
	}
	if zone == nil {
		var err error
		if zone, err = time.LoadLocation(given.Zone); err != nil || given.Zone == "Local" {
			return nil, fmt.Errorf("the record was made in the time zone %q, which nobody knows", given.Zone)
		}
	}
	switch {
	case given.Form != RecordForm:
		return nil, fmt.Errorf("the record has form %d; this rigledger makes and verifies form %d", given.Form, RecordForm)
	case given.Zone != zone.String():
		return nil, fmt.Errorf("the record was made in the time zone %q, and this is %q", given.Zone, zone)
	case given.AsOf.N == 0:
		return nil, errors.New("the record names no commit")
	}
	s, hashes := newState(zone), map[uint64]events.Hash{}
	err := store.Read(ctx, 1, func(c *events.Commit) error {
		if err := s.Apply(c); err != nil {
			return err
		}
		hashes[c.N] = c.Hash
		if c.N == given.AsOf.N {
			return errFound
		}
		return nil
	})
	switch {
	case err != nil && !errors.Is(err, errFound):
		return nil, fmt.Errorf("reading the ledger: %w", err)
	case s.Head.N < given.AsOf.N:
		return nil, fmt.Errorf("the record was made at commit %d; this ledger ends at %d", given.AsOf.N, s.Head.N)
	case s.Head.Hash != given.AsOf.Hash:
		return nil, fmt.Errorf("commit %d of this ledger has the hash %s; the record says %s", given.AsOf.N, s.Head.Hash, given.AsOf.Hash)
	}
	anew, _, err := s.record(given.Of, given.ID, given.Made)
	if err != nil {
		return nil, fmt.Errorf("this ledger does not hold it: %w", err)
	}
	for i := range anew.Commits {
		anew.Commits[i].Hash = hashes[anew.Commits[i].N]
	}
	if err := anew.seal(); err != nil {
		return nil, err
	}
	want, err := json.Marshal(anew)
	if err != nil {
		return nil, err
	}
	var got bytes.Buffer
	if err := json.Compact(&got, text); err != nil {
		return nil, err
	}
	if !bytes.Equal(got.Bytes(), want) {
		return nil, fmt.Errorf("the record is not what the ledger says: %s", whereApart(got.Bytes(), want))
	}
	return anew, nil
}

// whereApart shows the surroundings of the first character that differs.
func whereApart(got, want []byte) string {
	i := 0
	for i < len(got) && i < len(want) && got[i] == want[i] {
		i++
	}
	around := func(b []byte) string {
		return strings.ToValidUTF8(string(b[max(0, min(i, len(b))-40):min(len(b), i+30)]), "")
	}
	return fmt.Sprintf("…%s… where the ledger has …%s…", around(got), around(want))
}
