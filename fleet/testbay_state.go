package fleet

import (
	"slices"
	"strings"
	"time"

	"rigledger/events"
	"rigledger/fleet/testbay"
)

// Bay is what the ledger tells of the test bay, for the whole fleet.
type Bay struct {
	Inspections  map[string]*Inspection  `json:"inspections"`
	Calibrations map[string]*Calibration `json:"calibrations"`
	Certificates map[string]*Certificate `json:"certificates"`
	Files        map[string]*File        `json:"files"`
	Yards        map[string][]Placement  `json:"yards,omitempty"`
	RuleSets     []*RuleSetVersion       `json:"rulesets,omitempty"`
	Intervals    []*IntervalsVersion     `json:"intervals,omitempty"`
}

func newBay() Bay {
	return Bay{
		Inspections: map[string]*Inspection{}, Calibrations: map[string]*Calibration{},
		Certificates: map[string]*Certificate{}, Files: map[string]*File{},
	}
}

// RigBay is what the test bay knows of one rig; lists are in the order of the ledger.
type RigBay struct {
	Places       []Placement  `json:"places,omitempty"`
	Inspections  []string     `json:"inspections,omitempty"`
	Calibrations []string     `json:"calibrations,omitempty"`
	Certificates []string     `json:"certificates,omitempty"`
	Handovers    []*Handover  `json:"handovers,omitempty"`
	Works        []Work       `json:"works,omitempty"`
	Placed       []YardChange `json:"yards,omitempty"`
}

// YardBefore is the yard that the rig stood in until it was brought to another at
// a time, "" where it was not.
func (r *Rig) YardBefore(at time.Time, to string) string {
	for i := len(r.Bay.Placed) - 1; i > 0; i-- {
		if p := r.Bay.Placed[i]; p.Yard == to && p.At.Equal(at) {
			return r.Bay.Placed[i-1].Yard
		}
	}
	return ""
}

// YardChange is a yard that the rig was brought to.
type YardChange struct {
	At   time.Time `json:"at"`
	Yard string    `json:"yard"`
}

// Proof says which commit proves something.
type Proof struct {
	N        uint64    `json:"commit"`
	Recorded time.Time `json:"recorded"`
	At       time.Time `json:"at"` // when it holds in the field
	By       string    `json:"by"`
}

func proof(c *events.Commit, e *events.Entry) Proof {
	return Proof{N: c.N, Recorded: c.Recorded, At: e.At, By: e.By}
}

// Placement is the law under which rigs work from a time on.
type Placement struct {
	Proof
	Place         string   `json:"place"`
	Schemes       []string `json:"schemes,omitempty"`
	Contractor    bool     `json:"contractor"`
	Leased        bool     `json:"leased"`
	FirstPurchase string   `json:"first_purchase,omitempty"`
	OfYard        bool     `json:"-"` // the place is the yard's
}

// Inspection is a judged sheet.
type Inspection struct {
	events.InspectionJudged
	Proof
	Worst      *events.WorstNozzle `json:"worst_nozzle,omitempty"` // that it measured itself
	AllNozzles bool                `json:"all_nozzles,omitempty"`  // and it measured every one
}

// Passed says whether nothing failed and nothing is open.
func (i *Inspection) Passed() bool { return passed(i.Outcome) }

func passed(outcome string) bool {
	return outcome == string(testbay.Pass) || outcome == string(testbay.PassWithAdvisories)
}

// point gives what was found at a point, nil when the sheet does not have it.
func (i *Inspection) point(id string) *events.PointJudged {
	for k := range i.Points {
		if i.Points[k].Point == id {
			return &i.Points[k]
		}
	}
	return nil
}

// tested says whether this inspection itself looked at a point: of a retest,
// the points measured anew; else all.
func (i *Inspection) tested(point string) bool {
	return i.Retest == "" || slices.Contains(i.Retested, point)
}

// Calibration is a calibration as made.
type Calibration struct {
	events.CalibrationMade
	Proof
}

// Passed says whether the rig applies what it should.
func (c *Calibration) Passed() bool { return passed(c.Outcome) }

// Certificate is a certificate, perhaps withdrawn.
type Certificate struct {
	events.CertificateIssued
	Proof
	Withdrawn *Withdrawal `json:"withdrawn,omitempty"`
}

// Withdrawal ends a certificate.
type Withdrawal struct {
	Proof
	Reason string `json:"reason"`
}

