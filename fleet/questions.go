package fleet

// OpenHeld is how many readings and messages that name a rig wait in
// quarantine. To be called within View.
func (s *State) OpenHeld(rig string) int { return len(s.heldByRig[rig]) }

// AllOpenHeld is how many wait in the whole fleet. To be called within View.
func (s *State) AllOpenHeld() int {
	n := 0
	for _, m := range s.heldByRig {
		n += len(m)
	}
	return n
}
