package exchange

import (
	"maps"
	"slices"
)

// UnpackingMost is how many sets of task data are unpacked at a time.
const UnpackingMost = unpackingMost

// SheetNames lists the sheets there are.
func SheetNames() []string { return slices.Sorted(maps.Keys(sheets)) }
