package api

import (
	"encoding/json"
	"net/http"
	"strings"
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

// ofRigs pages what rigs have done: each gives what one rig has.
func ofRigs[T, D any](c *call, name string, sorts []string, of func(s *fleet.State, r *fleet.Rig) []T, at func(t T, order string) place, doc func(s *fleet.State, t T) D) error {
	p := c.pages(name, sorts...)
	var like D
	wanted := c.fields(like, strings.TrimSuffix(name, "s"))
	rigs, yards := c.query.words("rig"), c.query.words("yard")
	if err := c.query.err(); err != nil {
		return err
	}
	docs := []D{}
	var next string
	err := c.view(func(s *fleet.State) error {
		var found []placed[T]
		for code, r := range s.Rigs {
			if !c.sees(r) || !has(rigs, code) || !has(yards, r.Yard) {
				continue
			}
			for _, t := range of(s, r) {
				if at := at(t, p.sort); p.wants(at) {
					found = append(found, placed[T]{at, t})
				}
			}
		}
		found, next = cut(&p, found)
		for _, f := range found {
			docs = append(docs, doc(s, f.of))
		}
		return nil
	})
	if err != nil {
		return err
	}
	thin, err := wanted.of(docs)
	if err != nil {
		return err
	}
	return c.list(name, thin, next, nil)
}

func getInspections(c *call) error {
	outcomes := c.query.words("outcome", "pass", "pass_with_advisories", "fail", "incomplete")
	return ofRigs(c, "inspections", inspectionSorts, func(s *fleet.State, r *fleet.Rig) (out []*fleet.Inspection) {
		for _, id := range r.Bay.Inspections {
			if in := s.Bay.Inspections[id]; has(outcomes, in.Outcome) {
				out = append(out, in)
			}
		}
		return out
	}, inspectionPlace, inspectionLineOf)
}

func (c *call) inspection(s *fleet.State, id string) (*fleet.Inspection, error) {
	in := s.Bay.Inspections[id]
	if in == nil || !c.sees(s.Rigs[in.Rig]) {
		return nil, notFound("inspection", id)
	}
	return in, nil
}

func getInspection(c *call) error {
	return c.inspectionAnswer(http.StatusOK, c.gin.Param("inspection"))
}

func (c *call) inspectionAnswer(status int, id string) error {
	var doc inspectionDoc
	var tag string
	err := c.view(func(s *fleet.State) error {
		in, err := c.inspection(s, id)
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

// mayNamed holds a token to its yards where the body names the rig: outside
// them there is no such rig.
func (c *call) mayNamed(rig *string) func(s *fleet.State) error {
	return func(s *fleet.State) error {
		if r := s.Rigs[*rig]; r != nil && !c.sees(r) {
			return &fleet.Error{Code: fleet.Invalid, Message: "the request does not hold together", Fields: []fleet.FieldError{
				{Field: "/rig", Message: "there is no rig " + quoted(*rig)},
			}}
		}
		return nil
	}
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
	return c.inspectionAnswer(d.status, id)
}

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
	return c.calibrationAnswer(http.StatusOK, c.gin.Param("calibration"))
}

func (c *call) calibrationAnswer(status int, id string) error {
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
	return c.calibrationAnswer(d.status, id)
}

// certificateDoc is a certificate, in a list or by itself.
type certificateDoc struct {
	events.CertificateIssued
	Yard      string         `json:"yard"`
	At        time.Time      `json:"at"`
	By        string         `json:"by"`
	Commit    uint64         `json:"commit"`
	Recorded  time.Time      `json:"recorded"`
	Withdrawn *withdrawalDoc `json:"withdrawn,omitempty"`
}

type withdrawalDoc struct {
	At     time.Time `json:"at"`
	By     string    `json:"by"`
	Reason string    `json:"reason"`
	Commit uint64    `json:"commit"`
}

func certificateDocOf(s *fleet.State, z *fleet.Certificate) certificateDoc {
	d := certificateDoc{
		CertificateIssued: z.CertificateIssued, Yard: s.Rigs[z.Rig].Yard, At: z.At.UTC(), By: z.By, Commit: z.N, Recorded: z.Recorded.UTC(),
	}
	if w := z.Withdrawn; w != nil {
		d.Withdrawn = &withdrawalDoc{At: w.At.UTC(), By: w.By, Reason: w.Reason, Commit: w.N}
	}
	return d
}

func getCertificates(c *call) error {
	return ofRigs(c, "certificates", certificateSorts, func(s *fleet.State, r *fleet.Rig) (out []*fleet.Certificate) {
		for _, id := range r.Bay.Certificates {
			out = append(out, s.Bay.Certificates[id])
		}
		return out
	}, certificatePlace, certificateDocOf)
}

func (c *call) certificate(s *fleet.State, id string) (*fleet.Certificate, error) {
	z := s.Bay.Certificates[id]
	if z == nil || !c.sees(s.Rigs[z.Rig]) {
		return nil, notFound("certificate", id)
	}
	return z, nil
}

func getCertificate(c *call) error {
	return c.certificateAnswer(http.StatusOK, c.gin.Param("certificate"))
}

func (c *call) certificateAnswer(status int, id string) error {
	var doc certificateDoc
	var tag string
	err := c.view(func(s *fleet.State) error {
		z, err := c.certificate(s, id)
		if err == nil {
			doc, tag = certificateDocOf(s, z), tagOf(z.N, noDate, s.Rigs[z.Rig].Changed)
		}
		return err
	})
	if err != nil {
		return err
	}
	return c.resource(status, tag, doc)
}

func postCertificate(c *call) error {
	cmd := fleet.IssueCertificate{ID: fleet.NewCertificateID()}
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
	c.setHeader("Location", "/v1/certificates/"+id)
	return c.certificateAnswer(d.status, id)
}

func withdrawCertificate(c *call) error {
	cmd := fleet.WithdrawCertificate{Certificate: c.gin.Param("certificate")}
	may := func(s *fleet.State) error {
		_, err := c.certificate(s, cmd.Certificate)
		return err
	}
	if err := c.view(may); err != nil {
		return err
	}
	if err := c.body(&cmd); err != nil {
		return err
	}
	d, err := c.do(&cmd, http.StatusOK, may)
	if err != nil {
		return err
	}
	return c.certificateAnswer(d.status, cmd.Certificate)
}
