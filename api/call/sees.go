package call

import "rigledger/fleet"

// Sees says whether the caller may know of a rig.
func (c *Call) Sees(r *fleet.Rig) bool {
	switch {
	case r == nil:
		return false
	case c.Who.Role == fleet.RoleRig:
		return r.Rig == c.Who.Rig
	}
	return c.Who.MaySee(r.Yard)
}

// Rig finds the rig that the path names, if the caller may know of it.
func (c *Call) Rig(s *fleet.State) (*fleet.Rig, error) {
	code := c.Param("rig")
	r := s.Rigs[code]
	if !c.Sees(r) {
		return nil, NoSuch("rig", code)
	}
	return r, nil
}

// SeesRig refuses a rig that is not there, or not for the caller, before its
// body is looked at.
func (c *Call) SeesRig() error {
	return c.View(func(s *fleet.State) error {
		_, err := c.Rig(s)
		return err
	})
}

// MayRig is the same, asked at the desk.
func (c *Call) MayRig(s *fleet.State) error {
	_, err := c.Rig(s)
	return err
}

// MayNamed holds a token to its yards where the body names the rig: outside
// them there is no such rig.
func (c *Call) MayNamed(rig *string) func(s *fleet.State) error {
	return func(s *fleet.State) error {
		if r := s.Rigs[*rig]; r != nil && !c.Sees(r) {
			return &fleet.Error{Code: fleet.Invalid, Message: "the request does not hold together", Fields: []fleet.FieldError{
				{Field: "/rig", Message: "there is no rig " + Quoted(*rig)},
			}}
		}
		return nil
	}
}

// SeesFile: a token held to yards sees what something of its rigs refers to, and
// what it sent itself.
func (c *Call) SeesFile(s *fleet.State, f *fleet.File) bool {
	if len(c.Who.Yards) == 0 {
		return true
	}
	for _, rig := range f.Rigs {
		if c.Sees(s.Rigs[rig]) {
			return true
		}
	}
	_, _, own := f.KeptBy(c.Who.Name)
	return own
}

// mayRefer refuses what refers to a file that the caller does not see, in the
// words for one that is not there: who could refer to it could read it then.
func (c *Call) mayRefer(refs []fleet.FileRef, may func(s *fleet.State) error) func(s *fleet.State) error {
	return func(s *fleet.State) error {
		if may != nil {
			if err := may(s); err != nil {
				return err
			}
		}
		for _, r := range refs {
			if f := s.Bay.Files[r.File]; f != nil && !c.SeesFile(s, f) {
				return fleet.NoFile(r.Field, r.File)
			}
		}
		return nil
	}
}
