package api

import (
	"net/http"

	"rigledger/fleet"
)

func (res *rigResources) postMeter(c *call) error {
	cmd := fleet.AddMeter{Rig: c.Param("rig")}
	if err := c.seesRig(); err != nil {
		return err
	}
	if err := c.body(&cmd); err != nil {
		return err
	}
	return res.command(c, &cmd, http.StatusCreated)
}

func (res *rigResources) swapMeter(c *call) error {
	cmd := fleet.SwapMeter{Rig: c.Param("rig"), Meter: c.Param("meter")}
	if err := c.seesRig(); err != nil {
		return err
	}
	if err := c.body(&cmd); err != nil {
		return err
	}
	return res.historyCommand(c, &cmd)
}

func (res *rigResources) unswapMeter(c *call) error {
	cmd := fleet.UnswapMeter{Rig: c.Param("rig"), Meter: c.Param("meter")}
	if err := c.seesRig(); err != nil {
		return err
	}
	if err := c.body(&cmd); err != nil {
		return err
	}
	return res.historyCommand(c, &cmd)
}

func (res *rigResources) voidReading(c *call) error {
	cmd := fleet.VoidReading{Rig: c.Param("rig")}
	if err := c.seesRig(); err != nil {
		return err
	}
	if err := c.body(&cmd); err != nil {
		return err
	}
	return res.historyCommand(c, &cmd)
}

// historyCommand carries out a command that changes what fits on the rig's
// meters, and lets what was held look again.
func (res *rigResources) historyCommand(c *call, cmd fleet.Command) error {
	d, err := c.do(cmd, http.StatusOK, c.mayRig)
	if err != nil {
		return err
	}
	reconsider(c, c.Param("rig"))
	return res.answer(c, d.status, c.Param("rig"))
}

// reconsider is not part of the request's own success: what was asked for is
// durable, and the next occasion looks again.
func reconsider(c *call, rig string) {
	if err := c.Fleet.Reconsider(c.Context(), rig); err != nil {
		c.Log.Warn("held readings were not looked at again", "rig", rig, "error", err)
	}
}
