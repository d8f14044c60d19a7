package fleet

import (
	"crypto/subtle"
	"errors"
	"fmt"
	"strings"
	"time"

	"github.com/oklog/ulid/v2"

	"rigledger/events"
	"rigledger/fleet/plan"
)

// PublishPlan puts a new version of a service plan on record. The version in
// the text must be above every version known.
type PublishPlan struct {
	Text string `json:"text"`
}

// planNeeds is said to who sends a plan without one.
const planNeeds = "is missing: a plan is YAML text with plan (its name), version, title, classes, notice and tasks; " +
	"each task with task (its name), title, part, source and one of every, on, season_start, condition and run_in. " +
	"GET /v1/plans/{plan} shows one as text, /schemas/plan.json the shape"

func (p *PublishPlan) Touches() []string { return []string{"plans"} }

func (p *PublishPlan) Decide(d Deciding) ([]events.Entry, error) {
	if strings.TrimSpace(p.Text) == "" {
		return nil, invalid("/text", "%s", planNeeds)
	}
	parsed, err := plan.Parse("plan", []byte(p.Text))
	if err != nil {
		return nil, planError(err)
	}
	if known := d.Plans[parsed.Slug]; len(known) > 0 {
		newest := known[len(known)-1]
		if newest.Version == parsed.Version && newest.Text == p.Text {
			return nil, nil
		}
		if parsed.Version <= newest.Version {
			return nil, invalid("/text", "version %d of plan %s is on record already; give a higher one", newest.Version, parsed.Slug)
		}
	}
	return []events.Entry{d.entry(&events.PlanPublished{Plan: parsed.Slug, Version: parsed.Version, Text: p.Text})}, nil
}

// planError turns a plan file's problems into those of the request.
func planError(err error) error {
	var c check
	var problems plan.Problems
	if errors.As(err, &problems) {
		for _, p := range problems {
			c.fail("/text", "line %d: %s %s", p.Line, p.Field, p.Message)
		}
	} else {
		c.fail("/text", "%v", err)
	}
	return c.err()
}

// PublishClass puts a class of rig on record, new or in place of the one of the
// same name. Rigs of that class follow it at once; parts they carry stay.
type PublishClass struct {
	Text string `json:"text"`
}

func (p *PublishClass) Touches() []string { return []string{"plans", "parts"} }

func (p *PublishClass) Decide(d Deciding) ([]events.Entry, error) {
	parsed, err := plan.ParseClass("class", []byte(p.Text))
	if err != nil {
		return nil, planError(err)
	}
	if known := d.Classes[parsed.Name]; known != nil && known.Text == p.Text {
		return nil, nil
	}
	if len(d.Plans[parsed.Plan]) == 0 {
		return nil, invalid("/text", "plan: there is no plan %q on record", parsed.Plan)
	}
	return []events.Entry{d.entry(&events.ClassPublished{Class: parsed.Name, Text: p.Text})}, nil
}

// AdoptPlan puts a rig under a version of a plan; version 0 is the newest.
type AdoptPlan struct {
	Rig     string `json:"-"`
	Plan    string `json:"plan"`
	Version int    `json:"version,omitempty"`
}

func (a *AdoptPlan) Touches() []string { return []string{"rig:" + a.Rig, "plans"} }

func (a *AdoptPlan) Decide(d Deciding) ([]events.Entry, error) {
	rig, err := d.liveRig(a.Rig)
	if err != nil {
		return nil, err
	}
	versions := d.Plans[a.Plan]
	if len(versions) == 0 {
		return nil, invalid("/plan", "there is no plan %q", a.Plan)
	}
	version := a.Version
	if version == 0 {
		version = versions[len(versions)-1].Version
	}
	ref := PlanRef{a.Plan, version}
	if d.PlanOf(ref) == nil {
		return nil, invalid("/version", "plan %s has no version %d", a.Plan, version)
	}
	if rig.Plan == ref {
		return nil, nil
	}
	return []events.Entry{d.entry(&events.PlanAdopted{Rig: a.Rig, Plan: a.Plan, Version: version})}, nil
}

