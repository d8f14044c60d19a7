package call

import (
	"encoding/json"
	"errors"
	"slices"
	"strconv"
	"strings"

	"rigledger/fleet"
)

// alsoWrong lists what else is wrong with a command of which some fields cannot
// be read, so that the caller hears of both at once: what the command says about
// the fields that could be. It is only asked, never carried out.
//
// Only what points to a value of the body that could be read is believed: that
// something is missing may follow from what could not be. A caller held to yards
// or to a rig is told in two steps, since the command is asked here before the
// handler has seen whether its rig is the caller's to know of.
func (c *Call) alsoWrong(cmd fleet.Command, raw []byte, bad []FieldProblem) []FieldProblem {
	if len(c.Who.Yards) > 0 || c.Who.Role == fleet.RoleRig {
		return nil
	}
	var mistyped *json.UnmarshalTypeError
	if err := json.Unmarshal(raw, cmd); err != nil && !errors.As(err, &mistyped) {
		return nil // it broke off in the middle
	}
	var body any
	if json.Unmarshal(raw, &body) != nil {
		return nil
	}
	var said *fleet.Error
	c.Fleet.View(func(s *fleet.State) {
		_, err := cmd.Decide(fleet.Deciding{State: s, Now: c.Now, By: c.Who.Name})
		errors.As(err, &said)
	})
	if said == nil || said.Code != fleet.Invalid {
		return nil
	}
	var also []FieldProblem
	for _, f := range said.Fields {
		unread := slices.ContainsFunc(bad, func(b FieldProblem) bool {
			return b.Pointer == f.Field || strings.HasPrefix(f.Field, b.Pointer+"/") || strings.HasPrefix(b.Pointer, f.Field+"/")
		})
		if !unread && holds(body, f.Field) && len(bad)+len(also) < BadMost {
			also = append(also, FieldProblem{Pointer: f.Field, Detail: f.Message})
		}
	}
	return also
}

var pointerUnescapes = strings.NewReplacer("~1", "/", "~0", "~")

// holds says whether a JSON pointer leads to a value.
func holds(v any, pointer string) bool {
	if pointer == "" {
		return true
	}
	for _, step := range strings.Split(pointer, "/")[1:] {
		switch at := v.(type) {
		case map[string]any:
			inner, ok := at[pointerUnescapes.Replace(step)]
			if !ok {
				return false
			}
			v = inner
		case []any:
			n, err := strconv.Atoi(step)
			if err != nil || n < 0 || n >= len(at) {
				return false
			}
			v = at[n]
		default:
			return false
		}
	}
	return true
}
