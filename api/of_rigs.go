package api

import (
	"strings"

	"rigledger/fleet"
)

// ofRigs pages what rigs have done: each gives what one rig has.
func ofRigs[T, D any](c *call, name string, sorts []string, of func(s *fleet.State, r *fleet.Rig) []T, at func(t T, order string) place, doc func(s *fleet.State, t T) D) error {
	p := c.pages(name, sorts...)
	var like D
	wanted := c.fields(like, strings.TrimSuffix(name, "s"))
	rigs, yards := c.Query.words("rig"), c.Query.words("yard")
	if err := c.Query.err(); err != nil {
		return err
	}
	docs := []D{}
	var next string
	err := c.view(func(s *fleet.State) error {
		var found []placed[T]
		for code, r := range s.Rigs {
			if !c.sees(r) || !has(rigs, code) || !has(yards, r.Yard) {
				continue
			}
			for _, t := range of(s, r) {
				if at := at(t, p.sort); p.wants(at) {
					found = append(found, placed[T]{at, t})
				}
			}
		}
		found, next = cut(&p, found)
		for _, f := range found {
			docs = append(docs, doc(s, f.of))
		}
		return nil
	})
	if err != nil {
		return err
	}
	thin, err := wanted.of(docs)
	if err != nil {
		return err
	}
	return c.list(name, thin, next, nil)
}