// Handover is a rig handed over clean.
type Handover struct {
	events.HandoverSigned
	Proof
}

// File is a file in the ledger; its bytes stay there.
type File struct {
	File string `json:"file"`
	Name string `json:"name"`
	Type string `json:"type"`
	Size int    `json:"size"`
	Proof
	Again []FileAgain `json:"again,omitempty"` // by others, who could not know of it
	Rigs  []string    `json:"rigs,omitempty"`  // that something of theirs refers to it
}

// FileAgain is when the same bytes were kept by somebody who sees nothing of the
// first time.
type FileAgain struct {
	Name string `json:"name"`
	Proof
}

// KeptBy gives under which name and when somebody kept the file; ok is false for
// who never did.
func (f *File) KeptBy(who string) (name string, kept Proof, ok bool) {
	if f.By == who {
		return f.Name, f.Proof, true
	}
	for _, a := range f.Again {
		if a.By == who {
			return a.Name, a.Proof, true
		}
	}
	return "", Proof{}, false
}

// RuleSetVersion is one edition of a rule set; built-in ones have no proof.
type RuleSetVersion struct {
	Proof
	Text   string          `json:"text"`
	Parsed testbay.RuleSet `json:"-"`
}

// IntervalsVersion is a table of inspection intervals that somebody added.
type IntervalsVersion struct {
	Proof
	Text   string                `json:"text"`
	Parsed testbay.IntervalTable `json:"-"`
}

// Work is work after which the rig must be calibrated.
type Work struct {
	Proof
	What string `json:"what"`
	Item string `json:"item,omitempty"`
	Part string `json:"part,omitempty"`
}

// RuleSets lists every rule set: those added, the newest first, then the
// built-in ones.
func (s *State) RuleSets() []RuleSetVersion {
	var out []RuleSetVersion
	for i := len(s.Bay.RuleSets) - 1; i >= 0; i-- {
		out = append(out, *s.Bay.RuleSets[i])
	}
	for _, rs := range testbay.RuleSets() {
		out = append(out, RuleSetVersion{Parsed: rs})
	}
	return out
}

// RuleSet finds a rule set; edition "" is the newest that is in force on the
// day, else the newest.
func (s *State) RuleSet(id, edition string, day testbay.Date) (testbay.RuleSet, bool) {
	var newest *testbay.RuleSet
	for _, v := range s.RuleSets() {
		rs := v.Parsed
		if rs.ID != id || edition != "" && rs.Edition != edition {
			continue
		}
		if edition != "" || rs.On(day) {
			return rs, true
		}
		if newest == nil {
			newest = &rs
		}
	}
	if newest == nil {
		return testbay.RuleSet{}, false
	}
	return *newest, true
}

// Intervals is the table of inspection intervals in use: the built-in one, with
// rules of the same id replaced by those that were added, and others added.
func (s *State) Intervals() testbay.IntervalTable {
	table := testbay.Intervals()
	for _, v := range s.Bay.Intervals {
		for _, r := range v.Parsed {
			at := slices.IndexFunc(table, func(old testbay.IntervalRule) bool { return old.ID == r.ID })
			if at < 0 {
				table = append(table, r)
			} else {
				table[at] = r
			}
		}
	}
	return table
}

// placeNamed gives a place as the table spells it.
func placeNamed(table testbay.IntervalTable, name string) (string, bool) {
	for _, r := range table {
		if strings.EqualFold(r.Place, name) {
			return r.Place, true
		}
	}
	return "", false
}

// placeNames lists the places of a table, each once.
func placeNames(table testbay.IntervalTable) []string {
	var out []string
	for _, r := range table {
		if !slices.Contains(out, r.Place) {
			out = append(out, r.Place)
		}
	}
	slices.Sort(out)
	return out
}

// parseBay parses the texts again after a snapshot was read.
func (s *State) parseBay() (err error) {
	known := testbay.RuleSets()
	for _, v := range s.Bay.RuleSets {
		if v.Parsed, err = testbay.ParseRuleSet([]byte(v.Text), known...); err != nil {
			return err
		}
		known = append([]testbay.RuleSet{v.Parsed}, known...)
	}
	for _, v := range s.Bay.Intervals {
		if v.Parsed, err = testbay.ParseIntervals([]byte(v.Text)); err != nil {
			return err
		}
	}
	return nil
}
