package fleet

import (
	"sort"
	"time"

	"rigledger/fleet/plan"
)

// SilentAfter is how long a rig may say nothing in its season before somebody
// should ask why (trade.md section 8: 14 days, common practice).
const SilentAfter = 14 * 24 * time.Hour

// SilentRigs names the rigs that nothing was heard of for SilentAfter, although
// it is their season.
func (f *Fleet) SilentRigs() []string {
	now := f.now()
	var silent []string
	f.View(func(s *State) {
		for code, rig := range s.Rigs {
			if s.Silent(rig, now) {
				silent = append(silent, code)
			}
		}
	})
	sort.Strings(silent)
	return silent
}

// Silent says whether a rig should be heard of and is not.
func (s *State) Silent(rig *Rig, now time.Time) bool {
	if rig.Retired {
		return false
	}
	heard := rig.LastHeard
	if heard.IsZero() {
		heard = rig.Registered
	}
	if now.Sub(heard) < SilentAfter {
		return false
	}
	class := s.Class(rig.Class)
	return class != nil && class.Season.Contains(plan.Of(now, s.zone))
}
