package api

import (
	"encoding/base64"
	"net/http"
	"time"
	"unicode/utf8"

	"rigledger/fleet"
)

// heldLine is a reading or message in quarantine, in a list.
type heldLine struct {
	Quarantine string           `json:"quarantine"`
	Rig        string           `json:"rig,omitempty"`
	Yard       string           `json:"yard,omitempty"`
	Event      string           `json:"event,omitempty"`
	Via        string           `json:"via"`
	Reason     string           `json:"reason"`
	Detail     string           `json:"detail"`
	Time       time.Time        `json:"time"` // when it was measured
	HeldAt     time.Time        `json:"held_at"`
	Counters   []heldCounterDoc `json:"counters"`
	Open       bool             `json:"open"`
	Outcome    string           `json:"outcome,omitempty"`
	OutcomeBy  string           `json:"outcome_by,omitempty"`
	OutcomeAt  *time.Time       `json:"outcome_at,omitempty"`
	Why        string           `json:"why,omitempty"`
	Changed    uint64           `json:"changed_commit"`
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
		Time: h.At.UTC(), HeldAt: h.HeldAt.UTC(), Counters: heldCountersOf(h.Counters), Open: h.Outcome == "",
		Outcome: h.Outcome, OutcomeBy: h.OutcomeBy, OutcomeAt: timeOrNil(h.OutcomeAt), Why: h.Why, Changed: h.Changed,
	}
	if r := s.Rigs[h.Rig]; r != nil {
		l.Yard = r.Yard
	}
	return l
}

// seesHeld: what names no known rig is for managers of the whole fleet.
func seesHeld(c *call, s *fleet.State, h *fleet.Held) bool {
	if r := s.Rigs[h.Rig]; r != nil {
		return c.sees(r)
	}
	return c.Who.Role == fleet.RoleManager && len(c.Who.Yards) == 0
}

func (res *rigResources) getQuarantine(c *call) error {
	p := c.pages("quarantine")
	states := c.Query.words("state", "open", "ended", "all")
	if states == nil {
		states = []string{"open"}
	}
	rigs, yards, reasons := c.Query.words("rig"), c.Query.words("yard"), c.Query.words("reason")
	if err := c.Query.err(); err != nil {
		return err
	}
	var docs []heldLine
	var next string
	err := c.view(func(s *fleet.State) error {
		var found []placed[*fleet.Held]
		for id, h := range s.Held {
			at := place{N: uint64(h.HeldAt.UnixMilli()), ID: id}
			state := "ended"
			if h.Outcome == "" {
				state = "open"
			}
			if !p.wants(at) || !has(states, state) && !has(states, "all") || !has(reasons, h.Reason) || !seesHeld(c, s, h) {
				continue
			}
			r := s.Rigs[h.Rig]
			if !has(rigs, h.Rig) || len(yards) > 0 && (r == nil || !has(yards, r.Yard)) {
				continue
			}
			found = append(found, placed[*fleet.Held]{at, h})
		}
		found, next = cut(&p, found)
		docs = make([]heldLine, 0, len(found))
		for _, f := range found {
			docs = append(docs, heldLineOf(s, f.of))
		}
		return nil
	})
	if err != nil {
		return err
	}
	return c.list("quarantine", docs, next, nil)
}

func seenHeld(c *call, s *fleet.State) (*fleet.Held, error) {
	id := c.Param("quarantine")
	h := s.Held[id]
	if h == nil || !seesHeld(c, s, h) {
		return nil, notFound("quarantine", id)
	}
	return h, nil
}

func (res *rigResources) getHeld(c *call) error { return heldAnswer(c, http.StatusOK) }

func heldAnswer(c *call, status int) error {
	var doc heldDoc
	var tag string
	err := c.view(func(s *fleet.State) error {
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
		tag = tagOf(h.Changed, noDate, rig)
		return nil
	})
	if err != nil {
		return err
	}
	return c.resource(status, tag, doc)
}

func seesQuarantine(c *call) error {
	return c.view(func(s *fleet.State) error {
		_, err := seenHeld(c, s)
		return err
	})
}

func mayHeld(c *call) func(s *fleet.State) error {
	return func(s *fleet.State) error {
		_, err := seenHeld(c, s)
		return err
	}
}

func (res *rigResources) releaseHeld(c *call) error {
	cmd := fleet.Release{Quarantine: c.Param("quarantine")}
	if err := seesQuarantine(c); err != nil {
		return err
	}
	if err := c.body(&cmd); err != nil {
		return err
	}
	return endHeld(c, &cmd, mayHeld(c))
}

func (res *rigResources) dismissHeld(c *call) error {
	cmd := fleet.Dismiss{Quarantine: c.Param("quarantine")}
	if err := seesQuarantine(c); err != nil {
		return err
	}
	if err := c.body(&cmd); err != nil {
		return err
	}
	return endHeld(c, &cmd, mayHeld(c))
}

func (res *rigResources) reopenHeld(c *call) error {
	cmd := fleet.Reopen{Quarantine: c.Param("quarantine")}
	if err := seesQuarantine(c); err != nil {
		return err
	}
	if err := c.body(&cmd); err != nil {
		return err
	}
	return endHeld(c, &cmd, mayHeld(c))
}

func endHeld(c *call, cmd fleet.Command, may func(s *fleet.State) error) error {
	d, err := c.do(cmd, http.StatusOK, may)
	if err != nil {
		return err
	}
	if _, released := cmd.(*fleet.Release); released {
		if rig := c.Fleet.RigOfQuarantine(c.Param("quarantine")); rig != "" {
			reconsider(c, rig)
		}
	}
	return heldAnswer(c, d.status)
}
