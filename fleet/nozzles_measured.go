package fleet

import (
	"encoding/json"
	"time"

	"rigledger/events"
	"rigledger/fleet/testbay"
)

// NozzlesMeasured is when the nozzles of a rig were measured last, and which was
// worst: by a calibration or by the sheet of an inspection, whichever is newer.
type NozzlesMeasured struct {
	At          time.Time
	Worst       *events.WorstNozzle
	Calibration string // one of the two is ""
	Inspection  string
}

// NozzlesOf is the newest measurement of all nozzles of a rig, nil for none. One
// that left nozzles out counts only while there is none of all: a nozzle that was
// measured alone does not stand for the boom.
func (s *State) NozzlesOf(rig *Rig) *NozzlesMeasured {
	var all, some *NozzlesMeasured
	look := func(m NozzlesMeasured, whole bool) {
		if m.Worst == nil {
			return
		}
		at := &some
		if whole {
			at = &all
		}
		if *at == nil || !m.At.Before((*at).At) {
			*at = &m
		}
	}
	for _, id := range rig.Bay.Calibrations {
		c := s.Bay.Calibrations[id]
		whole := true
		for _, flow := range c.FlowsLMin {
			whole = whole && flow != nil
		}
		look(NozzlesMeasured{At: c.At, Worst: c.Worst, Calibration: id}, whole)
	}
	for _, id := range rig.Bay.Inspections {
		in := s.Bay.Inspections[id]
		look(NozzlesMeasured{At: in.At, Worst: in.Worst, Inspection: id}, in.AllNozzles)
	}
	if all != nil {
		return all
	}
	return some
}

// worstOnSheet finds the worst nozzle on an inspection's sheet; all says that
// every nozzle was measured. Of a retest only what it measured itself counts.
func (s *State) worstOnSheet(in *Inspection) (worst *events.WorstNozzle, all bool) {
	if !in.tested(testbay.PointNozzleFlow) {
		return nil, false
	}
	var sheet struct {
		Measured struct {
			Flow *testbay.CatchTest `json:"nozzle_flow"`
		} `json:"measured"`
	}
	if err := json.Unmarshal([]byte(in.Sheet), &sheet); err != nil || sheet.Measured.Flow == nil {
		return nil, false
	}
	rs, ok := s.RuleSet(in.RuleSet, in.Edition, testbay.Date{})
	if !ok {
		return nil, false
	}
	caught, err := testbay.JudgeCatch(rs, *sheet.Measured.Flow)
	if err != nil {
		return nil, false
	}
	return worstNozzle(caught), len(caught.Missing) == 0
}
