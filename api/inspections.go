package api

import (
	"encoding/json"
	"net/http"
	"time"

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
		inspectionLine: inspectionLineOf(s, in), Retested: orEmpty(in.Retested), Points: orEmpty(in.Points), Defects: []inspectionDefect{},
		Sheet: json.RawMessage(in.Sheet), Instruments: orEmpty(in.Instruments), Advisories: orEmpty(in.Advisories), Note: in.Note, File: in.File,
		Notice: testbay.Notice,
	}
	for i := range in.Points {
		if f := s.Defects[in.Points[i].Defect]; f != nil {
			d.Defects = append(d.Defects, inspectionDefect{
				Defect: f.Defect, Point: in.Points[i].Point, Safety: f.Safety, Open: f.ClearedAt.IsZero(), ClearedAt: timeOrNil(f.ClearedAt), Action: f.Action,
			})
		}
	}
	return d
}

func getInspections(c *call) error {
	outcomes := c.Query.words("outcome", "pass", "pass_with_advisories", "fail", "incomplete")
	return ofRigs(c, "inspections", inspectionSorts, func(s *fleet.State, r *fleet.Rig) (out []*fleet.Inspection) {
		for _, id := range r.Bay.Inspections {
			if in := s.Bay.Inspections[id]; has(outcomes, in.Outcome) {
				out = append(out, in)
			}
		}
		return out
	}, inspectionPlace, inspectionLineOf)
}

func seenInspection(c *call, s *fleet.State, id string) (*fleet.Inspection, error) {
	in := s.Bay.Inspections[id]
	if in == nil || !c.sees(s.Rigs[in.Rig]) {
		return nil, notFound("inspection", id)
	}
	return in, nil
}

func getInspection(c *call) error {
	return inspectionAnswer(c, http.StatusOK, c.Param("inspection"))
}

func inspectionAnswer(c *call, status int, id string) error {
	var doc inspectionDoc
	var tag string
	err := c.view(func(s *fleet.State) error {
		in, err := seenInspection(c, s, id)
		if err == nil {
			doc, tag = inspectionDocOf(s, in), tagOf(in.N, noDate, s.Rigs[in.Rig].Changed) // its defects and the yard are in it
		}
		return err
	})
	if err != nil {
		return err
	}
	return c.resource(status, tag, doc)
}

func postInspection(c *call) error {
	cmd := fleet.JudgeInspection{ID: fleet.NewInspectionID()}
	if err := c.body(&cmd); err != nil {
		return err
	}
	if cmd.Certificate != nil {
		cmd.Certificate.ID = fleet.NewCertificateID()
	}
	d, err := c.do(&cmd, http.StatusCreated, c.mayNamed(&cmd.Rig))
	if err != nil {
		return err
	}
	id := cmd.ID
	if d.replayed {
		id = d.ref
	}
	c.setHeader("Location", "/v1/inspections/"+id)
	return inspectionAnswer(c, d.status, id)
}

// Orders of the list, the usual one first.
var inspectionSorts = []string{"recorded", "-recorded", "rig"}

func inspectionPlace(in *fleet.Inspection, order string) place {
	switch order {
	case "-recorded":
		return place{down(int64(in.N)), in.Inspection}
	case "rig":
		return byRig(in.Rig, in.Inspection)
	}
	return place{in.N, in.Inspection}
}
