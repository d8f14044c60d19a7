package testbay

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"maps"
	"math"
	"regexp"
	"slices"
	"strings"

	"go.yaml.in/yaml/v3"
)

// ParseError says where a rule file is wrong.
type ParseError struct {
	Line   int    // 0 when the whole file is meant
	Field  string // path inside the file
	Reason string
}

func (e *ParseError) Error() string {
	if e.Line > 0 {
		return fmt.Sprintf("line %d: %s: %s", e.Line, e.Field, e.Reason)
	}
	return e.Field + ": " + e.Reason
}

const mostRuleBytes = 256 << 10

var identifier = regexp.MustCompile(`^[a-z][a-z0-9]*([_-][a-z0-9]+)*$`)

type ruleSetFile struct {
	ID         string               `yaml:"id"`
	Extends    string               `yaml:"extends"`
	Standard   string               `yaml:"standard"`
	Edition    string               `yaml:"edition"`
	ValidFrom  string               `yaml:"valid_from"`
	ValidUntil string               `yaml:"valid_until"`
	Where      string               `yaml:"where"`
	Note       string               `yaml:"note"`
	Limits     map[string]yaml.Node `yaml:"limits"`
	Points     []yaml.Node          `yaml:"points"`
}

// ParseRuleSet reads one rule set from YAML. A file either stands alone and
// gives every limit and every measured point, or says "extends: <id>" of one of
// the bases and gives only what differs. Errors are *[ParseError] and name line
// and field.
func ParseRuleSet(data []byte, bases ...RuleSet) (RuleSet, error) {
	var file ruleSetFile
	if err := decodeRules(data, &file); err != nil {
		return RuleSet{}, err
	}
	rs := RuleSet{ID: file.ID, Standard: file.Standard, Edition: file.Edition, Where: file.Where, Note: strings.TrimSpace(file.Note), Limits: map[string]Limit{}}
	if file.Extends != "" {
		i := slices.IndexFunc(bases, func(b RuleSet) bool { return b.ID == file.Extends })
		if i < 0 {
			return RuleSet{}, &ParseError{Field: "extends", Reason: fmt.Sprintf("no rule set %q is known here", file.Extends)}
		}
		rs.Limits = maps.Clone(bases[i].Limits)
		rs.Points = slices.Clone(bases[i].Points)
	}
	if err := rs.header(file); err != nil {
		return RuleSet{}, err
	}
	for _, name := range slices.Sorted(maps.Keys(file.Limits)) {
		node := file.Limits[name]
		l, err := parseLimit(name, &node)
		if err != nil {
			return RuleSet{}, err
		}
		rs.Limits[name] = l
	}
	for i := range file.Points {
		p, err := parsePoint(fmt.Sprintf("points[%d]", i), &file.Points[i])
		if err != nil {
			return RuleSet{}, err
		}
		at := slices.IndexFunc(rs.Points, func(q Point) bool { return q.ID == p.ID })
		switch {
		case at < 0:
			rs.Points = append(rs.Points, p)
		case file.Extends != "" && !slices.ContainsFunc(file.Points[:i], func(n yaml.Node) bool { return nodeID(&n) == p.ID }):
			rs.Points[at] = p
		default:
			return RuleSet{}, &ParseError{file.Points[i].Line, fmt.Sprintf("points[%d].id", i), fmt.Sprintf("%q is there twice", p.ID)}
		}
	}
	return rs, rs.complete()
}

// decodeRules reads exactly one YAML document with known fields only.
func decodeRules(data []byte, into any) error {
	if len(data) > mostRuleBytes {
		return &ParseError{Field: "file", Reason: fmt.Sprintf("is larger than %d bytes", mostRuleBytes)}
	}
	dec := yaml.NewDecoder(bytes.NewReader(data))
	dec.KnownFields(true)
	if err := dec.Decode(into); err != nil {
		if errors.Is(err, io.EOF) {
			return &ParseError{Field: "file", Reason: "is empty"}
		}
		return &ParseError{Field: "file", Reason: strings.ReplaceAll(err.Error(), "\n", " ")}
	}
	var more yaml.Node
	if err := dec.Decode(&more); !errors.Is(err, io.EOF) {
		return &ParseError{Field: "file", Reason: "holds more than one document"}
	}
	return nil
}

func (rs *RuleSet) header(file ruleSetFile) error {
	if !identifier.MatchString(file.ID) {
		return &ParseError{Field: "id", Reason: fmt.Sprintf("%q is not a lower-case identifier", file.ID)}
	}
	for _, f := range []struct{ name, value string }{{"standard", file.Standard}, {"edition", file.Edition}, {"where", file.Where}} {
		if strings.TrimSpace(f.value) == "" {
			return &ParseError{Field: f.name, Reason: "is missing"}
		}
	}
	from, err := ParseDate(file.ValidFrom)
	if err != nil {
		return &ParseError{Field: "valid_from", Reason: err.Error()}
	}
	rs.ValidFrom = from
	if file.ValidUntil != "" {
		until, err := ParseDate(file.ValidUntil)
		if err != nil {
			return &ParseError{Field: "valid_until", Reason: err.Error()}
		}
		if until.Before(from) {
			return &ParseError{Field: "valid_until", Reason: "is before valid_from"}
		}
		rs.ValidUntil = &until
	}
	return nil
}

