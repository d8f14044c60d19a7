package bay

import (
	"strings"

	"rigledger/api/call"
	"rigledger/fleet"
)

// ofRigs pages what rigs have done: each gives what one rig has.
func ofRigs[T, D any](c *call.Call, name string, sorts []string, of func(s *fleet.State, r *fleet.Rig) []T, at func(t T, order string) call.Place, doc func(s *fleet.State, t T) D) error {
	p := c.Pages(name, sorts...)
	var like D
	wanted := c.Fields(like, strings.TrimSuffix(name, "s"))
	rigs, yards := c.Query.Words("rig"), c.Query.Words("yard")
	if err := c.Query.Err(); err != nil {
		return err
	}
	docs := []D{}
	var next string
	err := c.View(func(s *fleet.State) error {
		var found []call.Placed[T]
		for code, r := range s.Rigs {
			if !c.Sees(r) || !call.Wants(rigs, code) || !call.Wants(yards, r.Yard) {
				continue
			}
			for _, t := range of(s, r) {
				if at := at(t, p.Sort); p.Wants(at) {
					found = append(found, call.Placed[T]{At: at, Of: t})
				}
			}
		}
		found, next = call.Cut(&p, found)
		for _, f := range found {
			docs = append(docs, doc(s, f.Of))
		}
		return nil
	})
	if err != nil {
		return err
	}
	thin, err := wanted.Of(docs)
	if err != nil {
		return err
	}
	return c.List(name, thin, next, nil)
}
