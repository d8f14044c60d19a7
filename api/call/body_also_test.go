package call_test

import (
	"encoding/json"
	"strings"
	"testing"

	"go.yaml.in/yaml/v3"

	"rigledger/api/apitest"
	"rigledger/api/call"
	"rigledger/api/document"
	"rigledger/fleet"
)

func TestAWrongTypeAndAWrongValueAreNamedTogether(t *testing.T) {
	h := apitest.New(t)
	h.Register("T01", "north")
	h.Token("held", fleet.RoleManager, []string{"north"}, "")
	head := h.Fleet.Head().N
	for name, c := range map[string]struct{ as, path, body, want string }{
		"a rig": {"manager", "/v1/rigs",
			`{"rig":"T 02","name":7,"class":"trailed","yard":"north","width_m":-1,"tank_l":"full","meters":[{"meter":"pump","quantity":"hours","value":-5}],"plan":"trailed-boom"}`,
			"/name /rig /tank_l /width_m"},
		"a hook":  {"manager", "/v1/hooks", `{"name":"x","url":"ftp://farm.example","kinds":"item.raised","yards":["nowhere"]}`, "/kinds /url /yards/0"},
		"a token": {"manager", "/v1/tokens", `{"name":"openid:x","role":"owner","yards":"north"}`, "/yards"}, // its body is no command
		"what is missing may follow from what could not be read": {"manager", "/v1/exchange/calendars", `{"name":"x","rig":7}`, "/rig"},
		"a field nobody knows": {"manager", "/v1/rigs/T01/retire", `{"reasons":"sold","reason":""}`, "/reason /reasons"},
		"a defect":             {"manager", "/v1/defects", `{"rig":"T01","text":5,"part":"T01-wing"}`, "/part /text"},
		"a defect of another yard's rig, told in two steps": {"held", "/v1/defects", `{"rig":"S01","text":5,"part":"T01-wing"}`, "/text"},
		"a time that is none breaks reading off":            {"manager", "/v1/defects", `{"at":"yesterday","rig":"T01","text":"x","part":"T01-wing"}`, "/at"},
		"the body itself":                                   {"manager", "/v1/defects", `[]`, ""},
	} {
		got := strings.Fields(h.Send(c.as, "POST", c.path, c.body).Is(422).Bad())
		seen := map[string]int{}
		for _, p := range got {
			seen[p]++
		}
		for _, p := range strings.Fields(c.want) {
			if seen[p] != 1 {
				t.Errorf("%s: %s is named %d times in %v", name, p, seen[p], got)
			}
		}
		if extra := len(got) - len(strings.Fields(c.want)); extra > 0 && name != "a rig" {
			t.Errorf("%s: names %v, want %s", name, got, c.want)
		}
	}
	if h.Fleet.Head().N != head {
		t.Error("something was carried out")
	}
}

// spoil calls with every copy of v in which one value is of another type.
func spoil(v any, whole func(any) any, with func(any)) {
	switch v := v.(type) {
	case map[string]any:
		for k, inner := range v {
			spoil(inner, func(x any) any {
				copied := map[string]any{}
				for k, v := range v {
					copied[k] = v
				}
				copied[k] = x
				return whole(copied)
			}, with)
		}
	case []any:
		for i, inner := range v {
			spoil(inner, func(x any) any {
				copied := append([]any{}, v...)
				copied[i] = x
				return whole(copied)
			}, with)
		}
	}
	for _, other := range []any{nil, true, -1.5, "x", []any{nil}, map[string]any{"x": nil}} {
		with(whole(other))
	}
}

func TestNoFieldOfAnotherTypeBreaksARequest(t *testing.T) {
	h := apitest.New(t)
	h.Register("T01", "north")
	var doc struct {
		Paths map[string]map[string]yaml.Node
	}
	if err := yaml.Unmarshal(document.OpenAPI, &doc); err != nil {
		t.Fatal(err)
	}
	sent := 0
	for path, operations := range doc.Paths {
		node, ok := operations["post"]
		if !ok || strings.HasPrefix(path, "/v1/testbay/") || !strings.HasPrefix(path, "/v1/") {
			continue
		}
		var post struct {
			Body struct {
				Content map[string]struct{ Example any }
			} `yaml:"requestBody"`
		}
		if err := node.Decode(&post); err != nil {
			t.Fatal(err)
		}
		text, err := json.Marshal(post.Body.Content["application/json"].Example)
		if err != nil || string(text) == "null" {
			continue
		}
		var example any
		if err := json.Unmarshal(text, &example); err != nil {
			t.Fatal(err)
		}
		path = strings.ReplaceAll(strings.ReplaceAll(path, "{rig}", "T01"), "{meter}", "pump")
		spoil(example, func(x any) any { return x }, func(body any) {
			sent++
			if a := h.Send("manager", "POST", path, body); a.Status >= 500 {
				t.Errorf("POST %s %v: %d %s", path, body, a.Status, call.Clip(string(a.Body), 300))
			}
		})
	}
	if sent < 500 {
		t.Errorf("only %d requests were sent", sent)
	}
	t.Logf("%d requests", sent)
}
