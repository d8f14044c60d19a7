package api

import (
	"crypto/sha256"
	"encoding/binary"
	"encoding/json"
	"net/http"
	"time"

	"rigledger/api/hooks"
	"rigledger/events"
	"rigledger/fleet"
)

// hookResources answer for the hooks.
type hookResources struct{ Worker *hooks.Worker }

// hookDoc is a hook without its secrets.
type hookDoc struct {
	Hook     string          `json:"hook"`
	Name     string          `json:"name"`
	URL      string          `json:"url"`
	Kinds    []string        `json:"kinds"` // empty: all but meter.read
	Yards    []string        `json:"yards"` // empty: all
	AddedAt  time.Time       `json:"added_at"`
	AddedBy  string          `json:"added_by"`
	State    string          `json:"state"` // active, failing or disabled
	Reason   string          `json:"reason,omitempty"`
	Since    *time.Time      `json:"since,omitempty"`    // it is failing or disabled
	Position events.Position `json:"position"`           // taken up to here
	OldUntil *time.Time      `json:"old_until,omitzero"` // until then the secret before signs as well
}

// hookDocOf must not be called while the state is viewed: the worker looks at it
// too.
func (res *hookResources) docOf(c *call, h *fleet.Hook) hookDoc {
	d := hookDoc{
		Hook: h.Hook, Name: h.Name, URL: h.URL, Kinds: orEmpty(h.Kinds), Yards: orEmpty(h.Yards),
		AddedAt: h.AddedAt.UTC(), AddedBy: h.AddedBy, State: "active",
	}
	at, failing := res.Worker.Progress(h)
	d.Position = at
	switch {
	case h.Disabled != "":
		d.State, d.Reason, d.Since = "disabled", h.Disabled, timeOrNil(h.EndedAt)
	case !failing.IsZero():
		d.State, d.Since = "failing", timeOrNil(failing)
		if last := res.Worker.Deliveries(h.Hook); len(last) > 0 {
			d.Reason = last[0].Detail
		}
	}
	if len(h.Secrets(c.Now)) > 1 {
		d.OldUntil = timeOrNil(h.OldUntil)
	}
	return d
}

// overYards says whether the caller's yards cover those: who is held to yards
// makes and sees only what is held to some of the same.
func overYards(c *call, yards []string) bool {
	if len(c.Who.Yards) == 0 {
		return true
	}
	for _, y := range yards {
		if !c.Who.MaySee(y) {
			return false
		}
	}
	return len(yards) > 0
}

// hook finds the hook that the path names, if the caller may know of it.
func seenHook(c *call, s *fleet.State) (fleet.Hook, error) {
	id := c.Param("hook")
	h := s.Hooks[id]
	if h == nil || !overYards(c, h.Yards) {
		return fleet.Hook{}, notFound("hook", id)
	}
	return *h, nil
}

func mayHook(c *call) func(s *fleet.State) error {
	return func(s *fleet.State) error {
		_, err := seenHook(c, s)
		return err
	}
}

func viewHook(c *call) (h fleet.Hook, err error) {
	err = c.view(func(s *fleet.State) error {
		h, err = seenHook(c, s)
		return err
	})
	return h, err
}

// getHook shows one hook. Its tag changes with everything that is shown, also
// with what only this instance knows, such as how far it has come.
func (res *hookResources) getHook(c *call) error {
	h, err := viewHook(c)
	if err != nil {
		return err
	}
	doc := res.docOf(c, &h)
	text, err := json.Marshal(doc)
	if err != nil {
		return err
	}
	sum := sha256.Sum256(text)
	return c.resource(http.StatusOK, tagOf(h.Changed, noDate, binary.BigEndian.Uint64(sum[:])), doc)
}

func (res *hookResources) answer(c *call, status int) error {
	h, err := viewHook(c)
	if err != nil {
		return err
	}
	return c.answer(status, res.docOf(c, &h))
}

func (res *hookResources) getHooks(c *call) error {
	p := c.pages("hooks")
	if err := c.Query.err(); err != nil {
		return err
	}
	var found []placed[fleet.Hook]
	var next string
	err := c.view(func(s *fleet.State) error {
		for id, h := range s.Hooks {
			if at := (place{ID: id}); p.wants(at) && overYards(c, h.Yards) {
				found = append(found, placed[fleet.Hook]{at, *h})
			}
		}
		found, next = cut(&p, found)
		return nil
	})
	if err != nil {
		return err
	}
	docs := make([]hookDoc, 0, len(found))
	for i := range found {
		docs = append(docs, res.docOf(c, &found[i].of))
	}
	return c.list("hooks", docs, next, nil)
}

