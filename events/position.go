package events

import (
	"cmp"
	"errors"
	"slices"
	"strconv"
	"strings"
)

// Position is a place in the ledger after a fact: "12.3" after fact 3 (from 0)
// of commit 12, "12" after the whole of commit 12, "0" before everything.
type Position struct {
	Commit uint64
	Index  int // MaxFacts: after the whole commit
}

// commitDigits are as many digits as a commit's number has at most: all of them
// are whole numbers in JSON, which holds these up to 2^53.
const commitDigits = 15

// After is the position after the whole of a commit.
func After(commit uint64) Position { return Position{Commit: commit, Index: MaxFacts} }

// ParsePosition reads a position.
func ParsePosition(text string) (Position, error) {
	commit, index, cut := strings.Cut(text, ".")
	n, err := strconv.ParseUint(commit, 10, 64)
	if err != nil || len(commit) > commitDigits {
		return Position{}, errors.New("must be a position like 12.3 or 12")
	}
	if !cut {
		return After(n), nil
	}
	i, err := strconv.ParseUint(index, 10, 16)
	if err != nil || i >= MaxFacts || n == 0 {
		return Position{}, errors.New("must be a position like 12.3 or 12")
	}
	return Position{Commit: n, Index: int(i)}, nil
}

// Whole says whether all of the position's commit lies before it.
func (p Position) Whole() bool { return p.Commit == 0 || p.Index >= MaxFacts }

// Before says whether p comes earlier in the ledger than o.
func (p Position) Before(o Position) bool {
	return cmp.Or(cmp.Compare(p.Commit, o.Commit), cmp.Compare(p.Index, o.Index)) < 0
}

// String writes the position as ParsePosition reads it.
func (p Position) String() string {
	text := strconv.FormatUint(p.Commit, 10)
	if p.Whole() {
		return text
	}
	return text + "." + strconv.Itoa(p.Index)
}

// MarshalText writes the position as ParsePosition reads it.
func (p Position) MarshalText() ([]byte, error) { return []byte(p.String()), nil }

// UnmarshalText reads what MarshalText wrote.
func (p *Position) UnmarshalText(text []byte) (err error) {
	*p, err = ParsePosition(string(text))
	return err
}

// privateKinds begin the kinds that are nobody else's business: who may come in
// and with which secret, and what was asked of the API.
var privateKinds = []string{"token.", "credential.", "request.", "hook.", "calendar."}

// Private says that facts of a kind are never shown outside: not in the feed,
// not to hooks, not on NATS. The export of the whole ledger has them.
func Private(kind string) bool {
	return slices.ContainsFunc(privateKinds, func(p string) bool { return strings.HasPrefix(kind, p) })
}

// PublicKinds lists the kinds that are not private, sorted.
func PublicKinds() []string {
	return slices.Sorted(slices.Values(slices.DeleteFunc(Kinds(), Private)))
}
