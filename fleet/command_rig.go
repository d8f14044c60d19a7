package fleet

import (
	"crypto/rand"
	"crypto/sha256"
	"crypto/subtle"
	"encoding/base64"
	"encoding/hex"
	"fmt"
	"math"
	"time"

	"rigledger/events"
	"rigledger/fleet/meter"
	"rigledger/fleet/plan"
)

// RegisterRig brings a rig under the ledger with its meters, the parts of its
// class and its plan. Widths and volumes come in metres and litres.
type RegisterRig struct {
	Rig      string       `json:"rig"`
	Name     string       `json:"name"`
	Class    string       `json:"class"`
	Yard     string       `json:"yard"`
	WidthM   float64      `json:"width_m"`
	TankL    float64      `json:"tank_l"`
	FirstUse string       `json:"first_use,omitempty"`
	Serial   string       `json:"serial,omitempty"`
	Meters   []StartMeter `json:"meters"`
	Plan     string       `json:"plan,omitempty"`
}

// StartMeter is a meter as it comes under the ledger. Value is what its
// counter shows, in hours, hectares, litres, kilometres or counts; At is when
// it showed that, absent when nobody knows. RollsAt is the value at which a
// counter of known digits starts again from zero. Spraying says that the counter
// runs only while spraying: from such a distance the area can be estimated.
type StartMeter struct {
	Meter    string     `json:"meter"`
	Quantity string     `json:"quantity"`
	Value    float64    `json:"value"`
	At       *time.Time `json:"at,omitempty"`
	RollsAt  float64    `json:"rolls_at,omitempty"`
	Spraying bool       `json:"spraying,omitempty"`
}

func (r *RegisterRig) Touches() []string { return []string{"rig:" + r.Rig, "parts"} }

// Decide gives rig.registered, meter.added, part.fitted and plan.adopted in
// one commit.
func (r *RegisterRig) Decide(d Deciding) ([]events.Entry, error) {
	var c check
	c.code("/rig", r.Rig)
	c.text("/name", r.Name, 200)
	c.code("/yard", r.Yard)
	c.optional("/serial", r.Serial, 100)
	class := d.Class(r.Class)
	if class == nil {
		c.fail("/class", "must be one of %s", d.classNames())
	}
	// 60 m is beyond any boom in use; the widest in trade.md's practice figures is 42 m (common practice).
	if !(r.WidthM > 0 && r.WidthM <= 60) {
		c.fail("/width_m", "must be above 0 and at most 60 metres")
	}
	if !(r.TankL > 0 && r.TankL <= 50000) {
		c.fail("/tank_l", "must be above 0 and at most 50000 litres")
	}
	firstUse := c.inUse("/first_use", r.FirstUse)
	if len(r.Meters) > 16 {
		c.fail("/meters", "has more than 16 meters")
	}
	starts := make([]events.Entry, 0, len(r.Meters))
	seen := map[string]bool{}
	for i, m := range r.Meters {
		field := fmt.Sprintf("/meters/%d", i)
		if seen[m.Meter] {
			c.fail(field+"/meter", "is listed twice")
		}
		seen[m.Meter] = true
		starts = append(starts, m.entry(d, &c, field, r.Rig))
	}
	planName := r.Plan
	if planName == "" && class != nil {
		planName = class.Plan
	}
	versions := d.Plans[planName]
	if planName != "" && len(versions) == 0 {
		c.fail("/plan", "there is no plan %q", planName)
	}
	if err := c.err(); err != nil {
		return nil, err
	}
	if old := d.Rigs[r.Rig]; old != nil {
		return nil, conflict("rig %q is registered already", r.Rig)
	}
	if d.Parts[r.Rig] != nil {
		return nil, conflict("a part is named %q already", r.Rig)
	}
	facts := []events.Entry{d.entry(&events.RigRegistered{
		Rig: r.Rig, Name: r.Name, Class: r.Class, Yard: r.Yard, FirstUse: firstUse, Serial: r.Serial,
		WidthMM: int64(math.Round(r.WidthM * 1000)), TankML: int64(math.Round(r.TankL * 1000)),
	})}
	facts = append(facts, starts...)
	for _, p := range class.Parts {
		id := r.Rig + "-" + p.Position
		if d.Parts[id] != nil || d.Rigs[id] != nil {
			return nil, conflict("a part or rig is named %q already", id)
		}
		facts = append(facts, d.entry(&events.PartFitted{
			Part: id, Rig: r.Rig, Position: p.Position, Type: p.Kind, Name: p.Title, FromStart: true,
		}))
	}
	if len(versions) > 0 {
		facts = append(facts, d.entry(&events.PlanAdopted{Rig: r.Rig, Plan: planName, Version: versions[len(versions)-1].Version}))
	}
	return facts, nil
}

