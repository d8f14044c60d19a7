package console

import (
	"net/url"
	"regexp"
	"slices"
	"strconv"

	"rigledger/fleet"
)

// grounded is which rigs of a yard were not to be used before its law changed, so
// that whoever changes it hears which rigs that stops, and can go back.
type grounded struct {
	yard string
	rigs []string
	back url.Values // the fields that place the yard as it was
}

// yardLaw is the request that says which law holds in a yard.
var yardLaw = regexp.MustCompile(`^/v1/yards/([^/]+)/place$`)

// groundedMost is how many rigs are named; a cookie carries them to the next page.
const groundedMost = 20

func (v *visit) groundedBefore(path string) *grounded {
	m := yardLaw.FindStringSubmatch(path)
	if m == nil {
		return nil
	}
	yard, err := url.PathUnescape(m[1])
	if err != nil {
		return nil
	}
	g := &grounded{yard: yard, rigs: v.stoppedIn(yard), back: url.Values{"b:/contractor": {"true"}}}
	v.fleet.View(func(s *fleet.State) {
		list := s.Bay.Yards[yard]
		if len(list) == 0 {
			return
		}
		was := list[len(list)-1]
		g.back.Set("b:/contractor", strconv.FormatBool(was.Contractor))
		if was.Place != "" {
			g.back.Set("s:/place", was.Place)
		}
		for i, scheme := range was.Schemes {
			g.back.Set("s:/schemes/"+strconv.Itoa(i), scheme)
		}
	})
	return g
}

// tell adds what the new law did to what is said after it, and the way back.
func (g *grounded) tell(v *visit, s *said) {
	if g == nil {
		return
	}
	for _, rig := range v.stoppedIn(g.yard) {
		switch {
		case slices.Contains(g.rigs, rig):
		case len(s.Stops) < groundedMost:
			s.Stops = append(s.Stops, rig)
		default:
			s.More++
		}
	}
	if s.Form == "undo" { // taking back is not taken back
		return
	}
	s.Undo, s.Why, s.With = "/v1/yards/"+url.PathEscape(g.yard)+"/place", "", g.back.Encode()
}

// stoppedIn lists the rigs of a yard that must not be used now, in order.
func (v *visit) stoppedIn(yard string) (codes []string) {
	v.fleet.View(func(s *fleet.State) {
		_, rigs := v.rigsAt(s, yard)
		for _, code := range rigs {
			if v.fleet.FitnessOf(s, s.Rigs[code], v.now).State == fleet.DoNotUse {
				codes = append(codes, code)
			}
		}
	})
	return codes
}
