package api

import (
	"net/http"
	"time"

	"rigledger/fleet"
)

// tokenDoc is a token without its secret.
type tokenDoc struct {
	Token    string    `json:"token"`
	Name     string    `json:"name"`
	Role     string    `json:"role"`
	Yards    []string  `json:"yards"` // empty: all
	Rig      string    `json:"rig,omitempty"`
	Expires  string    `json:"expires,omitempty"`
	IssuedAt time.Time `json:"issued_at"`

	LastUsed *time.Time `json:"last_used,omitempty"`
	Revoked  bool       `json:"revoked"`
}

func tokenDocOf(c *call, t *fleet.Token) tokenDoc {
	return tokenDoc{
		Token: t.Token, Name: t.Name, Role: t.Role, Yards: orEmpty(t.Yards), Rig: t.Rig, Expires: t.Expires,
		IssuedAt: t.IssuedAt.UTC(), LastUsed: timeOrNil(c.Fleet.LastUsed(t)), Revoked: t.Revoked,
	}
}

// overToken says whether the caller's yards cover everything a token opens: a
// manager held to yards neither makes nor ends a token that reaches further.
func overToken(c *call, s *fleet.State, role string, yards []string, rig string) bool {
	if len(c.Who.Yards) == 0 {
		return true
	}
	if role == string(fleet.RoleRig) {
		return c.sees(s.Rigs[rig])
	}
	for _, y := range yards {
		if !c.Who.MaySee(y) {
			return false
		}
	}
	return len(yards) > 0
}

func getTokens(c *call) error {
	p := c.pages("tokens")
	if err := c.Query.err(); err != nil {
		return err
	}
	var docs []tokenDoc
	var next string
	err := c.view(func(s *fleet.State) error {
		var found []placed[*fleet.Token]
		for id, t := range s.Tokens {
			if at := (place{ID: id}); p.wants(at) && overToken(c, s, t.Role, t.Yards, t.Rig) {
				found = append(found, placed[*fleet.Token]{at, t})
			}
		}
		found, next = cut(&p, found)
		docs = make([]tokenDoc, 0, len(found))
		for _, f := range found {
			docs = append(docs, tokenDocOf(c, f.of))
		}
		return nil
	})
	if err != nil {
		return err
	}
	return c.list("tokens", docs, next, nil)
}

type tokenBody struct {
	Name    string     `json:"name"`
	Role    string     `json:"role"`
	Yards   []string   `json:"yards"`
	Rig     string     `json:"rig"`
	Expires *time.Time `json:"expires"`
}

type newTokenDoc struct {
	tokenDoc
	Secret string `json:"secret"`
	Notice string `json:"notice"`
}

// postToken lets a person or program in. The secret is shown in this answer
// and never again.
func postToken(c *call) error {
	if err := c.noKey(); err != nil {
		return err
	}
	var body tokenBody
	if err := c.body(&body); err != nil {
		return err
	}
	cmd, secret := fleet.NewToken(body.Name, fleet.Role(body.Role))
	cmd.Yards, cmd.Rig, cmd.Expires = body.Yards, body.Rig, body.Expires
	may := func(s *fleet.State) error {
		if !overToken(c, s, body.Role, body.Yards, body.Rig) {
			return &problem{kind: kindNotAllowed, detail: "this token is held to yards; the new one must be held to some of the same"}
		}
		return nil
	}
	if _, err := c.do(cmd, http.StatusCreated, may); err != nil {
		return err
	}
	doc := newTokenDoc{Secret: secret, Notice: "The secret is shown once."}
	err := c.view(func(s *fleet.State) error {
		doc.tokenDoc = tokenDocOf(c, s.Tokens[cmd.ID()])
		return nil
	})
	if err != nil {
		return err
	}
	c.setHeader("Cache-Control", "no-store")
	return c.answer(http.StatusCreated, doc)
}

func revokeToken(c *call) error {
	id := c.Param("token")
	cmd := fleet.RevokeToken{Token: id}
	may := func(s *fleet.State) error {
		t := s.Tokens[id]
		if t == nil || !overToken(c, s, t.Role, t.Yards, t.Rig) {
			return notFound("token", id)
		}
		return nil
	}
	if err := c.view(may); err != nil {
		return err
	}
	if err := c.bodyOrNone(&cmd); err != nil {
		return err
	}
	d, err := c.do(&cmd, http.StatusOK, may)
	if err != nil {
		return err
	}
	var doc tokenDoc
	err = c.view(func(s *fleet.State) error {
		doc = tokenDocOf(c, s.Tokens[id])
		return nil
	})
	if err != nil {
		return err
	}
	return c.answer(d.status, doc)
}
