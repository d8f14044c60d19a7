package exchange

import (
	"maps"
	"slices"
)

// How many sets of task data are received at a time, in all and of one token.
const (
	ReceivingMost = receivingMost
	ReceivingEach = receivingEach
)

// SheetNames lists the sheets there are.
func SheetNames() []string { return slices.Sorted(maps.Keys(sheets)) }
