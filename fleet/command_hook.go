package fleet

import (
	"crypto/rand"
	"encoding/base64"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/oklog/ulid/v2"

	"rigledger/events"
)

// Bounds of hooks.
const (
	hooksMost      = 100
	ReasonMost     = 1000 // bytes of why a hook is disabled
	hookURLMost    = 2000
	oldSecretLife  = 24 * time.Hour // how long a rotated secret still signs
	oldSecretsMost = 4              // that sign beside the newest; each makes the signature's header longer
)

// AddHook asks for facts to be sent to an address. Make it with NewHook.
type AddHook struct {
	id, secret string
	URL        string   `json:"url"`
	Name       string   `json:"name"`
	Kinds      []string `json:"kinds,omitempty"` // empty: all but meter.read, which must be named
	Yards      []string `json:"yards,omitempty"` // empty: all, and what is about the whole fleet

	// Reach says why a host must not be sent to, as far as its name alone tells;
	// nil for any.
	Reach func(host string) error `json:"-"`
}

// NewHook draws a hook's id and secret, before the desk is asked, so that
// deciding twice gives the same.
func NewHook() (cmd *AddHook, secret string) {
	secret = hookSecret()
	return &AddHook{id: "h-" + strings.ToLower(ulid.Make().String()), secret: secret}, secret
}

// hookSecret draws 32 random bytes in the form of Standard Webhooks 1.0.0,
// which asks for 24 to 64.
func hookSecret() string {
	var b [32]byte
	_, _ = rand.Read(b[:]) // never fails: crypto/rand ends the program instead
	return "whsec_" + base64.StdEncoding.EncodeToString(b[:])
}

// ID is the hook's name.
func (a *AddHook) ID() string { return a.id }

func (a *AddHook) Touches() []string { return []string{"hooks"} }

func (a *AddHook) Decide(d Deciding) ([]events.Entry, error) {
	var c check
	c.text("/name", a.Name, 100)
	c.hookURL("/url", a.URL, a.Reach)
	public := events.PublicKinds()
	for i, k := range a.Kinds {
		if !slices.Contains(public, k) {
			c.fail(pointer("/kinds", i), "is no kind of fact that is sent")
		}
	}
	if len(a.Kinds) > len(public) {
		c.fail("/kinds", "lists more than there are")
	}
	if len(a.Yards) > 100 {
		c.fail("/yards", "lists more than 100")
	}
	for i, y := range a.Yards {
		if c.code(pointer("/yards", i), y); ValidCode(y) && !d.hasYard(y) {
			c.fail(pointer("/yards", i), "there is no such yard: no rig is in it, and nothing was said about it")
		}
	}
	if err := c.err(); err != nil {
		return nil, err
	}
	if len(d.Hooks) >= hooksMost {
		return nil, conflict("there are %d hooks, as many as may be; remove one", len(d.Hooks))
	}
	return []events.Entry{d.entry(&events.HookAdded{
		Hook: a.id, Name: a.Name, URL: a.URL, Kinds: a.Kinds, Yards: a.Yards, Secret: a.secret,
	})}, nil
}

// hookURL checks an address to send to. Whether a name leads where it may is
// known only when it is dialled.
func (c *check) hookURL(field, value string, reach func(host string) error) {
	u, err := url.Parse(value)
	switch {
	case value == "":
		c.fail(field, "is missing")
	case len(value) > hookURLMost:
		c.fail(field, "is longer than %d bytes", hookURLMost)
	case err != nil || u.Scheme != "https" && u.Scheme != "http" || u.Hostname() == "" || u.Opaque != "":
		c.fail(field, "must be an address like https://farm.example/facts")
	case u.User != nil:
		c.fail(field, "must not hold a user or password")
	case !portFit(u):
		c.fail(field, "must not name a port other than 1 to 65535")
	case u.Fragment != "":
		c.fail(field, "must not have a fragment")
	case reach != nil:
		if err := reach(u.Hostname()); err != nil {
			c.fail(field, "%v", err)
		}
	}
}

// portFit says whether an address names no port or one that there can be.
func portFit(u *url.URL) bool {
	if u.Port() == "" {
		return true
	}
	n, err := strconv.ParseUint(u.Port(), 10, 16)
	return err == nil && n > 0
}

