package call

import (
	"math"

	"rigledger/fleet"
	"rigledger/fleet/plan"
)

// An order that a list can be asked for is a key with the id behind it, so that an
// entry whose key stays keeps its place however much is written meanwhile; one whose
// key changes may come twice or not at all.

// Last is the key of what has none: it comes last.
const Last = math.MaxUint64

// Down turns a number around: the largest comes first.
func Down(n int64) uint64 { return math.MaxInt64 - uint64(max(n, 0)) }

// Day is a date as a key.
func Day(d plan.Date) uint64 {
	if d.IsZero() {
		return Last
	}
	return uint64(int64(1)<<40 + int64(epoch.DaysUntil(d)))
}

var epoch = plan.Date{Year: 1970, Month: 1, Day: 1}

// Pressing is how pressing a line is as a key: overdue first, and within a status
// what has used up most of its interval. Numbers from 0 up are in the order of
// their bits (IEEE 754), of which the two lowest give way to the status.
func Pressing(l *fleet.DueLine) uint64 {
	if l == nil {
		return Last
	}
	used := l.Due.Fraction
	if !(used > 0) { // not a number either
		used = 0
	}
	return uint64(3-l.Due.Status.Rank())<<62 | (math.MaxUint64>>2 - math.Float64bits(used)>>2)
}

// ByRig is the place of something of a rig in an order by rigs.
func ByRig(rig, id string) Place { return Place{ID: rig + "\x00" + id} }
