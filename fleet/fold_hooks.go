package fleet

import (
	"fmt"
	"slices"
	"time"

	"rigledger/events"
)

// Hook is an address that facts are sent to, and how far it has come.
type Hook struct {
	events.HookAdded
	AddedAt time.Time   `json:"added_at"`
	AddedBy string      `json:"added_by"`
	Changed uint64      `json:"changed"`
	Olds    []OldSecret `json:"old_secrets,omitempty"` // that may sign as well, the oldest first

	Position events.Position `json:"position"`               // its receiver took everything up to here
	Failing  time.Time       `json:"failing_since,omitzero"` // since when it takes nothing
	Disabled string          `json:"disabled,omitempty"`     // why, "" while it is not
	EndedAt  time.Time       `json:"disabled_at,omitzero"`   // when it was disabled
}

// OldSecret is a secret that was rotated and signs until its time is over.
type OldSecret struct {
	Secret string    `json:"secret"`
	Until  time.Time `json:"until"`
}

// Secrets lists what a delivery at a time is signed with, the newest first.
func (h *Hook) Secrets(at time.Time) []string {
	list := []string{h.Secret}
	for i := len(h.Olds) - 1; i >= 0; i-- {
		if at.Before(h.Olds[i].Until) {
			list = append(list, h.Olds[i].Secret)
		}
	}
	return list
}

// OldUntil is until when an older secret signs as well, zero where none does at
// that time.
func (h *Hook) OldUntil(at time.Time) time.Time {
	if n := len(h.Olds); n > 0 && at.Before(h.Olds[n-1].Until) {
		return h.Olds[n-1].Until
	}
	return time.Time{}
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
		until, _ := time.Parse(time.RFC3339, f.OldUntil)
		h.Olds = slices.DeleteFunc(slices.Clone(h.Olds), func(o OldSecret) bool { return !e.At.Before(o.Until) })
		h.Olds = append(h.Olds, OldSecret{Secret: h.Secret, Until: until})
		h.Secret = f.Secret
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
