package bay

import (
	"net/http"
	"time"

	"rigledger/api/call"
	"rigledger/api/shape"
	"rigledger/events"
	"rigledger/fleet"
	"rigledger/fleet/testbay"
)

// fitnessDoc is how a rig stands at a time.
type fitnessDoc struct {
	Rig   string    `json:"rig"`
	At    time.Time `json:"at"`
	Asked string    `json:"asked_about"` // past, now or future
	fleet.Fitness
}

// GetFitness judges a rig at any time: of a date past, as that day ended; of a
// date ahead, the whole day, with what will have expired by then.
func GetFitness(c *call.Call) error {
	var doc fitnessDoc
	var tag string
	text := c.Query.Text("at")
	err := c.View(func(s *fleet.State) error {
		at, given := c.Query.Instant("at", s.Zone())
		if err := c.Query.Err(); err != nil {
			return err
		}
		if given && (at.Year() < 1950 || at.Year() > 2200) {
			c.Query.Fail("at", "must lie between the years 1950 and 2200")
			return c.Query.Err()
		}
		r, err := c.Rig(s)
		if err != nil {
			return err
		}
		today := c.Today(s)
		tag = call.Tag(r.Changed, today)
		if given && len(text) == len(time.DateOnly) {
			day := at
			if at = day.AddDate(0, 0, 1).Add(-time.Millisecond); text == today.String() {
				at = c.Now
			}
		}
		switch {
		case !given || at.Equal(c.Now):
			doc = fitnessDoc{Rig: r.Rig, At: c.Now.UTC(), Asked: "now", Fitness: c.Fleet.FitnessOf(s, r, c.Now)}
			return nil
		case at.After(c.Now):
			doc.Asked = "future"
		default:
			doc.Asked = "past"
		}
		doc.Rig, doc.At, doc.Fitness = r.Rig, at.UTC(), s.FitnessAt(r, at, c.Now)
		return nil
	})
	if err != nil {
		return err
	}
	if doc.Asked != "future" || text == "" {
		return c.Answer(http.StatusOK, doc) // "at" in it moves with the clock
	}
	return c.Resource(http.StatusOK, tag, doc)
}

// placementDoc is the law that a rig works under, and until when it must be
// inspected by each rule.
type placementDoc struct {
	Rig           string          `json:"rig"`
	Place         string          `json:"place"`
	OfYard        bool            `json:"of_yard"`
	Schemes       []string        `json:"schemes"`
	Contractor    bool            `json:"contractor"`
	Leased        bool            `json:"leased"`
	FirstPurchase string          `json:"first_purchase,omitempty"`
	FirstUse      string          `json:"first_use,omitempty"`
	Since         *time.Time      `json:"since,omitempty"`
	Next          *testbay.Due    `json:"next_inspection,omitempty"`
	Problem       string          `json:"problem,omitempty"`
	Certificate   *certificateDoc `json:"certificate,omitempty"`
	Notice        string          `json:"notice"`
}

// GetPlace answers GET /v1/rigs/{rig}/place.
func GetPlace(c *call.Call) error { return placeAnswer(c, http.StatusOK) }

func placeAnswer(c *call.Call, status int) error {
	var doc placementDoc
	var tag string
	err := c.View(func(s *fleet.State) error {
		r, err := c.Rig(s)
		if err != nil {
			return err
		}
		today := c.Today(s)
		tag = call.Tag(r.Changed, today)
		doc = placementDoc{Rig: r.Rig, Schemes: []string{}, FirstUse: r.FirstUse, Notice: testbay.Notice}
		p, due, err := s.NextInspection(r, today)
		if z := s.CertificateOf(r); z != nil {
			d := certificateDocOf(s, z)
			doc.Certificate = &d
		}
		if p == nil {
			return nil
		}
		doc.Place, doc.OfYard, doc.Schemes, doc.Contractor, doc.Leased = p.Place, p.OfYard, shape.List(p.Schemes), p.Contractor, p.Leased
		doc.FirstPurchase, doc.Since = p.FirstPurchase, shape.Time(p.At)
		if err != nil {
			doc.Problem = err.Error()
			return nil
		}
		due.Dates = shape.List(due.Dates)
		doc.Next = &due
		return nil
	})
	if err != nil {
		return err
	}
	return c.Resource(status, tag, doc)
}

// PostPlace answers POST /v1/rigs/{rig}/place.
func PostPlace(c *call.Call) error {
	cmd := fleet.PlaceRig{Rig: c.Param("rig")}
	if err := c.SeesRig(); err != nil {
		return err
	}
	if err := c.Body(&cmd); err != nil {
		return err
	}
	d, err := c.Do(&cmd, http.StatusOK, c.MayRig)
	if err != nil {
		return err
	}
	return placeAnswer(c, d.Status)
}

type yardPlaceDoc struct {
	Yard       string     `json:"yard"`
	Place      string     `json:"place"`
	Schemes    []string   `json:"schemes"`
	Contractor bool       `json:"contractor"`
	Since      *time.Time `json:"since,omitempty"`
}