// ReportDefect records a fault somebody saw. Make it with NewDefect.
type ReportDefect struct {
	ID     string     `json:"-"`
	Rig    string     `json:"rig"`
	Part   string     `json:"part,omitempty"`
	Code   string     `json:"code,omitempty"`
	Text   string     `json:"text"`
	Safety bool       `json:"safety"`
	At     *time.Time `json:"at,omitempty"`
}

// NewDefectID draws an id for a defect that a person reports.
func NewDefectID() string { return "d-" + strings.ToLower(ulid.Make().String()) }

func (r *ReportDefect) Touches() []string { return []string{"rig:" + r.Rig} }

func (r *ReportDefect) Decide(d Deciding) ([]events.Entry, error) {
	var c check
	c.text("/text", r.Text, 2000)
	c.optional("/code", r.Code, 64)
	at := c.past("/at", r.At, d.Now)
	rig := d.Rigs[r.Rig]
	part := ""
	switch {
	case r.Rig == "":
		c.fail("/rig", "is missing")
	case rig == nil:
		c.fail("/rig", "there is no rig %q", r.Rig)
	case r.Part != "":
		if part = d.partOn(rig, r.Part); part == "" {
			c.fail("/part", "rig %s carries no part %q", r.Rig, r.Part)
		}
	}
	if err := c.err(); err != nil {
		return nil, err
	}
	if _, err := d.liveRig(r.Rig); err != nil {
		return nil, err
	}
	e := d.entry(&events.DefectReported{Defect: r.ID, Rig: r.Rig, Part: part, Code: r.Code, Text: r.Text, Safety: r.Safety})
	e.At = at
	return []events.Entry{e}, nil
}

// Ref is what an Idempotency-Key remembers.
func (r *ReportDefect) Ref(State) string { return r.ID }

// ClearDefect says how a defect was put right.
type ClearDefect struct {
	Defect  string     `json:"-"`
	IfMatch uint64     `json:"-"`
	Action  string     `json:"action"`
	At      *time.Time `json:"at,omitempty"`
}

// Touches everything: an inspection of the rig may close the same defect.
func (r *ClearDefect) Touches() []string { return []string{Everything} }

func (r *ClearDefect) Decide(d Deciding) ([]events.Entry, error) {
	known := d.Defects[r.Defect]
	if known == nil {
		return nil, missing("defect", r.Defect)
	}
	if err := unchanged(r.IfMatch, known.Changed); err != nil {
		return nil, err
	}
	var c check
	c.text("/action", r.Action, 2000)
	at := c.past("/at", r.At, d.Now)
	if err := c.err(); err != nil {
		return nil, err
	}
	if !known.ClearedAt.IsZero() {
		return nil, conflict("defect %s was cleared at %s", r.Defect, known.ClearedAt.Format(time.RFC3339))
	}
	e := d.entry(&events.DefectCleared{Defect: r.Defect, Rig: known.Rig, Action: r.Action})
	e.At = at
	return []events.Entry{e}, nil
}

// Role is what a token may do.
type Role string

const (
	RoleManager  Role = "manager"
	RoleWorkshop Role = "workshop"
	RoleOperator Role = "operator"
	RoleReader   Role = "reader"
	RoleRig      Role = "rig"
)

// Roles lists every role.
var Roles = []Role{RoleManager, RoleWorkshop, RoleOperator, RoleReader, RoleRig}

// IssueToken lets a person or program in. Make it with NewToken.
type IssueToken struct {
	id, hash string
	Name     string     `json:"name"`
	Role     Role       `json:"role"`
	Yards    []string   `json:"yards,omitempty"`
	Rig      string     `json:"rig,omitempty"` // for the role rig
	Expires  *time.Time `json:"expires,omitempty"`
}

