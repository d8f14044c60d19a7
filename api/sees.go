package api

import "rigledger/fleet"

// sees says whether the caller may know of a rig.
func (c *call) sees(r *fleet.Rig) bool {
	switch {
	case r == nil:
		return false
	case c.Who.Role == fleet.RoleRig:
		return r.Rig == c.Who.Rig
	}
	return c.Who.MaySee(r.Yard)
}

// rig finds the rig that the path names, if the caller may know of it.
func (c *call) rig(s *fleet.State) (*fleet.Rig, error) {
	code := c.Param("rig")
	r := s.Rigs[code]
	if !c.sees(r) {
		return nil, notFound("rig", code)
	}
	return r, nil
}

// seesRig refuses a rig that is not there, or not for the caller, before its
// body is looked at.
func (c *call) seesRig() error {
	return c.view(func(s *fleet.State) error {
		_, err := c.rig(s)
		return err
	})
}

// mayRig is the same, asked at the desk.
func (c *call) mayRig(s *fleet.State) error {
	_, err := c.rig(s)
	return err
}

// mayNamed holds a token to its yards where the body names the rig: outside
// them there is no such rig.
func (c *call) mayNamed(rig *string) func(s *fleet.State) error {
	return func(s *fleet.State) error {
		if r := s.Rigs[*rig]; r != nil && !c.sees(r) {
			return &fleet.Error{Code: fleet.Invalid, Message: "the request does not hold together", Fields: []fleet.FieldError{
				{Field: "/rig", Message: "there is no rig " + quoted(*rig)},
			}}
		}
		return nil
	}
}