// GetYardPlace answers GET /v1/yards/{yard}/place.
func GetYardPlace(c *call.Call) error { return yardPlaceAnswer(c, http.StatusOK) }

func yardPlaceAnswer(c *call.Call, status int) error {
	yard := c.Param("yard")
	if !fleet.ValidCode(yard) || !c.Who.MaySee(yard) {
		return call.NoSuch("yard", yard)
	}
	doc := yardPlaceDoc{Yard: yard, Schemes: []string{}}
	err := c.View(func(s *fleet.State) error {
		if list := s.Bay.Yards[yard]; len(list) > 0 {
			p := list[len(list)-1]
			doc.Place, doc.Schemes, doc.Contractor, doc.Since = p.Place, shape.List(p.Schemes), p.Contractor, shape.Time(p.At)
		}
		return nil
	})
	if err != nil {
		return err
	}
	return c.Answer(status, doc)
}

// PostYardPlace answers POST /v1/yards/{yard}/place.
func PostYardPlace(c *call.Call) error {
	cmd := fleet.PlaceYard{Yard: c.Param("yard")}
	if !fleet.ValidCode(cmd.Yard) || !c.Who.MaySee(cmd.Yard) {
		return call.NoSuch("yard", cmd.Yard)
	}
	if err := c.Body(&cmd); err != nil {
		return err
	}
	d, err := c.Do(&cmd, http.StatusOK, nil)
	if err != nil {
		return err
	}
	return yardPlaceAnswer(c, d.Status)
}

type handoverDoc struct {
	events.HandoverSigned
	At       time.Time `json:"at"`
	By       string    `json:"by"`
	Commit   uint64    `json:"commit"`
	Recorded time.Time `json:"recorded"`
}

type handoversDoc struct {
	Rig        string        `json:"rig"`
	Clean      bool          `json:"clean"` // the workshop may open what carries spray liquid
	LastWorked *time.Time    `json:"last_worked,omitempty"`
	Handovers  []handoverDoc `json:"handovers"` // the newest first
}

// GetHandovers answers GET /v1/rigs/{rig}/handover.
func GetHandovers(c *call.Call) error { return handoverAnswer(c, http.StatusOK) }

// handoversMost is how many hand-overs are listed.
const handoversMost = 100

func handoverAnswer(c *call.Call, status int) error {
	var doc handoversDoc
	var tag string
	err := c.View(func(s *fleet.State) error {
		r, err := c.Rig(s)
		if err != nil {
			return err
		}
		tag = call.Tag(r.Changed, call.NoDate)
		clean, _ := s.Clean(r)
		doc = handoversDoc{Rig: r.Rig, Clean: clean, LastWorked: shape.Time(r.LastWorked()), Handovers: []handoverDoc{}}
		for i := len(r.Bay.Handovers) - 1; i >= 0 && len(doc.Handovers) < handoversMost; i-- {
			h := r.Bay.Handovers[i]
			doc.Handovers = append(doc.Handovers, handoverDoc{HandoverSigned: h.HandoverSigned, At: h.At.UTC(), By: h.By, Commit: h.N, Recorded: h.Recorded.UTC()})
		}
		return nil
	})
	if err != nil {
		return err
	}
	return c.Resource(status, tag, doc)
}

// PostHandover answers POST /v1/rigs/{rig}/handover.
func PostHandover(c *call.Call) error {
	cmd := fleet.SignHandover{ID: fleet.NewHandoverID(), Rig: c.Param("rig")}
	if err := c.SeesRig(); err != nil {
		return err
	}
	if err := c.Body(&cmd); err != nil {
		return err
	}
	d, err := c.Do(&cmd, http.StatusCreated, c.MayRig)
	if err != nil {
		return err
	}
	return handoverAnswer(c, d.Status)
}

// record answers with a record to hand over, proven by the ledger.
func recordAnswer(c *call.Call, of, id string) error {
	if err := c.Query.Err(); err != nil {
		return err
	}
	r, err := c.Fleet.Record(c.Context(), of, id, func(r *fleet.Rig) error {
		if !c.Sees(r) {
			return call.NoSuch(of, id)
		}
		return nil
	})
	if err != nil {
		return err
	}
	c.SetCommit(r.AsOf.N)
	c.SetHeader("Cache-Control", "no-store")
	return c.Answer(http.StatusOK, r)
}

// GetRigRecord answers GET /v1/rigs/{rig}/record.
func GetRigRecord(c *call.Call) error { return recordAnswer(c, fleet.RigRecord, c.Param("rig")) }

// GetInspectionRecord answers GET /v1/inspections/{inspection}/record.
func GetInspectionRecord(c *call.Call) error {
	return recordAnswer(c, fleet.InspectionRecord, c.Param("inspection"))
}

// GetCalibrationRecord answers GET /v1/calibrations/{calibration}/record.
func GetCalibrationRecord(c *call.Call) error {
	return recordAnswer(c, fleet.CalibrationRecord, c.Param("calibration"))
}
