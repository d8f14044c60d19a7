package workshop

import (
	"net/http"

	"rigledger/api/call"
	"rigledger/fleet"
)

// visitBooked is a visit as it was booked.
type visitBooked struct {
	Rig   string   `json:"rig"`
	Date  string   `json:"date"`
	For   string   `json:"for,omitempty"`
	Items []string `json:"items"`
}

// BookVisit puts several items of a rig on one day.
func (res *Resources) BookVisit(c *call.Call) error {
	cmd := fleet.BookVisit{Rig: c.Param("rig")}
	sees := func(s *fleet.State) error { _, err := c.Rig(s); return err }
	if err := c.View(sees); err != nil {
		return err
	}
	if err := c.Body(&cmd); err != nil {
		return err
	}
	d, err := c.Do(&cmd, http.StatusOK, sees)
	if err != nil {
		return err
	}
	c.SetCommit(d.Commit)
	return c.Answer(d.Status, visitBooked{cmd.Rig, cmd.Date, cmd.For, cmd.Items})
}
