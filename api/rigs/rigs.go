package rigs

import (
	"encoding/json"
	"net/http"
	"slices"
	"strconv"
	"sync"

	"rigledger/api/call"
	"rigledger/events"
	"rigledger/fleet"
	"rigledger/fleet/meter"
	"rigledger/fleet/plan"
)

// Resources answer for rigs and what belongs to them.
type Resources struct {
	kept sync.Map // rig → *keptAnswer: bytes of GET /v1/rigs/{rig}
}

// keptAnswer is the answer of GET /v1/rigs/{rig}, kept until the rig or the
// local date changes: nothing else goes into it.
type keptAnswer struct {
	changed uint64
	today   plan.Date
	tag     string
	body    []byte
}

// GetRig answers GET /v1/rigs/{rig}.
func (res *Resources) GetRig(c *call.Call) error {
	wanted := c.Fields(rigDoc{}, "rig")
	if err := c.Query.Err(); err != nil {
		return err
	}
	return res.answerSparse(c, http.StatusOK, c.Param("rig"), wanted)
}

// answer answers with a rig as it is now. It is put together while the state
// stands still and written out after, so that the desk does not wait for JSON.
func (res *Resources) answer(c *call.Call, status int, code string) error {
	return res.answerSparse(c, status, code, nil)
}

func (res *Resources) answerSparse(c *call.Call, status int, code string, wanted call.Sparse) error {
	var known *keptAnswer
	var doc rigDoc
	var changed uint64
	var today plan.Date
	err := c.View(func(s *fleet.State) error {
		r := s.Rigs[code]
		if !c.Sees(r) {
			return call.NoSuch("rig", code)
		}
		changed, today = r.Changed, c.Today(s)
		if kept, ok := res.kept.Load(code); ok {
			if k := kept.(*keptAnswer); k.changed == changed && k.today == today {
				known = k
				return nil
			}
		}
		doc = rigDocOf(c, s, r)
		return nil
	})
	if err != nil {
		return err
	}
	if known == nil {
		body, err := json.Marshal(doc)
		if err != nil {
			return err
		}
		known = &keptAnswer{changed: changed, today: today, tag: call.Tag(changed, today), body: body}
		res.kept.Store(code, known)
	}
	if c.Unchanged(known.tag) {
		return nil
	}
	if wanted != nil {
		thin, err := wanted.Cut(known.body)
		if err != nil {
			return err
		}
		return c.Answer(status, thin)
	}
	return c.WriteJSON(status, known.body)
}

// GetRigs answers GET /v1/rigs.
func (res *Resources) GetRigs(c *call.Call) error {
	p := c.Pages("rigs", rigSorts...)
	wanted := c.Fields(rigLine{}, "rig")
	yards, classes := c.Query.Words("yard"), c.Query.Words("class")
	states := c.Query.Words("state", fleet.Fit, fleet.FitAdvisories, fleet.DoNotUse)
	silent := c.Query.Number("silent_days", 0, 36500, 0)
	retired := c.Query.Words("retired", "true", "false")
	if err := c.Query.Err(); err != nil {
		return err
	}
	if retired == nil {
		retired = []string{"false"}
	}
	var lines []rigLine
	var next string
	err := c.View(func(s *fleet.State) error {
		var found []call.Placed[*fleet.Rig]
		for _, r := range s.Rigs {
			if !c.Sees(r) || !call.Wants(yards, r.Yard) || !call.Wants(classes, r.Class) || !call.Wants(retired, strconv.FormatBool(r.Retired)) {
				continue
			}
			if silent > 0 && silentDays(s, r, c.Now) < silent {
				continue
			}
			if len(states) > 0 && !call.Wants(states, c.Fleet.FitnessOf(s, r, c.Now).State) {
				continue
			}
			if at := placeOf(c, s, r, p.Sort); p.Wants(at) {
				found = append(found, call.Placed[*fleet.Rig]{At: at, Of: r})
			}
		}
		found, next = call.Cut(&p, found)
		lines = make([]rigLine, 0, len(found))
		for _, f := range found {
			lines = append(lines, rigLineOf(c, s, f.Of))
		}
		return nil
	})
	if err != nil {
		return err
	}
	thin, err := wanted.Of(lines)
	if err != nil {
		return err
	}
	return c.List("rigs", thin, next, map[string]any{"notice": fleet.FitnessNotice})
}

// PostRigs answers POST /v1/rigs.
func (res *Resources) PostRigs(c *call.Call) error {
	var cmd fleet.RegisterRig
	if err := c.Body(&cmd); err != nil {
		return err
	}
	if fleet.ValidCode(cmd.Yard) && !c.Who.MaySee(cmd.Yard) {
		return outsideYards(cmd.Yard)
	}
	d, err := c.Do(&cmd, http.StatusCreated, nil)
	if err != nil {
		return err
	}
	c.SetHeader("Location", "/v1/rigs/"+cmd.Rig)
	return res.answer(c, d.Status, cmd.Rig)
}

func outsideYards(yard string) error {
	return &call.Problem{Kind: call.NotAllowed, Detail: "this token is held to other yards than " + call.Quoted(yard)}
}

