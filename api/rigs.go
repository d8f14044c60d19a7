package api

import (
	"encoding/json"
	"net/http"

	"rigledger/events"
	"rigledger/fleet"
	"rigledger/fleet/plan"
)

// rigAnswer is the answer of GET /v1/rigs/{rig}, kept until the rig or the
// local date changes: nothing else goes into it.
type rigAnswer struct {
	changed uint64
	today   plan.Date
	tag     string
	body    []byte
}

func getRig(c *call) error {
	wanted := c.fields(rigDoc{}, "rig")
	if err := c.query.err(); err != nil {
		return err
	}
	return c.rigSparse(http.StatusOK, c.gin.Param("rig"), wanted)
}

// rigAnswer answers with a rig as it is now. It is put together while the state
// stands still and written out after, so that the desk does not wait for JSON.
func (c *call) rigAnswer(status int, code string) error { return c.rigSparse(status, code, nil) }

func (c *call) rigSparse(status int, code string, wanted sparse) error {
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
		if kept, ok := c.api.rigs.Load(code); ok {
			if k := kept.(*rigAnswer); k.changed == changed && k.today == today {
				known = k
				return nil
			}
		}
		doc = c.api.rigDocOf(s, r, c.now)
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
		c.api.rigs.Store(code, known)
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

func getRigs(c *call) error {
	p := c.pages("rigs", rigSorts...)
	wanted := c.fields(rigLine{}, "rig")
	yards, classes := c.query.words("yard"), c.query.words("class")
	states := c.query.words("state", fleet.Fit, fleet.FitAdvisories, fleet.DoNotUse)
	silent := c.query.number("silent_days", 0, 36500, 0)
	retired := c.query.words("retired", "true", "false")
	if err := c.query.err(); err != nil {
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
			if !c.sees(r) || !has(yards, r.Yard) || !has(classes, r.Class) || !has(retired, yesNo(r.Retired)) {
				continue
			}
			if silent > 0 && silentDays(s, r, c.now) < silent {
				continue
			}
			if len(states) > 0 && !has(states, c.api.fleet.FitnessOf(s, r, c.now).State) {
				continue
			}
			if at := c.rigPlace(s, r, p.sort); p.wants(at) {
				found = append(found, placed[*fleet.Rig]{at, r})
			}
		}
		found, next = cut(&p, found)
		lines = make([]rigLine, 0, len(found))
		for _, f := range found {
			lines = append(lines, c.api.rigLineOf(s, f.of, c.now))
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

func yesNo(b bool) string {
	if b {
		return "true"
	}
	return "false"
}

func postRigs(c *call) error {
	var cmd fleet.RegisterRig
	if err := c.body(&cmd); err != nil {
		return err
	}
	if fleet.ValidCode(cmd.Yard) && !c.who.MaySee(cmd.Yard) {
		return outsideYards(cmd.Yard)
	}
	d, err := c.do(&cmd, http.StatusCreated, nil)
	if err != nil {
		return err
	}
	c.setHeader("Location", "/v1/rigs/"+cmd.Rig)
	return c.rigAnswer(d.status, cmd.Rig)
}

func outsideYards(yard string) error {
	return &problem{kind: kindNotAllowed, detail: "this token is held to other yards than " + quoted(yard)}
}

func patchRig(c *call) error {
	cmd := fleet.AmendRig{Rig: c.gin.Param("rig")}
	if err := c.seesRig(); err != nil {
		return err
	}
	if err := c.body(&cmd); err != nil {
		return err
	}
	if cmd.Yard != nil && fleet.ValidCode(*cmd.Yard) && !c.who.MaySee(*cmd.Yard) {
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
	return c.rigCommand(&cmd, http.StatusOK)
}

// seesRig refuses a rig that is not there, or not for the caller, before its
// body is looked at.
func (c *call) seesRig() error {
	return c.view(func(s *fleet.State) error {
		_, err := c.rig(s)
		return err
	})
}

// mayRig is the same, asked at the desk.
func (c *call) mayRig(s *fleet.State) error {
	_, err := c.rig(s)
	return err
}

// rigCommand carries out a command about the path's rig and answers with the rig.
func (c *call) rigCommand(cmd fleet.Command, status int) error {
	d, err := c.do(cmd, status, c.mayRig)
	if err != nil {
		return err
	}
	return c.rigAnswer(d.status, c.gin.Param("rig"))
}

func retireRig(c *call) error {
	cmd := fleet.RetireRig{Rig: c.gin.Param("rig")}
	if err := c.seesRig(); err != nil {
		return err
	}
	if err := c.body(&cmd); err != nil {
		return err
	}
	return c.rigCommand(&cmd, http.StatusOK)
}

func adoptPlan(c *call) error {
	cmd := fleet.AdoptPlan{Rig: c.gin.Param("rig")}
	if err := c.seesRig(); err != nil {
		return err
	}
	if err := c.body(&cmd); err != nil {
		return err
	}
	return c.rigCommand(&cmd, http.StatusOK)
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
func postCredential(c *call) error {
	code := c.gin.Param("rig")
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
	setCommit(c.gin.Writer.Header(), c.api.fleet.Head().N)
	c.setHeader("Cache-Control", "no-store")
	return c.answer(http.StatusCreated, doc)
}
