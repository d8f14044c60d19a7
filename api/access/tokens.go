package access

import (
	"net/http"
	"time"

	"rigledger/api/call"
	"rigledger/api/shape"
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

func tokenDocOf(c *call.Call, t *fleet.Token) tokenDoc {
	return tokenDoc{
		Token: t.Token, Name: t.Name, Role: t.Role, Yards: shape.List(t.Yards), Rig: t.Rig, Expires: t.Expires,
		IssuedAt: t.IssuedAt.UTC(), LastUsed: shape.Time(c.Fleet.LastUsed(t)), Revoked: t.Revoked,
	}
}

// overToken says whether the caller's yards cover everything a token opens: a
// manager held to yards neither makes nor ends a token that reaches further.
func overToken(c *call.Call, s *fleet.State, role string, yards []string, rig string) bool {
	if len(c.Who.Yards) == 0 {
		return true
	}
	if role == string(fleet.RoleRig) {
		return c.Sees(s.Rigs[rig])
	}
	for _, y := range yards {
		if !c.Who.MaySee(y) {
			return false
		}
	}
	return len(yards) > 0
}

// GetTokens answers GET /v1/tokens.
func GetTokens(c *call.Call) error {
	p := c.Pages("tokens")
	if err := c.Query.Err(); err != nil {
		return err
	}
	var docs []tokenDoc
	var next string
	err := c.View(func(s *fleet.State) error {
		var found []call.Placed[*fleet.Token]
		for id, t := range s.Tokens {
			if at := (call.Place{ID: id}); p.Wants(at) && overToken(c, s, t.Role, t.Yards, t.Rig) {
				found = append(found, call.Placed[*fleet.Token]{At: at, Of: t})
			}
		}
		found, next = call.Cut(&p, found)
		docs = make([]tokenDoc, 0, len(found))
		for _, f := range found {
			docs = append(docs, tokenDocOf(c, f.Of))
		}
		return nil
	})
	if err != nil {
		return err
	}
	return c.List("tokens", docs, next, nil)
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

// PostToken lets a person or program in. The secret is shown in this answer
// and never again.
func PostToken(c *call.Call) error {
	if err := c.NoKey(); err != nil {
		return err
	}
	var body tokenBody
	if err := c.Body(&body); err != nil {
		return err
	}
	cmd, secret := fleet.NewToken(body.Name, fleet.Role(body.Role))
	cmd.Yards, cmd.Rig, cmd.Expires = body.Yards, body.Rig, body.Expires
	may := func(s *fleet.State) error {
		if !overToken(c, s, body.Role, body.Yards, body.Rig) {
			return &call.Problem{Kind: call.NotAllowed, Detail: "this token is held to yards; the new one must be held to some of the same"}
		}
		return nil
	}
	if _, err := c.Do(cmd, http.StatusCreated, may); err != nil {
		return err
	}
	doc := newTokenDoc{Secret: secret, Notice: "The secret is shown once."}
	err := c.View(func(s *fleet.State) error {
		doc.tokenDoc = tokenDocOf(c, s.Tokens[cmd.ID()])
		return nil
	})
	if err != nil {
		return err
	}
	c.SetHeader("Cache-Control", "no-store")
	return c.Answer(http.StatusCreated, doc)
}

// RevokeToken answers POST /v1/tokens/{token}/revoke.
func RevokeToken(c *call.Call) error {
	id := c.Param("token")
	cmd := fleet.RevokeToken{Token: id}
	may := func(s *fleet.State) error {
		t := s.Tokens[id]
		if t == nil || !overToken(c, s, t.Role, t.Yards, t.Rig) {
			return call.NoSuch("token", id)
		}
		return nil
	}
	if err := c.View(may); err != nil {
		return err
	}
	if err := c.BodyOrNone(&cmd); err != nil {
		return err
	}
	d, err := c.Do(&cmd, http.StatusOK, may)
	if err != nil {
		return err
	}
	var doc tokenDoc
	err = c.View(func(s *fleet.State) error {
		doc = tokenDocOf(c, s.Tokens[id])
		return nil
	})
	if err != nil {
		return err
	}
	return c.Answer(d.Status, doc)
}
