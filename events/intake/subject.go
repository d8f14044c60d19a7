package intake

import (
	"strings"

	"rigledger/events"
)

// maxRig is the longest rig code in a subject.
const maxRig = 64

// ValidRig says whether code may stand as one token of a subject: 1 to 64 of
// A-Z a-z 0-9 _ -. Anything else could widen a permission ("*") or split into
// two tokens.
func ValidRig(code string) bool {
	if code == "" || len(code) > maxRig {
		return false
	}
	for i := 0; i < len(code); i++ {
		c := code[i]
		if (c < 'a' || c > 'z') && (c < 'A' || c > 'Z') && (c < '0' || c > '9') && c != '_' && c != '-' {
			return false
		}
	}
	return true
}

// parseSubject splits rig.<rig>.<kind>.
func parseSubject(subject string) (rig, kind string, ok bool) {
	rest, ok := strings.CutPrefix(subject, "rig.")
	if !ok {
		return "", "", false
	}
	rig, kind, ok = strings.Cut(rest, ".")
	if !ok || !ValidRig(rig) {
		return "", "", false
	}
	switch kind {
	case events.KindReading, events.KindDefect, events.KindCondition:
		return rig, kind, true
	}
	return rig, kind, false
}

// ackSubject is where rig hears what is durable.
func ackSubject(rig string) string { return "rig." + rig + ".ack" }
