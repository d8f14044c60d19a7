package hooks

import (
	"crypto/sha256"
	"encoding/binary"
	"encoding/json"
	"net/http"
	"time"

	"rigledger/api/call"
	"rigledger/api/shape"
	"rigledger/events"
	"rigledger/fleet"
)

// Resources answer for the hooks.
type Resources struct{ Worker *Worker }

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
	OldUntil *time.Time      `json:"old_until,omitzero"` // until then the secret before the newest signs as well
}

// docOf must not be called while the state is viewed: the worker looks at it
// too.
func (res *Resources) docOf(c *call.Call, h *fleet.Hook) hookDoc {
	d := hookDoc{
		Hook: h.Hook, Name: h.Name, URL: h.URL, Kinds: shape.List(h.Kinds), Yards: shape.List(h.Yards),
		AddedAt: h.AddedAt.UTC(), AddedBy: h.AddedBy, State: "active",
	}
	at, failing := res.Worker.Progress(h)
	d.Position = at
	switch {
	case h.Disabled != "":
		d.State, d.Reason, d.Since = "disabled", h.Disabled, shape.Time(h.EndedAt)
	case !failing.IsZero():
		d.State, d.Since = "failing", shape.Time(failing)
		if last := res.Worker.Deliveries(h.Hook); len(last) > 0 {
			d.Reason = last[0].Detail
		}
	}
	d.OldUntil = shape.Time(h.OldUntil(c.Now))
	return d
}

