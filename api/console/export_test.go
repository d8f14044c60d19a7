package console

import (
	"rigledger/events"
	"rigledger/fleet"
)

// PagePaths gives the address of every page, for tests from outside.
func PagePaths() (paths []string) {
	for _, p := range pages() {
		paths = append(paths, p.path)
	}
	return paths
}

// WordsOfKind and Tell are how pages put facts into words.
var WordsOfKind = wordsOfKind

func Tell(s *fleet.State, f events.Fact) (what, about, proof string) {
	t := tell(s, f)
	return t.What, t.About, t.Proof
}
