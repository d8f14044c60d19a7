package fleet

import (
	"fmt"
	"time"

	"rigledger/events"
)

// Hook is an address that facts are sent to, and how far it has come.
type Hook struct {
	events.HookAdded
	AddedAt  time.Time `json:"added_at"`
	AddedBy  string    `json:"added_by"`
	Changed  uint64    `json:"changed"`
	OldUntil time.Time `json:"old_until,omitzero"`   // until then OldSecret signs as well
	Old      string    `json:"old_secret,omitempty"` // the secret before

	Position events.Position `json:"position"`               // its receiver took everything up to here
	Failing  time.Time       `json:"failing_since,omitzero"` // since when it takes nothing
	Disabled string          `json:"disabled,omitempty"`     // why, "" while it is not
	EndedAt  time.Time       `json:"disabled_at,omitzero"`   // when it was disabled
}

// Secrets lists what a delivery at a time is signed with, the newest first.
func (h *Hook) Secrets(at time.Time) []string {
	if h.Old != "" && at.Before(h.OldUntil) {
		return []string{h.Secret, h.Old}
	}
	return []string{h.Secret}
}

// applyHook folds the facts about hooks; known is false for any other fact.
func (s *State) applyHook(c *events.Commit, e *events.Entry) (known bool, err error) {
	find := func(id string) *Hook {
		h := s.Hooks[id]
		if h == nil {
			err = fmt.Errorf("%s about the unknown hook %q", e.Fact.Kind(), id)
			return &Hook{}
		}
		h.Changed = c.N
		return h
	}
	switch f := e.Fact.(type) {
	case *events.HookAdded:
		// What was committed with it or before it is not sent.
		s.Hooks[f.Hook] = &Hook{HookAdded: *f, AddedAt: e.At, AddedBy: e.By, Changed: c.N, Position: events.After(c.N)}
	case *events.HookRotated:
		h := find(f.Hook)
		h.Old, h.Secret = h.Secret, f.Secret
		h.OldUntil, _ = time.Parse(time.RFC3339, f.OldUntil)
	case *events.HookDelivered:
		h := find(f.Hook)
		p, bad := events.ParsePosition(f.Position)
		if bad != nil {
			return true, fmt.Errorf("hook %s: position %q: %w", f.Hook, f.Position, bad)
		}
		if !p.Before(h.Position) { // another instance may have come further
			h.Position = p
		}
		h.Failing, _ = time.Parse(time.RFC3339, f.FailingSince)
	case *events.HookDisabled:
		h := find(f.Hook)
		h.Disabled, h.EndedAt = f.Reason, e.At
	case *events.HookEnabled:
		h := find(f.Hook)
		h.Disabled, h.EndedAt, h.Failing = "", time.Time{}, time.Time{}
	case *events.HookRemoved:
		delete(s.Hooks, f.Hook)
	default:
		return false, nil
	}
	return true, err
}
