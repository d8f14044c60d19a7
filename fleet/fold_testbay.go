package fleet

import (
	"fmt"
	"slices"
	"strings"

	"rigledger/events"
	"rigledger/fleet/testbay"
)

// applyBay folds the facts of the test bay; known is false for any other fact.
func (s *State) applyBay(c *events.Commit, e *events.Entry, rig *Rig) (known bool, err error) {
	switch f := e.Fact.(type) {
	case *events.RigPlaced:
		rig.Bay.Places = placedAt(rig.Bay.Places, Placement{
			Proof: proof(c, e), Place: f.Place, Schemes: f.Schemes, Contractor: f.Contractor, Leased: f.Leased, FirstPurchase: f.FirstPurchase,
		})
	case *events.YardPlaced:
		if s.Bay.Yards == nil {
			s.Bay.Yards = map[string][]Placement{}
		}
		s.Bay.Yards[f.Yard] = placedAt(s.Bay.Yards[f.Yard], Placement{Proof: proof(c, e), Place: f.Place, Schemes: f.Schemes, Contractor: f.Contractor})
		for _, r := range s.Rigs {
			if r.Yard == f.Yard {
				r.Changed = c.N // its fitness may be another now
			}
		}
	case *events.RuleSetPublished:
		known := make([]testbay.RuleSet, 0, len(s.Bay.RuleSets)+2)
		for _, v := range s.RuleSets() {
			known = append(known, v.Parsed)
		}
		parsed, err := testbay.ParseRuleSet([]byte(f.Text), known...)
		if err != nil {
			return true, fmt.Errorf("rule set %s edition %s: %w", f.RuleSet, f.Edition, err)
		}
		s.Bay.RuleSets = append(s.Bay.RuleSets, &RuleSetVersion{Proof: proof(c, e), Text: f.Text, Parsed: parsed})
	case *events.IntervalsPublished:
		parsed, err := testbay.ParseIntervals([]byte(f.Text))
		if err != nil {
			return true, fmt.Errorf("inspection intervals: %w", err)
		}
		s.Bay.Intervals = append(s.Bay.Intervals, &IntervalsVersion{Proof: proof(c, e), Text: f.Text, Parsed: parsed})
		for _, r := range s.Rigs {
			r.Changed = c.N
		}
	case *events.InspectionJudged:
		in := &Inspection{InspectionJudged: *f, Proof: proof(c, e)}
		in.Worst, in.AllNozzles = s.worstOnSheet(in)
		s.Bay.Inspections[f.Inspection] = in
		rig.Bay.Inspections = append(rig.Bay.Inspections, f.Inspection)
		s.refer(f.File, f.Rig)
	case *events.CalibrationMade:
		s.Bay.Calibrations[f.Calibration] = &Calibration{CalibrationMade: *f, Proof: proof(c, e)}
		rig.Bay.Calibrations = append(rig.Bay.Calibrations, f.Calibration)
		s.refer(f.File, f.Rig)
	case *events.CertificateIssued:
		s.Bay.Certificates[f.Certificate] = &Certificate{CertificateIssued: *f, Proof: proof(c, e)}
		rig.Bay.Certificates = append(rig.Bay.Certificates, f.Certificate)
		s.refer(f.File, f.Rig)
	case *events.CertificateWithdrawn:
		cert := s.Bay.Certificates[f.Certificate]
		if cert == nil {
			return true, fmt.Errorf("unknown certificate %q", f.Certificate)
		}
		cert.Withdrawn = &Withdrawal{Proof: proof(c, e), Reason: f.Reason}
	case *events.HandoverSigned:
		rig.Bay.Handovers = append(rig.Bay.Handovers, &Handover{HandoverSigned: *f, Proof: proof(c, e)})
	case *events.FileKept:
		known := s.Bay.Files[f.File]
		if known == nil {
			s.Bay.Files[f.File] = &File{File: f.File, Name: f.Name, Type: f.Type, Size: len(f.Bytes), Proof: proof(c, e)}
		} else if _, _, ok := known.KeptBy(e.By); !ok {
			known.Again = append(known.Again, FileAgain{Name: f.Name, Proof: proof(c, e)})
		}
	default:
		return false, nil
	}
	return true, nil
}

// placedAt inserts a placement by its time; of the same time the later said counts.
func placedAt(list []Placement, p Placement) []Placement {
	i := len(list)
	for i > 0 && list[i-1].At.After(p.At) {
		i--
	}
	return slices.Insert(list, i, p)
}

// refer remembers that something of a rig refers to a file.
func (s *State) refer(file, rig string) {
	if f := s.Bay.Files[file]; f != nil && !slices.Contains(f.Rigs, rig) {
		f.Rigs = append(f.Rigs, rig)
	}
}

// meteringKinds are the kinds of part that decide how much the rig applies:
// fitting or removing one, or work whose task says so, asks for a calibration.
// Source: design of this program after trade.md section 7 (pump, meter, nozzle
// or regulation touched: a new calibration), common practice.
var meteringKinds = []string{"diaphragm-pump", "centrifugal-pump", "flow-meter", "nozzle-set", "regulation"}

// noteWork keeps what the test bay must know of other facts: work that asks for
// a calibration, and the yards that a rig was brought to. It is called before
// the fact itself is folded.
func (s *State) noteWork(c *events.Commit, e *events.Entry, rig *Rig) {
	switch f := e.Fact.(type) {
	case *events.RigRegistered:
		rig.Bay.Placed = append(rig.Bay.Placed, YardChange{At: e.At, Yard: f.Yard})
	case *events.RigAmended:
		if f.Yard != nil && *f.Yard != rig.Yard {
			rig.Bay.Placed = append(rig.Bay.Placed, YardChange{At: e.At, Yard: *f.Yard})
		}
	case *events.PartFitted:
		if !f.FromStart && slices.Contains(meteringKinds, f.Type) {
			rig.Bay.Works = append(rig.Bay.Works, Work{Proof: proof(c, e), What: f.Name + " fitted", Part: f.Part})
		}
	case *events.PartRemoved:
		if p := s.Parts[f.Part]; p != nil && slices.Contains(meteringKinds, p.Kind) {
			rig.Bay.Works = append(rig.Bay.Works, Work{Proof: proof(c, e), What: p.Name + " removed", Part: f.Part})
		}
	case *events.ItemReturned:
		if f.Step == StepDone {
			rig.Bay.Works = slices.DeleteFunc(rig.Bay.Works, func(w Work) bool { return w.Item == f.Item })
		}
	case *events.ItemFinished:
		it := s.Items[f.Item]
		if it == nil {
			return
		}
		adopted := s.PlanOf(PlanRef{it.Plan, it.Version})
		if adopted == nil {
			return
		}
		tasks := []string{it.Task}
		for _, also := range f.Includes {
			if _, task, ok := strings.Cut(also, "."); ok {
				tasks = append(tasks, task)
			}
		}
		for _, slug := range tasks {
			if t := adopted.Task(slug); t != nil && t.Calibrate {
				rig.Bay.Works = append(rig.Bay.Works, Work{Proof: proof(c, e), What: t.Title, Item: it.Item, Part: it.Part})
				return
			}
		}
	}
}

// inspectionOf gives the inspection that opened a defect: such a defect is
// named "<inspection>.<point>" and follows its inspection in the same commit.
func (s *State) inspectionOf(defect string) string {
	id, _, ok := strings.Cut(defect, ".")
	if !ok || s.Bay.Inspections[id] == nil {
		return ""
	}
	return id
}
