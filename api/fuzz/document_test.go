package fuzz_test

import (
	"fmt"
	"sort"
	"strings"
	"testing"

	"rigledger/api/document"

	"go.yaml.in/yaml/v3"
)

// contract is the OpenAPI document as the fuzz reads it: nothing else tells it
// what there is to send.
type contract struct {
	root map[string]any
	ops  []*operation
}

// operation is a method at a path.
type operation struct {
	id, method, path string
	open             bool     // it takes no token
	roles            []string // that may use it
	params           []parameter
	bodies           []mediaBody
	answers          map[string]map[string]any // by status
	needsBody        bool

	sent, good int
	statuses   map[int]int
}

type parameter struct {
	name, in string
	required bool
	schema   map[string]any
	joined   bool // a list in one value, separated by commas
}

type mediaBody struct {
	kind    string
	schema  map[string]any
	example any
}

func readContract(t testing.TB) *contract {
	t.Helper()
	d := &contract{}
	if err := yaml.Unmarshal(document.OpenAPI, &d.root); err != nil {
		t.Fatal(err)
	}
	for path, item := range d.root["paths"].(map[string]any) {
		item := item.(map[string]any)
		for method, o := range item {
			if method == "parameters" {
				continue
			}
			d.ops = append(d.ops, d.operation(strings.ToUpper(method), path, item["parameters"], o.(map[string]any)))
		}
	}
	sort.Slice(d.ops, func(i, j int) bool {
		return d.ops[i].path+d.ops[i].method < d.ops[j].path+d.ops[j].method
	})
	return d
}

func (d *contract) operation(method, path string, ofPath any, o map[string]any) *operation {
	op := &operation{method: method, path: path, answers: map[string]map[string]any{}, statuses: map[int]int{}}
	op.id, _ = o["operationId"].(string)
	for _, list := range []any{ofPath, o["parameters"]} {
		list, _ := list.([]any)
		for _, p := range list {
			op.params = append(op.params, d.parameter(p))
		}
	}
	if security, given := o["security"].([]any); given && len(security) == 0 {
		op.open = true
	}
	roles, _ := o["x-roles"].([]any)
	for _, r := range roles {
		op.roles = append(op.roles, r.(string))
	}
	if body, ok := o["requestBody"].(map[string]any); ok {
		op.needsBody, _ = body["required"].(bool)
		content := body["content"].(map[string]any)
		for _, kind := range sortedKeys(content) {
			c := content[kind].(map[string]any)
			op.bodies = append(op.bodies, mediaBody{kind: kind, schema: d.schema(c["schema"]), example: c["example"]})
		}
	}
	for status, a := range o["responses"].(map[string]any) {
		op.answers[status] = d.schema(a)
	}
	return op
}

func (d *contract) parameter(p any) parameter {
	m := d.schema(p)
	out := parameter{name: m["name"].(string), in: m["in"].(string), schema: d.schema(m["schema"])}
	out.required, _ = m["required"].(bool)
	if explode, given := m["explode"].(bool); given && !explode {
		out.joined = true
	}
	return out
}

// schema follows a reference, if it is one, into the document.
func (d *contract) schema(s any) map[string]any {
	m, _ := s.(map[string]any)
	ref, ok := m["$ref"].(string)
	if !ok {
		return m
	}
	var at any = d.root
	for _, step := range strings.Split(strings.TrimPrefix(ref, "#/"), "/") {
		at = at.(map[string]any)[step]
	}
	return d.schema(at)
}

// kinds are the media types that the document names for a status.
func (o *operation) kinds(status int) (kinds []string, documented bool) {
	a, ok := o.answers[fmt.Sprint(status)]
	if !ok {
		return nil, false
	}
	content, _ := a["content"].(map[string]any)
	return sortedKeys(content), true
}

// takes says whether the document gives it a parameter.
func (o *operation) takes(name string) bool {
	for _, p := range o.params {
		if p.name == name {
			return true
		}
	}
	return false
}

func sortedKeys(m map[string]any) []string {
	keys := make([]string, 0, len(m))
	for k := range m {
		keys = append(keys, k)
	}
	sort.Strings(keys)
	return keys
}
