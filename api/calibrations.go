package api

import (
	"net/http"
	"time"

	"rigledger/events"
	"rigledger/fleet"
	"rigledger/fleet/testbay"
)

// calibrationDoc is a calibration, in a list or by itself.
type calibrationDoc struct {
	events.CalibrationMade
	Yard     string    `json:"yard"`
	At       time.Time `json:"at"`
	By       string    `json:"by"`
	Commit   uint64    `json:"commit"`
	Recorded time.Time `json:"recorded"`
	Caution  string    `json:"caution"`
	Notice   string    `json:"notice"`
}

func calibrationDocOf(s *fleet.State, m *fleet.Calibration) calibrationDoc {
	return calibrationDoc{
		CalibrationMade: m.CalibrationMade, Yard: s.Rigs[m.Rig].Yard, At: m.At.UTC(), By: m.By, Commit: m.N, Recorded: m.Recorded.UTC(),
		Caution: testbay.CalibrationCaution, Notice: testbay.Notice,
	}
}

func getCalibrations(c *call) error {
	return ofRigs(c, "calibrations", nil, func(s *fleet.State, r *fleet.Rig) (out []*fleet.Calibration) {
		for _, id := range r.Bay.Calibrations {
			out = append(out, s.Bay.Calibrations[id])
		}
		return out
	}, func(m *fleet.Calibration, _ string) place { return place{m.N, m.Calibration} }, calibrationDocOf)
}

func getCalibration(c *call) error {
	return calibrationAnswer(c, http.StatusOK, c.Param("calibration"))
}

func calibrationAnswer(c *call, status int, id string) error {
	var doc calibrationDoc
	var tag string
	err := c.view(func(s *fleet.State) error {
		m := s.Bay.Calibrations[id]
		if m == nil || !c.sees(s.Rigs[m.Rig]) {
			return notFound("calibration", id)
		}
		doc, tag = calibrationDocOf(s, m), tagOf(m.N, noDate, s.Rigs[m.Rig].Changed)
		return nil
	})
	if err != nil {
		return err
	}
	return c.resource(status, tag, doc)
}

func postCalibration(c *call) error {
	cmd := fleet.MakeCalibration{ID: fleet.NewCalibrationID()}
	if err := c.body(&cmd); err != nil {
		return err
	}
	d, err := c.do(&cmd, http.StatusCreated, c.mayNamed(&cmd.Rig))
	if err != nil {
		return err
	}
	id := cmd.ID
	if d.replayed {
		id = d.ref
	}
	c.setHeader("Location", "/v1/calibrations/"+id)
	return calibrationAnswer(c, d.status, id)
}
