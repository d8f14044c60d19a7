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
