package testbay

import (
	"embed"
	"fmt"
	"maps"
	"slices"
	"sync"
)

//go:embed rules/*.yaml
var ruleFiles embed.FS

// Names of the rule sets that come with the program.
const (
	ISO16122Part2Of2015 = "iso-16122-2-2015"
	FieldRules          = "field-rules"
)

// Limit is one number of a rule set with its unit and its source.
type Limit struct {
	Value  float64 `json:"value"`
	Unit   string  `json:"unit"`
	Source string  `json:"source"`
}

// PointKind says how a point is judged.
type PointKind string

// The two kinds of points.
const (
	Measured PointKind = "measured"
	LookedAt PointKind = "looked_at"
)

// Point is one line of the inspection sheet.
type Point struct {
	ID      string    `json:"id"`
	Heading string    `json:"heading"`
	Name    string    `json:"name"`
	Kind    PointKind `json:"kind"`
	// StopsRig: a failure here means the rig must not spray.
	StopsRig bool `json:"stops_rig"`
	// Optional: a sheet without this point is still complete.
	Optional bool `json:"optional,omitempty"`
	// MayBeAbsent: "not fitted" is an answer, not a failure.
	MayBeAbsent bool `json:"may_be_absent,omitempty"`
	// OneOf names a group of alternatives of which one passing is enough.
	OneOf  string `json:"one_of,omitempty"`
	Source string `json:"source"`
}

// RuleSet is a dated set of limits and points: one edition of one standard, or
// a set of house rules. The zero value judges nothing: checks refuse it.
type RuleSet struct {
	ID         string           `json:"id"`
	Standard   string           `json:"standard"`
	Edition    string           `json:"edition"`
	ValidFrom  Date             `json:"valid_from"`
	ValidUntil *Date            `json:"valid_until,omitempty"` // last day, nil while in force
	Where      string           `json:"where"`
	Note       string           `json:"note,omitempty"`
	Limits     map[string]Limit `json:"limits"`
	Points     []Point          `json:"points"`
}

// On reports whether the rule set is in force on a day.
func (rs RuleSet) On(day Date) bool {
	return !day.Before(rs.ValidFrom) && (rs.ValidUntil == nil || !rs.ValidUntil.Before(day))
}

// Point finds a point by its id.
func (rs RuleSet) Point(id string) (Point, bool) {
	for _, p := range rs.Points {
		if p.ID == id {
			return p, true
		}
	}
	return Point{}, false
}

// SheetHeading is a heading with its points, as a blank form shows them.
type SheetHeading struct {
	Heading
	Points []Point `json:"points"`
}

// Form gives the blank inspection form: every heading in order with its points.
func (rs RuleSet) Form() []SheetHeading {
	form := make([]SheetHeading, 0, len(headings))
	for _, h := range headings {
		sh := SheetHeading{Heading: h}
		for _, p := range rs.Points {
			if p.Heading == h.ID {
				sh.Points = append(sh.Points, p)
			}
		}
		form = append(form, sh)
	}
	return form
}

// limit looks a limit up. A rule set that does not hold it (the zero value, or
// one put together by hand) is refused instead of judging against zero.
func (rs RuleSet) limit(name string) (Limit, error) {
	l, ok := rs.Limits[name]
	if !ok {
		return Limit{}, refuse("ruleset", "%q has no limit %s", rs.ID, name)
	}
	return l, nil
}

// values looks several limits up at once, in order.
func (rs RuleSet) values(names ...string) ([]Limit, error) {
	out := make([]Limit, len(names))
	for i, name := range names {
		l, err := rs.limit(name)
		if err != nil {
			return nil, err
		}
		out[i] = l
	}
	return out, nil
}

func (rs RuleSet) clone() RuleSet {
	rs.Limits = maps.Clone(rs.Limits)
	rs.Points = slices.Clone(rs.Points)
	return rs
}

// builtIn parses the rule sets that come with the program, once. They are part
// of the program: a fault in them is a fault of the build, and tests parse them.
var builtIn = sync.OnceValues(func() ([]RuleSet, error) {
	var sets []RuleSet
	for _, name := range []string{"iso-16122-2-2015.yaml", "field-rules.yaml"} {
		data, err := ruleFiles.ReadFile("rules/" + name)
		if err != nil {
			return nil, fmt.Errorf("reading built-in rule set: %w", err)
		}
		rs, err := ParseRuleSet(data, sets...)
		if err != nil {
			return nil, fmt.Errorf("built-in rule set %s: %w", name, err)
		}
		sets = append(sets, rs)
	}
	return sets, nil
})

// RuleSets returns the rule sets that come with the program: ISO 16122-2:2015
// first, then the field rules. The caller owns the copies and may change them.
func RuleSets() []RuleSet {
	sets, err := builtIn()
	if err != nil {
		panic(err) // the embedded files are wrong: no test of this package passes then
	}
	out := make([]RuleSet, len(sets))
	for i, rs := range sets {
		out[i] = rs.clone()
	}
	return out
}

// RuleSetByID returns a built-in rule set.
func RuleSetByID(id string) (RuleSet, bool) {
	for _, rs := range RuleSets() {
		if rs.ID == id {
			return rs, true
		}
	}
	return RuleSet{}, false
}
