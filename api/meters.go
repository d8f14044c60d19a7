package api

import (
	"net/http"

	"rigledger/fleet"
)

func postMeter(c *call) error {
	cmd := fleet.AddMeter{Rig: c.gin.Param("rig")}
	if err := c.seesRig(); err != nil {
		return err
	}
	if err := c.body(&cmd); err != nil {
		return err
	}
	return c.rigCommand(&cmd, http.StatusCreated)
}

func swapMeter(c *call) error {
	cmd := fleet.SwapMeter{Rig: c.gin.Param("rig"), Meter: c.gin.Param("meter")}
	if err := c.seesRig(); err != nil {
		return err
	}
	if err := c.body(&cmd); err != nil {
		return err
	}
	return c.historyCommand(&cmd)
}

func unswapMeter(c *call) error {
	cmd := fleet.UnswapMeter{Rig: c.gin.Param("rig"), Meter: c.gin.Param("meter")}
	if err := c.seesRig(); err != nil {
		return err
	}
	if err := c.body(&cmd); err != nil {
		return err
	}
	return c.historyCommand(&cmd)
}

func voidReading(c *call) error {
	cmd := fleet.VoidReading{Rig: c.gin.Param("rig")}
	if err := c.seesRig(); err != nil {
		return err
	}
	if err := c.body(&cmd); err != nil {
		return err
	}
	return c.historyCommand(&cmd)
}

// historyCommand carries out a command that changes what fits on the rig's
// meters, and lets what was held look again.
func (c *call) historyCommand(cmd fleet.Command) error {
	d, err := c.do(cmd, http.StatusOK, c.mayRig)
	if err != nil {
		return err
	}
	c.reconsider(c.gin.Param("rig"))
	return c.rigAnswer(d.status, c.gin.Param("rig"))
}

// reconsider is not part of the request's own success: what was asked for is
// durable, and the next occasion looks again.
func (c *call) reconsider(rig string) {
	if err := c.api.fleet.Reconsider(c.gin.Request.Context(), rig); err != nil {
		c.api.log.Warn("held readings were not looked at again", "rig", rig, "error", err)
	}
}
