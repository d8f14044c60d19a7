package console

import (
	"rigledger/fleet"
	"rigledger/fleet/testbay"
)

// nozzleOut is a nozzle that is out of limits. Section is the one of the boom that
// it sits in, from the left, 0 where that cannot be said.
type nozzleOut struct {
	testbay.NozzleReading
	Section int
}

// nozzlesOut lists the nozzles of a catch test that are to be changed.
func nozzlesOut(row *testbay.CatchResult, sections int) (out []nozzleOut) {
	for _, n := range row.Nozzles {
		if n.Verdict == nil || n.Verdict.Pass {
			continue
		}
		one := nozzleOut{NozzleReading: n}
		if sections > 1 && len(row.Nozzles)%sections == 0 {
			one.Section = (n.Position-1)*sections/len(row.Nozzles) + 1
		}
		out = append(out, one)
	}
	return out
}

// sectionsOf counts the boom's sections. They are taken to be of like width, as in
// the drawing: nobody enters how many nozzles each of them has.
func sectionsOf(s *fleet.State, r *fleet.Rig) (n int) {
	for _, id := range r.Fitted {
		if s.Parts[id].Kind == "boom-section" {
			n++
		}
	}
	return n
}
