package feed

import (
	"net/url"
	"slices"

	"rigledger/events"
	"rigledger/fleet"
)

// sight is how much of a fact a reader gets.
type sight int

const (
	hidden sight = iota
	left         // that a rig has left the yards that are followed: its code alone
	shown
)

// forAll are the kinds of fact about no rig whose resources every reader may
// have, whatever yards he is held to, and which change what he reads of his rigs.
var forAll = []string{"plan.published", "class.published", "ruleset.published", "intervals.published"}

// sees says how much of a fact the reader gets. A rig counts to the yard that it
// is in now, so that a reader who comes late gets all of it; that it went away is
// told to those who followed it where it was, since nothing else tells them.
func (f *Filter) sees(s *fleet.State, e *events.Entry) sight {
	kind, subject := e.Fact.Kind(), e.Fact.Subject()
	switch {
	case events.Private(kind), !listed(f.Kinds, kind), !listed(f.Rigs, subject):
		return hidden
	case f.Quiet && len(f.Kinds) == 0 && kind == "meter.read":
		return hidden
	case len(f.Yards) == 0 && len(f.Held) == 0:
		return shown
	}
	if subject == "" {
		placed, ok := e.Fact.(*events.YardPlaced)
		if ok && f.follows(placed.Yard) || slices.Contains(forAll, kind) {
			return shown
		}
		return hidden
	}
	rig := s.Rigs[subject]
	switch amended, _ := e.Fact.(*events.RigAmended); {
	case rig == nil:
		return hidden
	case f.follows(rig.Yard):
		return shown
	case amended == nil || amended.Yard == nil || !f.follows(rig.YardBefore(e.At, *amended.Yard)):
		return hidden
	case listed(f.Held, rig.Yard): // he may see it where it is, and follows the other yard alone
		return shown
	}
	return left
}

// follows says whether the reader gets what is in a yard.
func (f *Filter) follows(yard string) bool {
	return yard != "" && listed(f.Yards, yard) && listed(f.Held, yard)
}

// listed: an empty list names everything.
func listed(list []string, word string) bool { return len(list) == 0 || slices.Contains(list, word) }

// leaving are the addresses at which a reader finds no more of a rig that left.
func leaving(rig *fleet.Rig) []string {
	c := changes{}
	for _, list := range ofRig {
		c.ofRig(list, rig)
	}
	paths := []string{"/v1/rigs/" + url.PathEscape(rig.Rig)}
	for _, a := range c.found {
		paths = append(paths, a.Path)
	}
	return paths
}
