package bay

import (
	"net/http"
	"time"

	"rigledger/api/call"
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

// GetCalibrations answers GET /v1/calibrations.
func GetCalibrations(c *call.Call) error {
	return ofRigs(c, "calibrations", nil, func(s *fleet.State, r *fleet.Rig) (out []*fleet.Calibration) {
		for _, id := range r.Bay.Calibrations {
			out = append(out, s.Bay.Calibrations[id])
		}
		return out
	}, func(m *fleet.Calibration, _ string) call.Place { return call.Place{N: m.N, ID: m.Calibration} }, calibrationDocOf)
}

// GetCalibration answers GET /v1/calibrations/{calibration}.
func GetCalibration(c *call.Call) error {
	return calibrationAnswer(c, http.StatusOK, c.Param("calibration"))
}

func calibrationAnswer(c *call.Call, status int, id string) error {
	var doc calibrationDoc
	var tag string
	err := c.View(func(s *fleet.State) error {
		m := s.Bay.Calibrations[id]
		if m == nil || !c.Sees(s.Rigs[m.Rig]) {
			return call.NoSuch("calibration", id)
		}
		doc, tag = calibrationDocOf(s, m), call.Tag(m.N, call.NoDate, s.Rigs[m.Rig].Changed)
		return nil
	})
	if err != nil {
		return err
	}
	return c.Resource(status, tag, doc)
}

// PostCalibration answers POST /v1/calibrations.
func PostCalibration(c *call.Call) error {
	cmd := fleet.MakeCalibration{ID: fleet.NewCalibrationID()}
	if err := c.Body(&cmd); err != nil {
		return err
	}
	status, id, err := c.Create(&cmd, &cmd.Rig, "/v1/calibrations", cmd.ID)
	if err != nil {
		return err
	}
	return calibrationAnswer(c, status, id)
}
