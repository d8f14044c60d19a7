package api

import (
	"net/http"

	"rigledger/fleet"
)

// visitBooked is a visit as it was booked.
type visitBooked struct {
	Rig   string   `json:"rig"`
	Date  string   `json:"date"`
	For   string   `json:"for,omitempty"`
	Items []string `json:"items"`
}

// bookVisit puts several items of a rig on one day.
func (res *workshopResources) bookVisit(c *call) error {
	cmd := fleet.BookVisit{Rig: c.Param("rig")}
	sees := func(s *fleet.State) error { _, err := c.rig(s); return err }
	if err := c.view(sees); err != nil {
		return err
	}
	if err := c.body(&cmd); err != nil {
		return err
	}
	d, err := c.do(&cmd, http.StatusOK, sees)
	if err != nil {
		return err
	}
	c.SetCommit(d.commit)
	return c.answer(d.status, visitBooked{cmd.Rig, cmd.Date, cmd.For, cmd.Items})
}
