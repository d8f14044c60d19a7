package api

import (
	"net/http"
	"strconv"
	"time"

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
		ClearedAt: timeOrNil(d.ClearedAt), ClearedBy: d.ClearedBy, Action: d.Action, Inspection: d.Inspection, Changed: d.Changed,
	}
}

func (res *workshopResources) getDefects(c *call) error {
	p := c.pages("defects", defectSorts...)
	wantedFields := c.fields(defectDoc{}, "defect")
	states := c.Query.words("state", "open", "cleared", "all")
	if states == nil {
		states = []string{"open"}
	}
	rigs, yards := c.Query.words("rig"), c.Query.words("yard")
	safety := c.Query.words("safety", "true", "false")
	if err := c.Query.err(); err != nil {
		return err
	}
	openOnly := len(states) == 1 && states[0] == "open"
	var docs []defectDoc
	var next string
	err := c.view(func(s *fleet.State) error {
		var found []placed[*fleet.Defect]
		consider := func(d *fleet.Defect, r *fleet.Rig) {
			at := defectPlace(d, p.sort)
			state := "cleared"
			if d.ClearedAt.IsZero() {
				state = "open"
			}
			if p.wants(at) && (has(states, state) || has(states, "all")) && has(safety, strconv.FormatBool(d.Safety)) {
				found = append(found, placed[*fleet.Defect]{at, d})
			}
		}
		wanted := func(r *fleet.Rig) bool { return c.sees(r) && has(rigs, r.Rig) && has(yards, r.Yard) }
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
		found, next = cut(&p, found)
		docs = make([]defectDoc, 0, len(found))
		for _, f := range found {
			docs = append(docs, defectDocOf(f.of, s.Rigs[f.of.Rig]))
		}
		return nil
	})
	if err != nil {
		return err
	}
	thin, err := wantedFields.of(docs)
	if err != nil {
		return err
	}
	return c.list("defects", thin, next, nil)
}

func seenDefect(c *call, s *fleet.State, id string) (*fleet.Defect, error) {
	d := s.Defects[id]
	if d == nil || !c.sees(s.Rigs[d.Rig]) {
		return nil, notFound("defect", id)
	}
	return d, nil
}

func (res *workshopResources) getDefect(c *call) error {
	return defectAnswer(c, http.StatusOK, c.Param("defect"))
}

func defectAnswer(c *call, status int, id string) error {
	var doc defectDoc
	var tag string
	err := c.view(func(s *fleet.State) error {
		d, err := seenDefect(c, s, id)
		if err != nil {
			return err
		}
		r := s.Rigs[d.Rig]
		doc, tag = defectDocOf(d, r), tagOf(d.Changed, noDate, r.Changed) // the rig's yard is in it
		return nil
	})
	if err != nil {
		return err
	}
	return c.resource(status, tag, doc)
}

func (res *workshopResources) postDefect(c *call) error {
	cmd := fleet.ReportDefect{ID: fleet.NewDefectID()}
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
	c.setHeader("Location", "/v1/defects/"+id)
	return defectAnswer(c, d.status, id)
}

func (res *workshopResources) clearDefect(c *call) error {
	cmd := fleet.ClearDefect{Defect: c.Param("defect")}
	err := c.view(func(s *fleet.State) error {
		d, err := seenDefect(c, s, cmd.Defect)
		if err == nil {
			cmd.IfMatch, err = c.ifMatch(d.Changed, d.Changed)
		}
		return err
	})
	if err != nil {
		return err
	}
	if err := c.body(&cmd); err != nil {
		return err
	}
	may := func(s *fleet.State) error {
		_, err := seenDefect(c, s, cmd.Defect)
		return err
	}
	d, err := c.do(&cmd, http.StatusOK, may)
	if err != nil {
		return err
	}
	return defectAnswer(c, d.status, cmd.Defect)
}

// Orders of the list, the usual one first.
var defectSorts = []string{"reported", "-reported", "rig"}

func defectPlace(d *fleet.Defect, order string) place {
	ms := d.ReportedAt.UnixMilli()
	switch order {
	case "-reported":
		return place{down(ms), d.Defect}
	case "rig":
		return byRig(d.Rig, d.Defect)
	}
	return place{uint64(ms), d.Defect}
}
