package bay

import (
	"encoding/json"
	"net/http"
	"time"

	"rigledger/api/call"
	"rigledger/api/shape"
	"rigledger/events"
	"rigledger/fleet"
	"rigledger/fleet/testbay"
)

// inspectionLine is an inspection in a list.
type inspectionLine struct {
	Inspection string    `json:"inspection"`
	Rig        string    `json:"rig"`
	Yard       string    `json:"yard"`
	At         time.Time `json:"at"`
	By         string    `json:"by"`
	Commit     uint64    `json:"commit"`
	Recorded   time.Time `json:"recorded"`
	Statutory  bool      `json:"statutory"`
	RuleSet    string    `json:"ruleset"`
	Edition    string    `json:"edition"`
	Tester     string    `json:"tester"`
	Station    string    `json:"station,omitempty"`
	Outcome    string    `json:"outcome"`
	Failed     []string  `json:"failed"`
	RetestOf   string    `json:"retest_of,omitempty"`
	RetestBy   string    `json:"retest_by,omitempty"`
}

// inspectionDoc is an inspection by itself.
type inspectionDoc struct {
	inspectionLine
	Retested    []string             `json:"retested"`
	Points      []events.PointJudged `json:"points"`
	Defects     []inspectionDefect   `json:"defects"`
	Sheet       json.RawMessage      `json:"sheet"`
	Instruments []events.Instrument  `json:"instruments"`
	Advisories  []string             `json:"advisories"`
	Note        string               `json:"note,omitempty"`
	File        string               `json:"file,omitempty"`
	Notice      string               `json:"notice"`
}

// inspectionDefect is a failed point's defect as it stands.
type inspectionDefect struct {
	Defect    string     `json:"defect"`
	Point     string     `json:"point"`
	Safety    bool       `json:"safety"`
	Open      bool       `json:"open"`
	ClearedAt *time.Time `json:"cleared_at,omitempty"`
	Action    string     `json:"action,omitempty"`
}

func inspectionLineOf(s *fleet.State, in *fleet.Inspection) inspectionLine {
	l := inspectionLine{
		Inspection: in.Inspection, Rig: in.Rig, Yard: s.Rigs[in.Rig].Yard, At: in.At.UTC(), By: in.By, Commit: in.N, Recorded: in.Recorded.UTC(),
		Statutory: in.Statutory, RuleSet: in.RuleSet, Edition: in.Edition, Tester: in.Tester, Station: in.Station,
		Outcome: in.Outcome, Failed: []string{}, RetestOf: in.Retest, RetestBy: in.RetestBy,
	}
	for i := range in.Points {
		if in.Points[i].Outcome == string(testbay.Fail) {
			l.Failed = append(l.Failed, in.Points[i].Point)
		}
	}
	return l
}

func inspectionDocOf(s *fleet.State, in *fleet.Inspection) inspectionDoc {
	d := inspectionDoc{
		inspectionLine: inspectionLineOf(s, in), Retested: shape.List(in.Retested), Points: shape.List(in.Points), Defects: []inspectionDefect{},
		Sheet: json.RawMessage(in.Sheet), Instruments: shape.List(in.Instruments), Advisories: shape.List(in.Advisories), Note: in.Note, File: in.File,
		Notice: testbay.Notice,
	}
	for i := range in.Points {
		if f := s.Defects[in.Points[i].Defect]; f != nil {
			d.Defects = append(d.Defects, inspectionDefect{
				Defect: f.Defect, Point: in.Points[i].Point, Safety: f.Safety, Open: f.ClearedAt.IsZero(), ClearedAt: shape.Time(f.ClearedAt), Action: f.Action,
			})
		}
	}
	return d
}

// GetInspections answers GET /v1/inspections.
func GetInspections(c *call.Call) error {
	outcomes := c.Query.Words("outcome", "pass", "pass_with_advisories", "fail", "incomplete")
	return ofRigs(c, "inspections", inspectionSorts, func(s *fleet.State, r *fleet.Rig) (out []*fleet.Inspection) {
		for _, id := range r.Bay.Inspections {
			if in := s.Bay.Inspections[id]; call.Wants(outcomes, in.Outcome) {
				out = append(out, in)
			}
		}
		return out
	}, inspectionPlace, inspectionLineOf)
}

func seenInspection(c *call.Call, s *fleet.State, id string) (*fleet.Inspection, error) {
	in := s.Bay.Inspections[id]
	if in == nil || !c.Sees(s.Rigs[in.Rig]) {
		return nil, call.NoSuch("inspection", id)
	}
	return in, nil
}

// GetInspection answers GET /v1/inspections/{inspection}.
func GetInspection(c *call.Call) error {
	return inspectionAnswer(c, http.StatusOK, c.Param("inspection"))
}

func inspectionAnswer(c *call.Call, status int, id string) error {
	var doc inspectionDoc
	var tag string
	err := c.View(func(s *fleet.State) error {
		in, err := seenInspection(c, s, id)
		if err == nil {
			doc, tag = inspectionDocOf(s, in), call.Tag(in.N, call.NoDate, s.Rigs[in.Rig].Changed) // its defects and the yard are in it
		}
		return err
	})
	if err != nil {
		return err
	}
	return c.Resource(status, tag, doc)
}

// PostInspection answers POST /v1/inspections.
func PostInspection(c *call.Call) error {
	cmd := fleet.JudgeInspection{ID: fleet.NewInspectionID()}
	if err := c.Body(&cmd); err != nil {
		return err
	}
	if cmd.Certificate != nil {
		cmd.Certificate.ID = fleet.NewCertificateID()
	}
	status, id, err := c.Create(&cmd, &cmd.Rig, "/v1/inspections", cmd.ID)
	if err != nil {
		return err
	}
	return inspectionAnswer(c, status, id)
}

// Orders of the list, the usual one first.
var inspectionSorts = []string{"recorded", "-recorded", "rig"}

func inspectionPlace(in *fleet.Inspection, order string) call.Place {
	switch order {
	case "-recorded":
		return call.Place{N: call.Down(int64(in.N)), ID: in.Inspection}
	case "rig":
		return call.ByRig(in.Rig, in.Inspection)
	}
	return call.Place{N: in.N, ID: in.Inspection}
}