// hasYard says whether a yard is known: a rig is in it, or its place is.
func (s *State) hasYard(yard string) bool {
	if len(s.Bay.Yards[yard]) > 0 {
		return true
	}
	for _, r := range s.Rigs {
		if r.Yard == yard {
			return true
		}
	}
	return false
}

func (d Deciding) hook(id string) (*Hook, error) {
	h := d.Hooks[id]
	if h == nil {
		return nil, missing("hook", id)
	}
	return h, nil
}

// RotateHook gives a hook a new secret. Make it with NewRotation.
type RotateHook struct{ Hook, secret string }

// NewRotation draws the new secret.
func NewRotation(hook string) (cmd *RotateHook, secret string) {
	secret = hookSecret()
	return &RotateHook{Hook: hook, secret: secret}, secret
}

func (r *RotateHook) Touches() []string { return []string{"hook:" + r.Hook} }

func (r *RotateHook) Decide(d Deciding) ([]events.Entry, error) {
	h, err := d.hook(r.Hook)
	if err != nil {
		return nil, err
	}
	// Who asks again because he got no answer must not cut off a receiver that still
	// holds the first secret: none ends before its time, so no more are made than may be.
	if signing := h.Secrets(d.Now); len(signing) > oldSecretsMost {
		return nil, conflict("%d secrets still sign; the next can be made after %s, when the oldest ends", len(signing), h.Olds[len(h.Olds)-oldSecretsMost].Until.Format(time.RFC3339))
	}
	until := d.Now.Add(oldSecretLife).UTC().Format(time.RFC3339)
	return []events.Entry{d.entry(&events.HookRotated{Hook: r.Hook, Secret: r.secret, OldUntil: until})}, nil
}

// EnableHook lets a disabled hook go on where it stood.
type EnableHook struct{ Hook string }

func (e *EnableHook) Touches() []string { return []string{"hook:" + e.Hook} }

func (e *EnableHook) Decide(d Deciding) ([]events.Entry, error) {
	h, err := d.hook(e.Hook)
	if err != nil || h.Disabled == "" {
		return nil, err
	}
	return []events.Entry{d.entry(&events.HookEnabled{Hook: e.Hook})}, nil
}

// DisableHook stops a hook: because it cannot be delivered to, or because
// somebody wants it to rest. EnableHook lets it go on where it stood.
type DisableHook struct {
	Hook   string `json:"-"`
	Reason string `json:"reason"`
}

func (e *DisableHook) Touches() []string { return []string{"hook:" + e.Hook} }

func (e *DisableHook) Decide(d Deciding) ([]events.Entry, error) {
	h, err := d.hook(e.Hook)
	if err != nil {
		return nil, err
	}
	var c check
	c.text("/reason", e.Reason, ReasonMost)
	if err := c.err(); err != nil {
		return nil, err
	}
	if h.Disabled != "" {
		return nil, nil // the first reason stays
	}
	return []events.Entry{d.entry(&events.HookDisabled{Hook: e.Hook, Reason: e.Reason})}, nil
}

// RemoveHook ends a hook.
type RemoveHook struct {
	Hook   string `json:"-"`
	Reason string `json:"reason,omitempty"`
}

func (e *RemoveHook) Touches() []string { return []string{"hook:" + e.Hook} }

func (e *RemoveHook) Decide(d Deciding) ([]events.Entry, error) {
	if _, err := d.hook(e.Hook); err != nil {
		return nil, err
	}
	var c check
	c.optional("/reason", e.Reason, 500)
	if err := c.err(); err != nil {
		return nil, err
	}
	return []events.Entry{d.entry(&events.HookRemoved{Hook: e.Hook, Reason: e.Reason})}, nil
}

// NoteDelivered records how far a hook has come.
type NoteDelivered struct {
	Hook     string
	Position events.Position
	Failing  time.Time // zero while its receiver takes
}

func (n *NoteDelivered) Touches() []string { return []string{"hook:" + n.Hook} }

func (n *NoteDelivered) Decide(d Deciding) ([]events.Entry, error) {
	h := d.Hooks[n.Hook]
	if h == nil || h.Disabled != "" {
		return nil, nil // it ended meanwhile
	}
	failing := ""
	if !n.Failing.IsZero() {
		failing = n.Failing.UTC().Format(time.RFC3339)
	}
	return []events.Entry{d.entry(&events.HookDelivered{Hook: n.Hook, Position: n.Position.String(), FailingSince: failing})}, nil
}
