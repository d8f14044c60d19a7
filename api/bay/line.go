package bay

import (
	"time"

	"rigledger/events"
	"rigledger/fleet"
	"rigledger/fleet/plan"
)

// Line is what a list of rigs tells of the test bay.
type Line struct {
	Place           string           `json:"place,omitempty"`
	InspectBy       string           `json:"inspect_by,omitempty"` // the strictest rule of the place
	DaysLeft        *int             `json:"days_left,omitempty"`
	Certificate     *certificateWord `json:"certificate,omitempty"`
	LastCalibration *calibrationWord `json:"last_calibration,omitempty"`
	Nozzles         *nozzlesWord     `json:"nozzles,omitempty"` // their newest measurement, by whichever way
}

type certificateWord struct {
	Certificate string `json:"certificate"`
	Number      string `json:"number"`
	Inspected   string `json:"inspected"`
	Expires     string `json:"expires,omitempty"`
}

type calibrationWord struct {
	Calibration string              `json:"calibration"`
	At          time.Time           `json:"at"`
	Outcome     string              `json:"outcome"`
	Worst       *events.WorstNozzle `json:"worst_nozzle,omitempty"`
}

type nozzlesWord struct {
	At          time.Time           `json:"at"`
	Worst       *events.WorstNozzle `json:"worst_nozzle"`
	Calibration string              `json:"calibration,omitempty"`
	Inspection  string              `json:"inspection,omitempty"`
}

// LineOf tells how a rig stands with the test bay.
func LineOf(s *fleet.State, r *fleet.Rig, today plan.Date) Line {
	var l Line
	if p, due, err := s.NextInspection(r, today); p != nil {
		l.Place = p.Place
		if err == nil && due.On != nil {
			left := due.DaysLeft
			l.InspectBy, l.DaysLeft = due.On.String(), &left
		}
	}
	if z := s.CertificateOf(r); z != nil {
		l.Certificate = &certificateWord{z.Certificate, z.Number, z.Inspected, z.Expires}
	}
	if m := s.LastCalibration(r); m != nil {
		l.LastCalibration = &calibrationWord{m.Calibration, m.At.UTC(), m.Outcome, m.Worst}
	}
	if n := s.NozzlesOf(r); n != nil {
		l.Nozzles = &nozzlesWord{n.At.UTC(), n.Worst, n.Calibration, n.Inspection}
	}
	return l
}