// Ref is what an Idempotency-Key remembers.
func (r *RegisterRig) Ref(State) string { return r.Rig }

func (m StartMeter) entry(d Deciding, c *check, field, rig string) events.Entry {
	c.code(field+"/meter", m.Meter)
	if m.Meter == "from" || m.Meter == "to" { // they stand beside the meters in a line of usage
		c.fail(field+"/meter", "may not be from or to")
	}
	q := meter.Quantity(m.Quantity)
	if !q.Valid() {
		c.fail(field+"/quantity", "must be hours, area, volume, distance or loads")
		return events.Entry{}
	}
	value, err := meter.ToBase(q, m.Value, q.Unit())
	if err != nil {
		c.fail(field+"/value", "%v", err)
	}
	roll, err := meter.ToBase(q, m.RollsAt, q.Unit())
	if err != nil || (roll > 0 && value >= roll) {
		c.fail(field+"/rolls_at", "must be a value above the counter's own")
	}
	e := d.entry(&events.MeterAdded{Rig: rig, Meter: m.Meter, Quantity: m.Quantity, Value: value, RollAt: roll, Spraying: m.Spraying, Untimed: m.At == nil})
	if m.At != nil {
		if m.At.After(d.Now.Add(futureSlack)) {
			c.fail(field+"/at", "lies in the future")
		}
		e.At = events.Milli(*m.At)
	}
	return e
}

// AmendRig changes what was registered; nil leaves a field as it is, and what is
// as asked already is no fact. IfMatch, when not 0, is the commit the caller saw
// the rig at.
type AmendRig struct {
	Rig      string   `json:"-"`
	IfMatch  uint64   `json:"-"`
	Name     *string  `json:"name,omitempty"`
	Yard     *string  `json:"yard,omitempty"`
	WidthM   *float64 `json:"width_m,omitempty"`
	TankL    *float64 `json:"tank_l,omitempty"`
	FirstUse *string  `json:"first_use,omitempty"`
	Serial   *string  `json:"serial,omitempty"`
}

func (a *AmendRig) Touches() []string { return []string{"rig:" + a.Rig} }

func (a *AmendRig) Decide(d Deciding) ([]events.Entry, error) {
	rig, err := d.liveRig(a.Rig)
	if err != nil {
		return nil, err
	}
	// A reading changes the rig every minute or so, and nothing of what is amended
	// here; so the rig may have been seen at any commit since it was last amended.
	if a.IfMatch != 0 && (a.IfMatch < rig.Amended || a.IfMatch > rig.Changed) {
		return nil, unchanged(a.IfMatch, rig.Amended)
	}
	var c check
	f := &events.RigAmended{Rig: a.Rig, Name: a.Name, Yard: a.Yard, Serial: a.Serial, FirstUse: a.FirstUse}
	if a.Name != nil {
		c.text("/name", *a.Name, 200)
	}
	if a.Yard != nil {
		c.code("/yard", *a.Yard)
	}
	if a.Serial != nil {
		c.optional("/serial", *a.Serial, 100)
	}
	if a.FirstUse != nil {
		day := c.inUse("/first_use", *a.FirstUse)
		f.FirstUse = &day
	}
	if a.WidthM != nil {
		if !(*a.WidthM > 0 && *a.WidthM <= 60) {
			c.fail("/width_m", "must be above 0 and at most 60 metres")
		}
		mm := int64(math.Round(*a.WidthM * 1000))
		f.WidthMM = &mm
	}
	if a.TankL != nil {
		if !(*a.TankL > 0 && *a.TankL <= 50000) {
			c.fail("/tank_l", "must be above 0 and at most 50000 litres")
		}
		ml := int64(math.Round(*a.TankL * 1000))
		f.TankML = &ml
	}
	if err := c.err(); err != nil {
		return nil, err
	}
	if !rig.differs(f) {
		return nil, nil // as it is already: asked twice, it happens once
	}
	return []events.Entry{d.entry(f)}, nil
}