func parseLimit(name string, node *yaml.Node) (Limit, error) {
	field := "limits." + name
	unit, ok := limitUnits[name]
	if !ok {
		return Limit{}, &ParseError{node.Line, field, "is not a limit this program knows"}
	}
	var l struct {
		Value  *float64 `yaml:"value"`
		Unit   string   `yaml:"unit"`
		Source string   `yaml:"source"`
	}
	if err := decodeNode(field, node, &l, "value", "unit", "source"); err != nil {
		return Limit{}, err
	}
	switch {
	case l.Value == nil:
		return Limit{}, &ParseError{node.Line, field + ".value", "is missing"}
	case math.IsNaN(*l.Value) || math.IsInf(*l.Value, 0) || *l.Value <= 0 || *l.Value > mostLimit:
		return Limit{}, &ParseError{node.Line, field + ".value", fmt.Sprintf("%v is not above 0 and at most %d", *l.Value, mostLimit)}
	case l.Unit != unit:
		return Limit{}, &ParseError{node.Line, field + ".unit", fmt.Sprintf("is %q, must be %q", l.Unit, unit)}
	case strings.TrimSpace(l.Source) == "":
		return Limit{}, &ParseError{node.Line, field + ".source", "is missing: give the source, or \"common practice\", or \"from memory\""}
	}
	return Limit{Value: *l.Value, Unit: unit, Source: l.Source}, nil
}

func parsePoint(field string, node *yaml.Node) (Point, error) {
	var p struct {
		ID          string `yaml:"id"`
		Heading     string `yaml:"heading"`
		Name        string `yaml:"name"`
		Kind        string `yaml:"kind"`
		StopsRig    *bool  `yaml:"stops_rig"`
		Optional    bool   `yaml:"optional"`
		MayBeAbsent bool   `yaml:"may_be_absent"`
		OneOf       string `yaml:"one_of"`
		Source      string `yaml:"source"`
	}
	if err := decodeNode(field, node, &p, "id", "heading", "name", "kind", "stops_rig", "optional", "may_be_absent", "one_of", "source"); err != nil {
		return Point{}, err
	}
	wrong := func(name, format string, args ...any) (Point, error) {
		return Point{}, &ParseError{node.Line, field + "." + name, fmt.Sprintf(format, args...)}
	}
	switch {
	case !identifier.MatchString(p.ID):
		return wrong("id", "%q is not a lower-case identifier", p.ID)
	case !slices.ContainsFunc(headings, func(h Heading) bool { return h.ID == p.Heading }):
		return wrong("heading", "%q is not a heading of the inspection form", p.Heading)
	case strings.TrimSpace(p.Name) == "":
		return wrong("name", "is missing")
	case p.Kind != string(Measured) && p.Kind != string(LookedAt):
		return wrong("kind", "%q is neither %q nor %q", p.Kind, Measured, LookedAt)
	case (p.Kind == string(Measured)) != slices.Contains(measuredPoints, p.ID):
		return wrong("kind", "%q does not fit the point %q: measured points are %s", p.Kind, p.ID, strings.Join(measuredPoints, ", "))
	case p.StopsRig == nil:
		return wrong("stops_rig", "is missing: say true or false")
	case p.OneOf != "" && !identifier.MatchString(p.OneOf):
		return wrong("one_of", "%q is not a lower-case identifier", p.OneOf)
	case strings.TrimSpace(p.Source) == "":
		return wrong("source", "is missing")
	}
	return Point{ID: p.ID, Heading: p.Heading, Name: p.Name, Kind: PointKind(p.Kind), StopsRig: *p.StopsRig,
		Optional: p.Optional, MayBeAbsent: p.MayBeAbsent, OneOf: p.OneOf, Source: p.Source}, nil
}

// decodeNode decodes a mapping and refuses keys it does not know; the strict
// mode of the decoder does not reach into single nodes.
func decodeNode(field string, node *yaml.Node, into any, keys ...string) error {
	mapping := node
	for mapping.Kind == yaml.AliasNode && mapping.Alias != nil {
		mapping = mapping.Alias
	}
	if mapping.Kind != yaml.MappingNode {
		return &ParseError{node.Line, field, "is not a list of named values"}
	}
	for i := 0; i < len(mapping.Content); i += 2 {
		if key := mapping.Content[i].Value; !slices.Contains(keys, key) {
			return &ParseError{mapping.Content[i].Line, field, fmt.Sprintf("has an unknown field %q", key)}
		}
	}
	if err := node.Decode(into); err != nil {
		return &ParseError{node.Line, field, strings.ReplaceAll(err.Error(), "\n", " ")}
	}
	return nil
}

func nodeID(node *yaml.Node) string {
	var p struct {
		ID string `yaml:"id"`
	}
	if node.Decode(&p) != nil {
		return ""
	}
	return p.ID
}

// complete checks that nothing a check needs is missing.
func (rs *RuleSet) complete() error {
	for _, name := range slices.Sorted(maps.Keys(limitUnits)) {
		if _, ok := rs.Limits[name]; !ok {
			return &ParseError{Field: "limits." + name, Reason: "is missing"}
		}
	}
	for _, id := range measuredPoints {
		if _, ok := rs.Point(id); !ok {
			return &ParseError{Field: "points", Reason: fmt.Sprintf("the measured point %q is missing", id)}
		}
	}
	for _, pair := range [][2]string{{LimitAirChamberLow, LimitAirChamberHigh}, {LimitGaugeLowBelow, LimitGaugeMidUpTo}} {
		if rs.Limits[pair[0]].Value >= rs.Limits[pair[1]].Value {
			return &ParseError{Field: "limits." + pair[0], Reason: "must be below " + pair[1]}
		}
	}
	if n := rs.Limits[LimitReplaceSetAt].Value; n != math.Trunc(n) {
		return &ParseError{Field: "limits." + LimitReplaceSetAt, Reason: "must be a whole number of nozzles"}
	}
	return nil
}
