package testbay

import "math"

// Sense says on which side of the limit a reading passes.
type Sense string

// The two senses of a limit.
const (
	AtMost  Sense = "at most"
	AtLeast Sense = "at least"
)

// Verdict is one reading held against one limit.
type Verdict struct {
	Point    string  `json:"point"`
	What     string  `json:"what"`               // what was compared, in words
	Position int     `json:"position,omitempty"` // nozzle, section, gutter …, counted from 1
	Measured float64 `json:"measured"`           // in Unit, unrounded
	Sense    Sense   `json:"sense"`
	Limit    float64 `json:"limit"`
	Unit     string  `json:"unit"`
	Margin   float64 `json:"margin"` // room left in Unit; negative when failed
	Pass     bool    `json:"pass"`
	StopsRig bool    `json:"stops_rig"` // failed, and the rule set says that stops the rig
	Source   string  `json:"source"`    // of the limit
}

// Passed reports whether every verdict passed. No verdict is no pass.
func Passed(vs []Verdict) bool {
	for _, v := range vs {
		if !v.Pass {
			return false
		}
	}
	return len(vs) > 0
}

// Worst is the verdict with the least margin, relative to its limit.
func Worst(vs []Verdict) (Verdict, bool) {
	if len(vs) == 0 {
		return Verdict{}, false
	}
	worst := vs[0]
	for _, v := range vs[1:] {
		if v.Margin/v.Limit < worst.Margin/worst.Limit {
			worst = v
		}
	}
	return worst, true
}

// bench makes the verdicts of one point under one rule set.
type bench struct {
	point Point
	vs    []Verdict
}

func newBench(rs RuleSet, id string) (*bench, error) {
	p, ok := rs.Point(id)
	if !ok {
		return nil, refuse("ruleset", "%q has no point %s", rs.ID, id)
	}
	return &bench{point: p}, nil
}

// most adds a verdict |x| ≤ limit; the sign of x is kept in Measured.
func (b *bench) most(what string, position int, x float64, l Limit) {
	b.add(what, position, x, AtMost, l, l.Value-math.Abs(x), atMost(math.Abs(x), l.Value))
}

// least adds a verdict x ≥ limit.
func (b *bench) least(what string, position int, x float64, l Limit) {
	b.add(what, position, x, AtLeast, l, x-l.Value, atLeast(x, l.Value))
}

func (b *bench) add(what string, position int, x float64, sense Sense, l Limit, margin float64, pass bool) {
	b.vs = append(b.vs, Verdict{Point: b.point.ID, What: what, Position: position, Measured: x, Sense: sense,
		Limit: l.Value, Unit: l.Unit, Margin: margin, Pass: pass, StopsRig: !pass && b.point.StopsRig, Source: l.Source})
}

// setUp fetches the bench and the limits a check needs.
func setUp(rs RuleSet, point string, limits ...string) (*bench, []Limit, error) {
	b, err := newBench(rs, point)
	if err != nil {
		return nil, nil, err
	}
	ls, err := rs.values(limits...)
	if err != nil {
		return nil, nil, err
	}
	return b, ls, nil
}
