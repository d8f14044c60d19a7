package fuzz_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"regexp"
	"strings"
	"time"

	"pgregory.net/rapid"
)

// maker makes values that a schema allows, out of what the service has shown so
// far where a field has a name that it knows.
type maker struct {
	*rand.Rand
	contract *contract
	now      func() time.Time
	seen     map[string][]any // field → values of answers
	strings  map[string]*rapid.Generator[string]
	depth    int
}

// learn keeps ids and the like out of an answer.
func (m *maker) learn(doc any) {
	switch doc := doc.(type) {
	case map[string]any:
		for _, k := range sortedKeys(doc) {
			switch k {
			case "rig", "part", "position", "meter", "item", "task", "defect", "quarantine", "booking", "token", "hook", "calendar", "inspection", "calibration",
				"certificate", "file", "plan", "class", "yard", "ruleset", "edition", "place", "kind", "next", "address", "sku", "code":
				if s, ok := doc[k].(string); ok && s != "" {
					m.keep(k, s)
				}
			}
			m.learn(doc[k])
		}
	case []any:
		for _, v := range doc {
			m.learn(v)
		}
	}
}

// keepMost bounds what is kept of each field.
const keepMost = 60

func (m *maker) keep(field string, v any) {
	for _, known := range m.seen[field] {
		if known == v {
			return
		}
	}
	if list := m.seen[field]; len(list) < keepMost {
		m.seen[field] = append(list, v)
	} else {
		list[m.IntN(len(list))] = v
	}
}

func (m *maker) known(field string) (any, bool) {
	if field == "retest_of" {
		field = "inspection"
	}
	list := m.seen[field]
	if len(list) == 0 {
		return nil, false
	}
	return list[m.IntN(len(list))], true
}

func (m *maker) chance(percent int) bool { return m.IntN(100) < percent }

func (m *maker) one(list []any) any { return list[m.IntN(len(list))] }

// value makes what the schema of a field allows.
func (m *maker) value(field string, s map[string]any) any {
	m.depth++
	defer func() { m.depth-- }()
	s = m.contract.schema(s)
	if c, ok := s["const"]; ok {
		return c
	}
	if e, ok := s["enum"].([]any); ok {
		return m.one(e)
	}
	if some, ok := s["oneOf"].([]any); ok {
		return m.value(field, m.contract.schema(m.one(some)))
	}
	if all, ok := s["allOf"].([]any); ok {
		merged := map[string]any{}
		for _, part := range all {
			if o, ok := m.value(field, m.contract.schema(part)).(map[string]any); ok {
				for k, v := range o {
					merged[k] = v
				}
			}
		}
		return merged
	}
	kind, _ := s["type"].(string)
	if list, ok := s["type"].([]any); ok {
		kind = m.one(list).(string)
	}
	switch kind {
	case "null":
		return nil
	case "boolean":
		return m.chance(60)
	case "integer":
		return int64(m.number(s, true))
	case "number":
		return m.number(s, false)
	case "array":
		return m.array(field, s)
	case "string":
		return m.text(field, s)
	}
	return m.object(s)
}

func (m *maker) object(s map[string]any) any {
	out := map[string]any{}
	properties, _ := s["properties"].(map[string]any)
	must := map[string]bool{}
	required, _ := s["required"].([]any)
	for _, r := range required {
		must[r.(string)] = true
	}
	often := 15 + m.IntN(70)
	for _, name := range sortedKeys(properties) {
		if must[name] || m.depth < 12 && m.chance(often) {
			out[name] = m.value(name, m.contract.schema(properties[name]))
		}
	}
	if free, ok := s["additionalProperties"].(map[string]any); ok {
		for range 1 + m.IntN(2) {
			name := "pump"
			if v, ok := m.known("meter"); ok {
				name = v.(string)
			}
			out[name] = m.value(name, m.contract.schema(free))
		}
	}
	return out
}

func (m *maker) array(field string, s map[string]any) any {
	least, most := bound(s, "minItems", 0), bound(s, "maxItems", 6)
	n := int(least) + m.IntN(int(math.Min(most, least+5)-least)+1)
	items := m.contract.schema(s["items"])
	out := make([]any, 0, n)
	for range n {
		out = append(out, m.value(strings.TrimSuffix(field, "s"), items))
	}
	return out
}

func bound(s map[string]any, name string, otherwise float64) float64 {
	switch v := s[name].(type) {
	case int:
		return float64(v)
	case float64:
		return v
	}
	return otherwise
}

