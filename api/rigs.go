package api

import (
	"encoding/json"
	"net/http"
	"slices"
	"strconv"
	"sync"

	"rigledger/events"
	"rigledger/fleet"
	"rigledger/fleet/meter"
	"rigledger/fleet/plan"
)

// rigResources answer for rigs and what belongs to them.
type rigResources struct {
	kept sync.Map // rig → *rigAnswer: bytes of GET /v1/rigs/{rig}
}

// rigAnswer is the answer of GET /v1/rigs/{rig}, kept until the rig or the
// local date changes: nothing else goes into it.
type rigAnswer struct {
	changed uint64
	today   plan.Date
	tag     string
	body    []byte
}

func (res *rigResources) getRig(c *call) error {
	wanted := c.fields(rigDoc{}, "rig")
	if err := c.Query.err(); err != nil {
		return err
	}
	return res.answerSparse(c, http.StatusOK, c.Param("rig"), wanted)
}

// answer answers with a rig as it is now. It is put together while the state
// stands still and written out after, so that the desk does not wait for JSON.
func (res *rigResources) answer(c *call, status int, code string) error {
	return res.answerSparse(c, status, code, nil)
}

func (res *rigResources) answerSparse(c *call, status int, code string, wanted sparse) error {
	var known *rigAnswer
	var doc rigDoc
	var changed uint64
	var today plan.Date
	err := c.view(func(s *fleet.State) error {
		r := s.Rigs[code]
		if !c.sees(r) {
			return notFound("rig", code)
		}
		changed, today = r.Changed, c.today(s)
		if kept, ok := res.kept.Load(code); ok {
			if k := kept.(*rigAnswer); k.changed == changed && k.today == today {
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
		known = &rigAnswer{changed: changed, today: today, tag: tagOf(changed, today), body: body}
		res.kept.Store(code, known)
	}
	if c.unchanged(known.tag) {
		return nil
	}
	if wanted != nil {
		thin, err := wanted.cut(known.body)
		if err != nil {
			return err
		}
		return c.answer(status, thin)
	}
	return c.write(status, known.body)
}

func (res *rigResources) getRigs(c *call) error {
	p := c.pages("rigs", rigSorts...)
	wanted := c.fields(rigLine{}, "rig")
	yards, classes := c.Query.words("yard"), c.Query.words("class")
	states := c.Query.words("state", fleet.Fit, fleet.FitAdvisories, fleet.DoNotUse)
	silent := c.Query.number("silent_days", 0, 36500, 0)
	retired := c.Query.words("retired", "true", "false")
	if err := c.Query.err(); err != nil {
		return err
	}
	if retired == nil {
		retired = []string{"false"}
	}
	var lines []rigLine
	var next string
	err := c.view(func(s *fleet.State) error {
		var found []placed[*fleet.Rig]
		for _, r := range s.Rigs {
			if !c.sees(r) || !has(yards, r.Yard) || !has(classes, r.Class) || !has(retired, strconv.FormatBool(r.Retired)) {
				continue
			}
			if silent > 0 && silentDays(s, r, c.Now) < silent {
				continue
			}
			if len(states) > 0 && !has(states, c.Fleet.FitnessOf(s, r, c.Now).State) {
				continue
			}
			if at := placeOf(c, s, r, p.sort); p.wants(at) {
				found = append(found, placed[*fleet.Rig]{at, r})
			}
		}
		found, next = cut(&p, found)
		lines = make([]rigLine, 0, len(found))
		for _, f := range found {
			lines = append(lines, rigLineOf(c, s, f.of))
		}
		return nil
	})
	if err != nil {
		return err
	}
	thin, err := wanted.of(lines)
	if err != nil {
		return err
	}
	return c.list("rigs", thin, next, map[string]any{"notice": fleet.FitnessNotice})
}

func (res *rigResources) postRigs(c *call) error {
	var cmd fleet.RegisterRig
	if err := c.body(&cmd); err != nil {
		return err
	}
	if fleet.ValidCode(cmd.Yard) && !c.Who.MaySee(cmd.Yard) {
		return outsideYards(cmd.Yard)
	}
	d, err := c.do(&cmd, http.StatusCreated, nil)
	if err != nil {
		return err
	}
	c.setHeader("Location", "/v1/rigs/"+cmd.Rig)
	return res.answer(c, d.status, cmd.Rig)
}

func outsideYards(yard string) error {
	return &problem{kind: kindNotAllowed, detail: "this token is held to other yards than " + quoted(yard)}
}

func (res *rigResources) patchRig(c *call) error {
	cmd := fleet.AmendRig{Rig: c.Param("rig")}
	if err := c.seesRig(); err != nil {
		return err
	}
	if err := c.body(&cmd); err != nil {
		return err
	}
	if cmd.Yard != nil && fleet.ValidCode(*cmd.Yard) && !c.Who.MaySee(*cmd.Yard) {
		return outsideYards(*cmd.Yard)
	}
	if cmd.Name == nil && cmd.Yard == nil && cmd.WidthM == nil && cmd.TankL == nil && cmd.FirstUse == nil && cmd.Serial == nil {
		return &problem{kind: kindInvalid, detail: "the body changes nothing"}
	}
	err := c.view(func(s *fleet.State) (err error) {
		r, err := c.rig(s)
		if err == nil {
			if cmd.IfMatch, err = c.ifMatch(r.Amended, r.Changed); err == nil {
				err = c.sawIt("rig")
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
func (res *rigResources) command(c *call, cmd fleet.Command, status int) error {
	d, err := c.do(cmd, status, c.mayRig)
	if err != nil {
		return err
	}
	return res.answer(c, d.status, c.Param("rig"))
}

func (res *rigResources) retireRig(c *call) error {
	cmd := fleet.RetireRig{Rig: c.Param("rig")}
	if err := c.seesRig(); err != nil {
		return err
	}
	if err := c.body(&cmd); err != nil {
		return err
	}
	return res.command(c, &cmd, http.StatusOK)
}

func (res *rigResources) adoptPlan(c *call) error {
	cmd := fleet.AdoptPlan{Rig: c.Param("rig")}
	if err := c.seesRig(); err != nil {
		return err
	}
	if err := c.body(&cmd); err != nil {
		return err
	}
	return res.command(c, &cmd, http.StatusOK)
}

// changeWork says that a rig does other work from a day on.
func (res *rigResources) changeWork(c *call) error {
	cmd := fleet.ChangeWork{Rig: c.Param("rig")}
	if err := c.seesRig(); err != nil {
		return err
	}
	if err := c.body(&cmd); err != nil {
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

// postCredential gives a rig a new user and password for NATS and MQTT. The
// password is shown in this answer and never again.
func (res *rigResources) postCredential(c *call) error {
	code := c.Param("rig")
	if err := c.noKey(); err != nil {
		return err
	}
	if err := c.seesRig(); err != nil {
		return err
	}
	if err := c.bodyOrNone(&struct{}{}); err != nil {
		return err
	}
	cmd, user, password := fleet.NewCredential(code)
	if _, err := c.do(cmd, http.StatusCreated, c.mayRig); err != nil {
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
	c.setHeader("Cache-Control", "no-store")
	return c.answer(http.StatusCreated, doc)
}

// Orders of the list, the usual one first.
var rigSorts = []string{"rig", "-hours", "fitness", "next_due"}

func placeOf(c *call, s *fleet.State, r *fleet.Rig, order string) place {
	at := place{ID: r.Rig}
	switch order {
	case "-hours":
		at.N = latest
		if m := r.MeterOf(meter.Hours, ""); m != nil {
			total, _ := m.Series.Total()
			at.N = down(total)
		}
	case "fitness":
		at.N = uint64(slices.Index([]string{fleet.DoNotUse, fleet.FitAdvisories, fleet.Fit}, c.Fleet.FitnessOf(s, r, c.Now).State))
	case "next_due":
		at.N = latest
		if lines := c.Fleet.DueOf(s, r, c.Now); len(lines) > 0 {
			at.N = pressingKey(&lines[0])
		}
	}
	return at
}
