package rigs

import (
	"net/http"

	"rigledger/api/call"
	"rigledger/fleet"
)

// PostMeter answers POST /v1/rigs/{rig}/meters.
func (res *Resources) PostMeter(c *call.Call) error {
	cmd := fleet.AddMeter{Rig: c.Param("rig")}
	if err := c.SeesRig(); err != nil {
		return err
	}
	if err := c.Body(&cmd); err != nil {
		return err
	}
	return res.command(c, &cmd, http.StatusCreated)
}

// SwapMeter answers POST /v1/rigs/{rig}/meters/{meter}/swap.
func (res *Resources) SwapMeter(c *call.Call) error {
	cmd := fleet.SwapMeter{Rig: c.Param("rig"), Meter: c.Param("meter")}
	if err := c.SeesRig(); err != nil {
		return err
	}
	if err := c.Body(&cmd); err != nil {
		return err
	}
	return res.historyCommand(c, &cmd)
}

// UnswapMeter answers POST /v1/rigs/{rig}/meters/{meter}/unswap.
func (res *Resources) UnswapMeter(c *call.Call) error {
	cmd := fleet.UnswapMeter{Rig: c.Param("rig"), Meter: c.Param("meter")}
	if err := c.SeesRig(); err != nil {
		return err
	}
	if err := c.Body(&cmd); err != nil {
		return err
	}
	return res.historyCommand(c, &cmd)
}

// VoidReading answers POST /v1/rigs/{rig}/readings/void.
func (res *Resources) VoidReading(c *call.Call) error {
	cmd := fleet.VoidReading{Rig: c.Param("rig")}
	if err := c.SeesRig(); err != nil {
		return err
	}
	if err := c.Body(&cmd); err != nil {
		return err
	}
	return res.historyCommand(c, &cmd)
}

// historyCommand carries out a command that changes what fits on the rig's
// meters, and lets what was held look again.
func (res *Resources) historyCommand(c *call.Call, cmd fleet.Command) error {
	d, err := c.Do(cmd, http.StatusOK, c.MayRig)
	if err != nil {
		return err
	}
	reconsider(c, c.Param("rig"))
	return res.answer(c, d.Status, c.Param("rig"))
}

// reconsider is not part of the request's own success: what was asked for is
// durable, and the next occasion looks again.
func reconsider(c *call.Call, rig string) {
	if err := c.Fleet.Reconsider(c.Context(), rig); err != nil {
		c.Log.Warn("held readings were not looked at again", "rig", rig, "error", err)
	}
}