// NewToken draws a token's id and secret. text is what its holder sends; it is
// shown once and kept nowhere.
func NewToken(name string, role Role) (cmd *IssueToken, text string) {
	id := strings.ToLower(ulid.Make().String())
	secret := Secret()
	return &IssueToken{id: id, hash: HashSecret(secret), Name: name, Role: role}, "rl_" + id + "_" + secret
}

// ID is the token's public name.
func (t *IssueToken) ID() string { return t.id }

func (t *IssueToken) Touches() []string { return []string{"tokens"} }

func (t *IssueToken) Decide(d Deciding) ([]events.Entry, error) {
	var c check
	c.text("/name", t.Name, 100)
	if strings.HasPrefix(strings.ToLower(t.Name), OpenIDPrefix) {
		c.fail("/name", "must not begin with %s, which is for who comes in through an OpenID Connect issuer", OpenIDPrefix)
	}
	known := false
	for _, r := range Roles {
		known = known || r == t.Role
	}
	if !known {
		c.fail("/role", "must be one of manager, workshop, operator, reader, rig")
	}
	for i, y := range t.Yards {
		c.code(fmt.Sprintf("/yards/%d", i), y)
	}
	if t.Role == RoleRig && d.Rigs[t.Rig] == nil {
		c.fail("/rig", "must name a registered rig")
	}
	if t.Role != RoleRig && t.Rig != "" {
		c.fail("/rig", "goes with the role rig only")
	}
	f := &events.TokenIssued{Token: t.id, Name: t.Name, Role: string(t.Role), Yards: t.Yards, Rig: t.Rig, Hash: t.hash}
	if t.Expires != nil {
		if !t.Expires.After(d.Now) {
			c.fail("/expires", "lies in the past")
		}
		f.Expires = t.Expires.UTC().Format(time.RFC3339)
	}
	if err := c.err(); err != nil {
		return nil, err
	}
	return []events.Entry{d.entry(f)}, nil
}

// RevokeToken ends a token at once.
type RevokeToken struct {
	Token  string `json:"-"`
	Reason string `json:"reason,omitempty"`
}

func (r *RevokeToken) Touches() []string { return []string{"tokens"} }

func (r *RevokeToken) Decide(d Deciding) ([]events.Entry, error) {
	t := d.Tokens[r.Token]
	if t == nil {
		return nil, missing("token", r.Token)
	}
	if t.Revoked {
		return nil, nil
	}
	return []events.Entry{d.entry(&events.TokenRevoked{Token: r.Token, Reason: r.Reason})}, nil
}

// OpenIDPrefix begins the name and the token of who comes in through an OpenID
// Connect issuer, and never those of a token in the ledger.
const OpenIDPrefix = "openid:"

// Holder is who a valid token lets in.
type Holder struct {
	Token string
	Name  string
	Role  Role
	Yards []string // empty: all
	Rig   string
	Until time.Time // when the token ends; zero: never by itself
}

// MaySee says whether the holder may see rigs of a yard.
func (h Holder) MaySee(yard string) bool {
	if len(h.Yards) == 0 {
		return true
	}
	for _, y := range h.Yards {
		if y == yard {
			return true
		}
	}
	return false
}

// HolderOf gives who a token's text belongs to; false when it is unknown,
// revoked or expired.
func (f *Fleet) HolderOf(text string) (h Holder, ok bool) {
	rest, found := strings.CutPrefix(text, "rl_")
	id, secret, cut := strings.Cut(rest, "_")
	if !found || !cut {
		return h, false
	}
	hash := HashSecret(secret)
	f.View(func(s *State) {
		t := s.Tokens[id]
		if t == nil || t.Revoked || subtle.ConstantTimeCompare([]byte(t.Hash), []byte(hash)) != 1 {
			return
		}
		until, err := time.Parse(time.RFC3339, t.Expires) // "": the zero time
		if err == nil && !f.now().Before(until) {
			return
		}
		h, ok = Holder{Token: id, Name: t.Name, Role: Role(t.Role), Yards: t.Yards, Rig: t.Rig, Until: until}, true
	})
	if ok {
		f.uses.note(h.Token, f.now())
	}
	return h, ok
}