// overYards says whether the caller's yards cover those: who is held to yards
// makes and sees only what is held to some of the same.
func overYards(c *call.Call, yards []string) bool {
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

// seenHook finds the hook that the path names, if the caller may know of it.
func seenHook(c *call.Call, s *fleet.State) (fleet.Hook, error) {
	id := c.Param("hook")
	h := s.Hooks[id]
	if h == nil || !overYards(c, h.Yards) {
		return fleet.Hook{}, call.NoSuch("hook", id)
	}
	return *h, nil
}

func mayHook(c *call.Call) func(s *fleet.State) error {
	return func(s *fleet.State) error {
		_, err := seenHook(c, s)
		return err
	}
}

func viewHook(c *call.Call) (h fleet.Hook, err error) {
	err = c.View(func(s *fleet.State) error {
		h, err = seenHook(c, s)
		return err
	})
	return h, err
}

// GetHook shows one hook. Its tag changes with everything that is shown, also
// with what only this instance knows, such as how far it has come.
func (res *Resources) GetHook(c *call.Call) error {
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
	return c.Resource(http.StatusOK, call.Tag(h.Changed, call.NoDate, binary.BigEndian.Uint64(sum[:])), doc)
}

func (res *Resources) answer(c *call.Call, status int) error {
	h, err := viewHook(c)
	if err != nil {
		return err
	}
	return c.Answer(status, res.docOf(c, &h))
}

// GetHooks answers GET /v1/hooks.
func (res *Resources) GetHooks(c *call.Call) error {
	p := c.Pages("hooks")
	if err := c.Query.Err(); err != nil {
		return err
	}
	var found []call.Placed[fleet.Hook]
	var next string
	err := c.View(func(s *fleet.State) error {
		for id, h := range s.Hooks {
			if at := (call.Place{ID: id}); p.Wants(at) && overYards(c, h.Yards) {
				found = append(found, call.Placed[fleet.Hook]{At: at, Of: *h})
			}
		}
		found, next = call.Cut(&p, found)
		return nil
	})
	if err != nil {
		return err
	}
	docs := make([]hookDoc, 0, len(found))
	for i := range found {
		docs = append(docs, res.docOf(c, &found[i].Of))
	}
	return c.List("hooks", docs, next, nil)
}

type newHookDoc struct {
	hookDoc
	Secret string `json:"secret"`
	Notice string `json:"notice"`
}

// secretAnswer shows a secret, once.
func (res *Resources) secretAnswer(c *call.Call, status int, id, secret string) error {
	var h fleet.Hook
	err := c.View(func(s *fleet.State) error {
		if s.Hooks[id] == nil {
			return call.NoSuch("hook", id)
		}
		h = *s.Hooks[id]
		return nil
	})
	if err != nil {
		return err
	}
	c.SetHeader("Cache-Control", "no-store")
	return c.Answer(status, newHookDoc{res.docOf(c, &h), secret, "The secret is shown once."})
}

// PostHook answers POST /v1/hooks.
func (res *Resources) PostHook(c *call.Call) error {
	if err := c.NoKey(); err != nil {
		return err
	}
	cmd, secret := fleet.NewHook()
	if err := c.Body(cmd); err != nil {
		return err
	}
	cmd.Reach = res.Worker.Reach
	may := func(*fleet.State) error {
		if !overYards(c, cmd.Yards) {
			return &call.Problem{Kind: call.NotAllowed, Detail: "this token is held to yards; the hook must be held to some of the same"}
		}
		return nil
	}
	if _, err := c.Do(cmd, http.StatusCreated, may); err != nil {
		return err
	}
	return res.secretAnswer(c, http.StatusCreated, cmd.ID(), secret)
}

// RotateHook answers POST /v1/hooks/{hook}/rotate.
func (res *Resources) RotateHook(c *call.Call) error {
	if err := c.NoKey(); err != nil {
		return err
	}
	if err := c.View(mayHook(c)); err != nil {
		return err
	}
	if err := c.BodyOrNone(&struct{}{}); err != nil {
		return err
	}
	cmd, secret := fleet.NewRotation(c.Param("hook"))
	if _, err := c.Do(cmd, http.StatusOK, mayHook(c)); err != nil {
		return err
	}
	return res.secretAnswer(c, http.StatusOK, cmd.Hook, secret)
}

// TestHook sends a message to the hook's address and says what came of it.
func (res *Resources) TestHook(c *call.Call) error {
	if err := c.NoKey(); err != nil {
		return err
	}
	h, err := viewHook(c)
	if err != nil {
		return err
	}
	if err := c.BodyOrNone(&struct{}{}); err != nil {
		return err
	}
	return c.Answer(http.StatusOK, res.Worker.Test(c.Context(), h))
}

// EnableHook answers POST /v1/hooks/{hook}/enable.
func (res *Resources) EnableHook(c *call.Call) error {
	if err := c.View(mayHook(c)); err != nil {
		return err
	}
	if err := c.BodyOrNone(&struct{}{}); err != nil {
		return err
	}
	d, err := c.Do(&fleet.EnableHook{Hook: c.Param("hook")}, http.StatusOK, mayHook(c))
	if err != nil {
		return err
	}
	return res.answer(c, d.Status)
}

// DisableHook stops a hook until it is enabled again.
func (res *Resources) DisableHook(c *call.Call) error {
	if err := c.View(mayHook(c)); err != nil {
		return err
	}
	cmd := fleet.DisableHook{Hook: c.Param("hook")}
	if err := c.Body(&cmd); err != nil {
		return err
	}
	d, err := c.Do(&cmd, http.StatusOK, mayHook(c))
	if err != nil {
		return err
	}
	return res.answer(c, d.Status)
}

type removedDoc struct {
	Hook    string `json:"hook"`
	Removed bool   `json:"removed"`
}

// RemoveHook answers POST /v1/hooks/{hook}/remove.
func (res *Resources) RemoveHook(c *call.Call) error {
	cmd := fleet.RemoveHook{Hook: c.Param("hook")}
	if err := c.View(mayHook(c)); err != nil {
		return err
	}
	if err := c.BodyOrNone(&cmd); err != nil {
		return err
	}
	d, err := c.Do(&cmd, http.StatusOK, mayHook(c))
	if err != nil {
		return err
	}
	c.SetCommit(c.Fleet.Head().N)
	return c.Answer(d.Status, removedDoc{cmd.Hook, true})
}

// GetDeliveries shows the last attempts of this instance.
func (res *Resources) GetDeliveries(c *call.Call) error {
	h, err := viewHook(c)
	if err != nil {
		return err
	}
	list := res.Worker.Deliveries(h.Hook)
	if list == nil {
		list = []Delivery{}
	}
	return c.Answer(http.StatusOK, map[string]any{"deliveries": list})
}