// differs leaves in an amendment only what it changes, and says whether that is
// anything: a form sends all of its fields.
func (r *Rig) differs(f *events.RigAmended) bool {
	f.Name, f.Yard = other(f.Name, r.Name), other(f.Yard, r.Yard)
	f.Serial, f.FirstUse = other(f.Serial, r.Serial), other(f.FirstUse, r.FirstUse)
	f.WidthMM, f.TankML = other(f.WidthMM, r.WidthMM), other(f.TankML, r.TankML)
	return f.Name != nil || f.Yard != nil || f.Serial != nil || f.FirstUse != nil || f.WidthMM != nil || f.TankML != nil
}

// other gives a new value, nil where it is the one that stands.
func other[T comparable](to *T, from T) *T {
	if to != nil && *to == from {
		return nil
	}
	return to
}

func unchanged(seen, now uint64) error {
	if seen != 0 && seen != now {
		return &Error{Code: Stale, Message: fmt.Sprintf("it was changed by commit %d since it was read at %d", now, seen)}
	}
	return nil
}

// RetireRig takes a rig out of the fleet.
type RetireRig struct {
	Rig    string `json:"-"`
	Reason string `json:"reason"`
}

func (r *RetireRig) Touches() []string { return []string{"rig:" + r.Rig} }

func (r *RetireRig) Decide(d Deciding) ([]events.Entry, error) {
	if _, err := d.liveRig(r.Rig); err != nil {
		return nil, err
	}
	var c check
	c.text("/reason", r.Reason, 500)
	if err := c.err(); err != nil {
		return nil, err
	}
	return []events.Entry{d.entry(&events.RigRetired{Rig: r.Rig, Reason: r.Reason})}, nil
}

// IssueCredential gives a rig a user and password for NATS and MQTT. Make it
// with NewCredential, which draws the secret before the desk is asked, so that
// deciding twice gives the same password.
type IssueCredential struct {
	rig, user, hash string
}

// NewCredential draws a password of 32 random bytes for a rig.
func NewCredential(rig string) (cmd *IssueCredential, user, password string) {
	password = Secret()
	return &IssueCredential{rig: rig, user: rig, hash: HashSecret(password)}, rig, password
}

func (i *IssueCredential) Touches() []string { return []string{"rig:" + i.rig} }

func (i *IssueCredential) Decide(d Deciding) ([]events.Entry, error) {
	if _, err := d.liveRig(i.rig); err != nil {
		return nil, err
	}
	return []events.Entry{d.entry(&events.CredentialIssued{Rig: i.rig, User: i.user, Hash: i.hash})}, nil
}

// RigFor gives the rig whose credential this is.
func (f *Fleet) RigFor(user, password string) (rig string, ok bool) {
	f.View(func(s *State) {
		r := s.Users[user]
		if r == nil || r.Retired {
			return
		}
		if subtle.ConstantTimeCompare([]byte(r.UserHash), []byte(HashSecret(password))) == 1 {
			rig, ok = r.Rig, true
		}
	})
	return rig, ok
}

// Secret draws 32 random bytes in a form that fits headers and passwords.
func Secret() string {
	var b [32]byte
	_, _ = rand.Read(b[:]) // never fails: crypto/rand ends the program instead
	return base64.RawURLEncoding.EncodeToString(b[:])
}

// HashSecret is the hexadecimal SHA-256 of a secret. The secrets are 32 random
// bytes, so a slow password hash would add nothing.
func HashSecret(secret string) string {
	sum := sha256.Sum256([]byte(secret))
	return hex.EncodeToString(sum[:])
}

// liveRig gives a rig that is still in the fleet.
func (s *State) liveRig(code string) (*Rig, error) {
	rig := s.Rigs[code]
	if rig == nil {
		return nil, missing("rig", code)
	}
	if rig.Retired {
		return nil, conflict("rig %q is retired", code)
	}
	return rig, nil
}

// date checks an optional calendar date and gives it in canonical form.
func (c *check) date(field, value string) string {
	if value == "" {
		return ""
	}
	day, err := plan.ParseDate(value)
	if err != nil {
		c.fail(field, "must be a date like 2026-03-01")
		return ""
	}
	return day.String()
}

// inUse reads when a rig went into use. What is older than sprayers of this kind
// was typed wrong, and would count as some thousand winters that nobody served;
// 1950 is the bound of all other times (common practice).
func (c *check) inUse(field, value string) string {
	day := c.date(field, value)
	if day != "" && day < "1950" {
		c.fail(field, "lies before 1950")
	}
	return day
}

func (s *State) classNames() string {
	text := ""
	for i, c := range s.ClassList() {
		if i > 0 {
			text += ", "
		}
		text += c.Name
	}
	return text
}