// number keeps to the bounds; most are of the size that fields of the trade have.
func (m *maker) number(s map[string]any, whole bool) float64 {
	_, over := s["exclusiveMinimum"]
	low, high := bound(s, "minimum", bound(s, "exclusiveMinimum", 0)), bound(s, "maximum", 300)
	if high < low {
		high = low + 300
	}
	v := low + m.Float64()*(high-low)
	switch m.IntN(12) {
	case 0:
		v = low
	case 1:
		v = high
	case 2:
		if m.chance(30) && s["maximum"] == nil {
			v = math.Pow(10, float64(m.IntN(15)))
		}
	case 3, 4, 5, 6:
		if v > 20 && low < 10 {
			v = math.Max(low, 1) + m.Float64()*9
		}
	}
	if whole {
		v = math.Floor(v)
	} else {
		v = math.Round(v*100) / 100
	}
	if over && v <= low {
		v = low + 1
	}
	return v
}

func (m *maker) text(field string, s map[string]any) string {
	switch s["format"] {
	case "date":
		return m.day().Format("2006-01-02")
	case "date-time":
		return m.moment().Format("2006-01-02T15:04:05.000Z07:00")
	}
	// Without a pattern, or with that of a code: what the service has.
	pattern, _ := s["pattern"].(string)
	if m.chance(80) {
		if v, ok := m.known(field); ok {
			if text := fmt.Sprint(v); pattern == "" || regexp.MustCompile(pattern).MatchString(text) {
				return text
			}
		}
	}
	switch field {
	case "from", "to", "at", "since":
		if m.chance(50) {
			return m.day().Format("2006-01-02")
		}
		return m.moment().Format(time.RFC3339)
	}
	if pattern != "" {
		g := m.strings[pattern]
		if g == nil {
			g = rapid.StringMatching(strings.ReplaceAll(pattern, "{1,64}", "{1,12}"))
			m.strings[pattern] = g
		}
		return g.Example(m.IntN(1 << 20))
	}
	least, most := int(bound(s, "minLength", 0)), int(bound(s, "maxLength", 40))
	text := phrases[m.IntN(len(phrases))]
	if m.chance(4) {
		text = strings.Repeat("ä", most)
	}
	r := []rune(text)
	for len(r) < least {
		r = append(r, 'x')
	}
	return string(r[:min(len(r), most)])
}

// phrases are texts that people, programs and their mistakes write.
var phrases = []string{
	"A. Example", "hose rubs on the frame", "Sieb unbeschädigt, „sauber“", "x", "2", "03", "UK", "Größe 42", "שלום", "🚜🚜", "a\tb", "line\nbreak", "<b>bold</b>", "'; --",
	"%00", "../../etc", "Clearwater 20", "EUR", "12.50", "blue", "master gauge", "=1+1", "", " ", "e\u0301", "\u202eright to left",
}

// moment is mostly of the last weeks, now and then far off.
func (m *maker) moment() time.Time {
	switch m.IntN(20) {
	case 0:
		return m.now().AddDate(m.IntN(4)-2, 0, m.IntN(60)-30)
	case 1:
		return m.now().Add(time.Duration(m.IntN(3600)) * time.Second)
	}
	return m.now().Add(-time.Duration(m.IntN(14*24*3600)) * time.Second)
}

func (m *maker) day() time.Time { return m.now().AddDate(0, 0, m.IntN(120)-60) }

// fresh changes an example of the document: its ids become some that are there,
// its times recent, and now and then a field changes or comes.
func (m *maker) fresh(field string, v any, s map[string]any) any {
	s = m.contract.schema(s)
	switch v := v.(type) {
	case map[string]any:
		out := map[string]any{}
		properties, _ := s["properties"].(map[string]any)
		for _, k := range sortedKeys(v) {
			of := m.contract.schema(properties[k])
			if of != nil && m.chance(8) {
				out[k] = m.value(k, of)
			} else {
				out[k] = m.fresh(k, v[k], of)
			}
		}
		for _, k := range sortedKeys(properties) {
			if _, there := out[k]; !there && m.chance(6) {
				out[k] = m.value(k, m.contract.schema(properties[k]))
			}
		}
		return out
	case []any:
		out := make([]any, 0, len(v))
		for _, e := range v {
			out = append(out, m.fresh(strings.TrimSuffix(field, "s"), e, m.contract.schema(s["items"])))
		}
		return out
	case string:
		switch {
		case field == "time" || field == "at" && len(v) > 10:
			return m.moment().Format("2006-01-02T15:04:05.000Z07:00")
		case field == "from":
			return m.now().AddDate(0, 0, 10+m.IntN(20)).Format("2006-01-02")
		case field == "to":
			return m.now().AddDate(0, 0, 31+m.IntN(20)).Format("2006-01-02")
		case field == "id" || field == "number":
			return fmt.Sprintf("%d:%d", 1+m.IntN(3), m.IntN(1<<20))
		}
		if _, fixed := s["enum"]; !fixed {
			if known, ok := m.known(field); ok && m.chance(70) {
				return fmt.Sprint(known)
			}
		}
		return v
	}
	return v
}
