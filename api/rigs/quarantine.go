package rigs

import (
	"encoding/base64"
	"net/http"
	"time"
	"unicode/utf8"

	"rigledger/api/call"
	"rigledger/api/shape"
	"rigledger/fleet"
)

// heldLine is a reading or message in quarantine, in a list.
type heldLine struct {
	Quarantine string              `json:"quarantine"`
	Rig        string              `json:"rig,omitempty"`
	Yard       string              `json:"yard,omitempty"`
	Event      string              `json:"event,omitempty"`
	Via        string              `json:"via"`
	Reason     string              `json:"reason"`
	Detail     string              `json:"detail"`
	Time       time.Time           `json:"time"` // when it was measured
	HeldAt     time.Time           `json:"held_at"`
	Counters   []shape.HeldCounter `json:"counters"`
	Open       bool                `json:"open"`
	Outcome    string              `json:"outcome,omitempty"`
	OutcomeBy  string              `json:"outcome_by,omitempty"`
	OutcomeAt  *time.Time          `json:"outcome_at,omitempty"`
	Why        string              `json:"why,omitempty"`
	Changed    uint64              `json:"changed_commit"`
}

// heldDoc is one by itself, with the message as it came.
type heldDoc struct {
	heldLine
	Payload       string `json:"payload,omitempty"`
	PayloadBase64 string `json:"payload_base64,omitempty"` // where it is not text
}

func heldLineOf(s *fleet.State, h *fleet.Held) heldLine {
	l := heldLine{
		Quarantine: h.Quarantine, Rig: h.Rig, Event: h.Event, Via: h.Arrived, Reason: h.Reason, Detail: h.Detail,
		Time: h.At.UTC(), HeldAt: h.HeldAt.UTC(), Counters: shape.HeldCounters(h.Counters), Open: h.Outcome == "",
		Outcome: h.Outcome, OutcomeBy: h.OutcomeBy, OutcomeAt: shape.Time(h.OutcomeAt), Why: h.Why, Changed: h.Changed,
	}
	if r := s.Rigs[h.Rig]; r != nil {
		l.Yard = r.Yard
	}
	return l
}

// seesHeld: what names no known rig is for managers of the whole fleet.
func seesHeld(c *call.Call, s *fleet.State, h *fleet.Held) bool {
	if r := s.Rigs[h.Rig]; r != nil {
		return c.Sees(r)
	}
	return c.Who.Role == fleet.RoleManager && len(c.Who.Yards) == 0
}

// GetQuarantine answers GET /v1/quarantine.
func (res *Resources) GetQuarantine(c *call.Call) error {
	p := c.Pages("quarantine")
	states := c.Query.Words("state", "open", "ended", "all")
	if states == nil {
		states = []string{"open"}
	}
	rigs, yards, reasons := c.Query.Words("rig"), c.Query.Words("yard"), c.Query.Words("reason")
	if err := c.Query.Err(); err != nil {
		return err
	}
	var docs []heldLine
	var next string
	err := c.View(func(s *fleet.State) error {
		var found []call.Placed[*fleet.Held]
		for id, h := range s.Held {
			at := call.Place{N: uint64(h.HeldAt.UnixMilli()), ID: id}
			state := "ended"
			if h.Outcome == "" {
				state = "open"
			}
			if !p.Wants(at) || !call.Wants(states, state) && !call.Wants(states, "all") || !call.Wants(reasons, h.Reason) || !seesHeld(c, s, h) {
				continue
			}
			r := s.Rigs[h.Rig]
			if !call.Wants(rigs, h.Rig) || len(yards) > 0 && (r == nil || !call.Wants(yards, r.Yard)) {
				continue
			}
			found = append(found, call.Placed[*fleet.Held]{At: at, Of: h})
		}
		found, next = call.Cut(&p, found)
		docs = make([]heldLine, 0, len(found))
		for _, f := range found {
			docs = append(docs, heldLineOf(s, f.Of))
		}
		return nil
	})
	if err != nil {
		return err
	}
	return c.List("quarantine", docs, next, nil)
}

func seenHeld(c *call.Call, s *fleet.State) (*fleet.Held, error) {
	id := c.Param("quarantine")
	h := s.Held[id]
	if h == nil || !seesHeld(c, s, h) {
		return nil, call.NoSuch("quarantine", id)
	}
	return h, nil
}

// GetHeld answers GET /v1/quarantine/{quarantine}.
func (res *Resources) GetHeld(c *call.Call) error { return heldAnswer(c, http.StatusOK) }

func heldAnswer(c *call.Call, status int) error {
	var doc heldDoc
	var tag string
	err := c.View(func(s *fleet.State) error {
		h, err := seenHeld(c, s)
		if err != nil {
			return err
		}
		doc = heldDoc{heldLine: heldLineOf(s, h)}
		if utf8.Valid(h.Payload) {
			doc.Payload = string(h.Payload)
		} else {
			doc.PayloadBase64 = base64.StdEncoding.EncodeToString(h.Payload)
		}
		var rig uint64
		if r := s.Rigs[h.Rig]; r != nil {
			rig = r.Changed
		}
		tag = call.Tag(h.Changed, call.NoDate, rig)
		return nil
	})
	if err != nil {
		return err
	}
	return c.Resource(status, tag, doc)
}

func seesQuarantine(c *call.Call) error {
	return c.View(func(s *fleet.State) error {
		_, err := seenHeld(c, s)
		return err
	})
}

func mayHeld(c *call.Call) func(s *fleet.State) error {
	return func(s *fleet.State) error {
		_, err := seenHeld(c, s)
		return err
	}
}

// ReleaseHeld answers POST /v1/quarantine/{quarantine}/release.
func (res *Resources) ReleaseHeld(c *call.Call) error {
	cmd := fleet.Release{Quarantine: c.Param("quarantine")}
	if err := seesQuarantine(c); err != nil {
		return err
	}
	if err := c.Body(&cmd); err != nil {
		return err
	}
	return endHeld(c, &cmd, mayHeld(c))
}

// DismissHeld answers POST /v1/quarantine/{quarantine}/dismiss.
func (res *Resources) DismissHeld(c *call.Call) error {
	cmd := fleet.Dismiss{Quarantine: c.Param("quarantine")}
	if err := seesQuarantine(c); err != nil {
		return err
	}
	if err := c.Body(&cmd); err != nil {
		return err
	}
	return endHeld(c, &cmd, mayHeld(c))
}

// ReopenHeld answers POST /v1/quarantine/{quarantine}/reopen.
func (res *Resources) ReopenHeld(c *call.Call) error {
	cmd := fleet.Reopen{Quarantine: c.Param("quarantine")}
	if err := seesQuarantine(c); err != nil {
		return err
	}
	if err := c.Body(&cmd); err != nil {
		return err
	}
	return endHeld(c, &cmd, mayHeld(c))
}

func endHeld(c *call.Call, cmd fleet.Command, may func(s *fleet.State) error) error {
	d, err := c.Do(cmd, http.StatusOK, may)
	if err != nil {
		return err
	}
	if _, released := cmd.(*fleet.Release); released {
		if rig := c.Fleet.RigOfQuarantine(c.Param("quarantine")); rig != "" {
			reconsider(c, rig)
		}
	}
	return heldAnswer(c, d.Status)
}
