package workshop

import (
	"net/http"
	"strconv"
	"time"

	"rigledger/api/call"
	"rigledger/api/shape"
	"rigledger/fleet"
)

// defectDoc is a reported fault.
type defectDoc struct {
	Defect     string     `json:"defect"`
	Rig        string     `json:"rig"`
	Yard       string     `json:"yard"`
	Part       string     `json:"part,omitempty"`
	Code       string     `json:"code,omitempty"`
	Text       string     `json:"text"`
	Safety     bool       `json:"safety"`
	Open       bool       `json:"open"`
	ReportedAt time.Time  `json:"reported_at"`
	ReportedBy string     `json:"reported_by"`
	ClearedAt  *time.Time `json:"cleared_at,omitempty"`
	ClearedBy  string     `json:"cleared_by,omitempty"`
	Action     string     `json:"action,omitempty"`
	Inspection string     `json:"inspection,omitempty"` // that found it, at the point Code
	Changed    uint64     `json:"changed_commit"`
}

func defectDocOf(d *fleet.Defect, r *fleet.Rig) defectDoc {
	return defectDoc{
		Defect: d.Defect, Rig: d.Rig, Yard: r.Yard, Part: d.Part, Code: d.Code, Text: d.Text, Safety: d.Safety,
		Open: d.ClearedAt.IsZero(), ReportedAt: d.ReportedAt.UTC(), ReportedBy: d.ReportedBy,
		ClearedAt: shape.Time(d.ClearedAt), ClearedBy: d.ClearedBy, Action: d.Action, Inspection: d.Inspection, Changed: d.Changed,
	}
}

// GetDefects answers GET /v1/defects.
func (res *Resources) GetDefects(c *call.Call) error {
	p := c.Pages("defects", defectSorts...)
	wantedFields := c.Fields(defectDoc{}, "defect")
	states := c.Query.Words("state", "open", "cleared", "all")
	if states == nil {
		states = []string{"open"}
	}
	rigs, yards := c.Query.Words("rig"), c.Query.Words("yard")
	safety := c.Query.Words("safety", "true", "false")
	if err := c.Query.Err(); err != nil {
		return err
	}
	openOnly := len(states) == 1 && states[0] == "open"
	var docs []defectDoc
	var next string
	err := c.View(func(s *fleet.State) error {
		var found []call.Placed[*fleet.Defect]
		consider := func(d *fleet.Defect, r *fleet.Rig) {
			at := defectPlace(d, p.Sort)
			state := "cleared"
			if d.ClearedAt.IsZero() {
				state = "open"
			}
			if p.Wants(at) && (call.Wants(states, state) || call.Wants(states, "all")) && call.Wants(safety, strconv.FormatBool(d.Safety)) {
				found = append(found, call.Placed[*fleet.Defect]{At: at, Of: d})
			}
		}
		wanted := func(r *fleet.Rig) bool { return c.Sees(r) && call.Wants(rigs, r.Rig) && call.Wants(yards, r.Yard) }
		if openOnly {
			for _, r := range s.Rigs {
				if wanted(r) {
					for _, id := range r.Defects {
						consider(s.Defects[id], r)
					}
				}
			}
		} else {
			for _, d := range s.Defects {
				if r := s.Rigs[d.Rig]; wanted(r) {
					consider(d, r)
				}
			}
		}
		found, next = call.Cut(&p, found)
		docs = make([]defectDoc, 0, len(found))
		for _, f := range found {
			docs = append(docs, defectDocOf(f.Of, s.Rigs[f.Of.Rig]))
		}
		return nil
	})
	if err != nil {
		return err
	}
	thin, err := wantedFields.Of(docs)
	if err != nil {
		return err
	}
	return c.List("defects", thin, next, nil)
}

func seenDefect(c *call.Call, s *fleet.State, id string) (*fleet.Defect, error) {
	d := s.Defects[id]
	if d == nil || !c.Sees(s.Rigs[d.Rig]) {
		return nil, call.NoSuch("defect", id)
	}
	return d, nil
}

// GetDefect answers GET /v1/defects/{defect}.
func (res *Resources) GetDefect(c *call.Call) error {
	return defectAnswer(c, http.StatusOK, c.Param("defect"))
}

func defectAnswer(c *call.Call, status int, id string) error {
	var doc defectDoc
	var tag string
	err := c.View(func(s *fleet.State) error {
		d, err := seenDefect(c, s, id)
		if err != nil {
			return err
		}
		r := s.Rigs[d.Rig]
		doc, tag = defectDocOf(d, r), call.Tag(d.Changed, call.NoDate, r.Changed) // the rig's yard is in it
		return nil
	})
	if err != nil {
		return err
	}
	return c.Resource(status, tag, doc)
}

// PostDefect answers POST /v1/defects.
func (res *Resources) PostDefect(c *call.Call) error {
	cmd := fleet.ReportDefect{ID: fleet.NewDefectID()}
	if err := c.Body(&cmd); err != nil {
		return err
	}
	status, id, err := c.Create(&cmd, &cmd.Rig, "/v1/defects", cmd.ID)
	if err != nil {
		return err
	}
	return defectAnswer(c, status, id)
}

// ClearDefect answers POST /v1/defects/{defect}/clear.
func (res *Resources) ClearDefect(c *call.Call) error {
	cmd := fleet.ClearDefect{Defect: c.Param("defect")}
	err := c.View(func(s *fleet.State) error {
		d, err := seenDefect(c, s, cmd.Defect)
		if err == nil {
			cmd.IfMatch, err = c.IfMatch(d.Changed, d.Changed)
		}
		return err
	})
	if err != nil {
		return err
	}
	if err := c.Body(&cmd); err != nil {
		return err
	}
	may := func(s *fleet.State) error {
		_, err := seenDefect(c, s, cmd.Defect)
		return err
	}
	d, err := c.Do(&cmd, http.StatusOK, may)
	if err != nil {
		return err
	}
	return defectAnswer(c, d.Status, cmd.Defect)
}

// Orders of the list, the usual one first.
var defectSorts = []string{"reported", "-reported", "rig"}

func defectPlace(d *fleet.Defect, order string) call.Place {
	ms := d.ReportedAt.UnixMilli()
	switch order {
	case "-reported":
		return call.Place{N: call.Down(ms), ID: d.Defect}
	case "rig":
		return call.ByRig(d.Rig, d.Defect)
	}
	return call.Place{N: uint64(ms), ID: d.Defect}
}