type newHookDoc struct {
	hookDoc
	Secret string `json:"secret"`
	Notice string `json:"notice"`
}

// hookSecretAnswer shows a secret, once.
func (res *hookResources) secretAnswer(c *call, status int, id, secret string) error {
	var h fleet.Hook
	err := c.view(func(s *fleet.State) error {
		if s.Hooks[id] == nil {
			return notFound("hook", id)
		}
		h = *s.Hooks[id]
		return nil
	})
	if err != nil {
		return err
	}
	c.setHeader("Cache-Control", "no-store")
	return c.answer(status, newHookDoc{res.docOf(c, &h), secret, "The secret is shown once."})
}

func (res *hookResources) postHook(c *call) error {
	if err := c.noKey(); err != nil {
		return err
	}
	cmd, secret := fleet.NewHook()
	if err := c.body(cmd); err != nil {
		return err
	}
	cmd.Reach = res.Worker.Reach
	may := func(*fleet.State) error {
		if !overYards(c, cmd.Yards) {
			return &problem{kind: kindNotAllowed, detail: "this token is held to yards; the hook must be held to some of the same"}
		}
		return nil
	}
	if _, err := c.do(cmd, http.StatusCreated, may); err != nil {
		return err
	}
	return res.secretAnswer(c, http.StatusCreated, cmd.ID(), secret)
}

func (res *hookResources) rotateHook(c *call) error {
	if err := c.noKey(); err != nil {
		return err
	}
	if err := c.view(mayHook(c)); err != nil {
		return err
	}
	if err := c.bodyOrNone(&struct{}{}); err != nil {
		return err
	}
	cmd, secret := fleet.NewRotation(c.Param("hook"))
	if _, err := c.do(cmd, http.StatusOK, mayHook(c)); err != nil {
		return err
	}
	return res.secretAnswer(c, http.StatusOK, cmd.Hook, secret)
}

// testHook sends a message to the hook's address and says what came of it.
func (res *hookResources) testHook(c *call) error {
	if err := c.noKey(); err != nil {
		return err
	}
	h, err := viewHook(c)
	if err != nil {
		return err
	}
	if err := c.bodyOrNone(&struct{}{}); err != nil {
		return err
	}
	return c.answer(http.StatusOK, res.Worker.Test(c.Context(), h))
}

func (res *hookResources) enableHook(c *call) error {
	if err := c.view(mayHook(c)); err != nil {
		return err
	}
	if err := c.bodyOrNone(&struct{}{}); err != nil {
		return err
	}
	d, err := c.do(&fleet.EnableHook{Hook: c.Param("hook")}, http.StatusOK, mayHook(c))
	if err != nil {
		return err
	}
	return res.answer(c, d.status)
}

// disableHook stops a hook until it is enabled again.
func (res *hookResources) disableHook(c *call) error {
	if err := c.view(mayHook(c)); err != nil {
		return err
	}
	cmd := fleet.DisableHook{Hook: c.Param("hook")}
	if err := c.body(&cmd); err != nil {
		return err
	}
	d, err := c.do(&cmd, http.StatusOK, mayHook(c))
	if err != nil {
		return err
	}
	return res.answer(c, d.status)
}

type removedDoc struct {
	Hook    string `json:"hook"`
	Removed bool   `json:"removed"`
}

func (res *hookResources) removeHook(c *call) error {
	cmd := fleet.RemoveHook{Hook: c.Param("hook")}
	if err := c.view(mayHook(c)); err != nil {
		return err
	}
	if err := c.bodyOrNone(&cmd); err != nil {
		return err
	}
	d, err := c.do(&cmd, http.StatusOK, mayHook(c))
	if err != nil {
		return err
	}
	c.SetCommit(c.Fleet.Head().N)
	return c.answer(d.status, removedDoc{cmd.Hook, true})
}

// getDeliveries shows the last attempts of this instance.
func (res *hookResources) getDeliveries(c *call) error {
	h, err := viewHook(c)
	if err != nil {
		return err
	}
	list := res.Worker.Deliveries(h.Hook)
	if list == nil {
		list = []hooks.Delivery{}
	}
	return c.answer(http.StatusOK, map[string]any{"deliveries": list})
}