// PatchRig answers PATCH /v1/rigs/{rig}.
func (res *Resources) PatchRig(c *call.Call) error {
	cmd := fleet.AmendRig{Rig: c.Param("rig")}
	if err := c.SeesRig(); err != nil {
		return err
	}
	if err := c.Body(&cmd); err != nil {
		return err
	}
	if cmd.Yard != nil && fleet.ValidCode(*cmd.Yard) && !c.Who.MaySee(*cmd.Yard) {
		return outsideYards(*cmd.Yard)
	}
	if cmd.Name == nil && cmd.Yard == nil && cmd.WidthM == nil && cmd.TankL == nil && cmd.FirstUse == nil && cmd.Serial == nil {
		return &call.Problem{Kind: call.Invalid, Detail: "the body changes nothing"}
	}
	err := c.View(func(s *fleet.State) (err error) {
		r, err := c.Rig(s)
		if err == nil {
			if cmd.IfMatch, err = c.IfMatch(r.Amended, r.Changed); err == nil {
				err = c.SawIt("rig")
			}
		}
		return err
	})
	if err != nil {
		return err
	}
	return res.command(c, &cmd, http.StatusOK)
}

// command carries out a command about the path's rig and answers with the rig.
func (res *Resources) command(c *call.Call, cmd fleet.Command, status int) error {
	d, err := c.Do(cmd, status, c.MayRig)
	if err != nil {
		return err
	}
	return res.answer(c, d.Status, c.Param("rig"))
}

// RetireRig answers POST /v1/rigs/{rig}/retire.
func (res *Resources) RetireRig(c *call.Call) error {
	cmd := fleet.RetireRig{Rig: c.Param("rig")}
	if err := c.SeesRig(); err != nil {
		return err
	}
	if err := c.Body(&cmd); err != nil {
		return err
	}
	return res.command(c, &cmd, http.StatusOK)
}

// AdoptPlan answers POST /v1/rigs/{rig}/plan.
func (res *Resources) AdoptPlan(c *call.Call) error {
	cmd := fleet.AdoptPlan{Rig: c.Param("rig")}
	if err := c.SeesRig(); err != nil {
		return err
	}
	if err := c.Body(&cmd); err != nil {
		return err
	}
	return res.command(c, &cmd, http.StatusOK)
}

// ChangeWork says that a rig does other work from a day on.
func (res *Resources) ChangeWork(c *call.Call) error {
	cmd := fleet.ChangeWork{Rig: c.Param("rig")}
	if err := c.SeesRig(); err != nil {
		return err
	}
	if err := c.Body(&cmd); err != nil {
		return err
	}
	return res.command(c, &cmd, http.StatusOK)
}

type credentialDoc struct {
	Rig         string              `json:"rig"`
	User        string              `json:"user"`
	Password    string              `json:"password"`
	InboxPrefix string              `json:"inbox_prefix"`
	Subjects    map[string][]string `json:"subjects"`
	Topics      map[string][]string `json:"mqtt_topics"`
	Notice      string              `json:"notice"`
}

// PostCredential gives a rig a new user and password for NATS and MQTT. The
// password is shown in this answer and never again.
func (res *Resources) PostCredential(c *call.Call) error {
	code := c.Param("rig")
	if err := c.NoKey(); err != nil {
		return err
	}
	if err := c.SeesRig(); err != nil {
		return err
	}
	if err := c.BodyOrNone(&struct{}{}); err != nil {
		return err
	}
	cmd, user, password := fleet.NewCredential(code)
	if _, err := c.Do(cmd, http.StatusCreated, c.MayRig); err != nil {
		return err
	}
	doc := credentialDoc{
		Rig: code, User: user, Password: password, InboxPrefix: "_INBOX_" + code, // as events/intake permits it
		Subjects: map[string][]string{"publish": {}, "subscribe": {"rig." + code + ".ack"}},
		Topics:   map[string][]string{"publish": {}, "subscribe": {"rig/" + code + "/ack"}},
		Notice:   "The password is shown once. The one before has ended.",
	}
	for _, k := range []string{events.KindReading, events.KindDefect, events.KindCondition} {
		doc.Subjects["publish"] = append(doc.Subjects["publish"], "rig."+code+"."+k)
		doc.Topics["publish"] = append(doc.Topics["publish"], "rig/"+code+"/"+k)
	}
	c.SetCommit(c.Fleet.Head().N)
	c.SetHeader("Cache-Control", "no-store")
	return c.Answer(http.StatusCreated, doc)
}

// Orders of the list, the usual one first.
var rigSorts = []string{"rig", "-hours", "fitness", "next_due"}

func placeOf(c *call.Call, s *fleet.State, r *fleet.Rig, order string) call.Place {
	at := call.Place{ID: r.Rig}
	switch order {
	case "-hours":
		at.N = call.Last
		if m := r.MeterOf(meter.Hours, ""); m != nil {
			total, _ := m.Series.Total()
			at.N = call.Down(total)
		}
	case "fitness":
		at.N = uint64(slices.Index([]string{fleet.DoNotUse, fleet.FitAdvisories, fleet.Fit}, c.Fleet.FitnessOf(s, r, c.Now).State))
	case "next_due":
		at.N = call.Last
		if lines := c.Fleet.DueOf(s, r, c.Now); len(lines) > 0 {
			at.N = call.Pressing(&lines[0])
		}
	}
	return at
}
