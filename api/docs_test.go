package api

import (
	"encoding/json"
	"fmt"
	"io"
	"io/fs"
	"maps"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/pb33f/jsonschema/v6"
	"go.yaml.in/yaml/v3"
	"golang.org/x/net/html"

	"rigledger/events"
	"rigledger/events/intake"
	"rigledger/fleet/plan"
)

// schemaNamed compiles one of the schemas served.
func schemaNamed(t *testing.T, name string) *jsonschema.Schema {
	t.Helper()
	c := jsonschema.NewCompiler()
	c.AssertFormat()
	text, err := schemaFiles.ReadFile("schemas/" + name + ".json")
	if err != nil {
		t.Fatal(err)
	}
	doc, err := jsonschema.UnmarshalJSON(strings.NewReader(string(text)))
	if err != nil {
		t.Fatal(name, err)
	}
	if err := c.AddResource("test:"+name, doc); err != nil {
		t.Fatal(name, err)
	}
	s, err := c.Compile("test:" + name)
	if err != nil {
		t.Fatal(name, err)
	}
	return s
}

// plain is a value as JSON has it.
func plain(t *testing.T, v any) any {
	t.Helper()
	text, err := json.Marshal(v)
	if err != nil {
		t.Fatal(err)
	}
	out, err := jsonschema.UnmarshalJSON(strings.NewReader(string(text)))
	if err != nil {
		t.Fatal(err)
	}
	return out
}

func TestTheMessagesDocumentIsTrue(t *testing.T) {
	var doc struct {
		Version  string `yaml:"asyncapi"`
		Channels map[string]struct {
			Address    string `yaml:"address"`
			Parameters map[string]struct {
				Enum []string `yaml:"enum"`
			} `yaml:"parameters"`
		} `yaml:"channels"`
		Components struct {
			Messages map[string]struct {
				Name     string         `yaml:"name"`
				Payload  map[string]any `yaml:"payload"`
				Examples []struct {
					Payload map[string]any `yaml:"payload"`
				} `yaml:"examples"`
			} `yaml:"messages"`
		} `yaml:"components"`
	}
	if err := yaml.Unmarshal(asyncapiText, &doc); err != nil || doc.Version != "3.0.0" {
		t.Fatal(doc.Version, err)
	}
	var all any
	if err := yaml.Unmarshal(asyncapiText, &all); err != nil {
		t.Fatal(err)
	}
	for _, ref := range regexp.MustCompile(`\$ref: '#/([^']+)'`).FindAllSubmatch(asyncapiText, -1) {
		at := all
		for _, name := range strings.Split(string(ref[1]), "/") {
			m, _ := at.(map[string]any)
			if at = m[name]; at == nil {
				t.Errorf("nothing at #/%s", ref[1])
				break
			}
		}
	}
	addresses := map[string]bool{}
	for _, c := range doc.Channels {
		addresses[c.Address] = true
	}
	if want := strings.NewReplacer("meter.read", "{kind}", "T01", "{rig}").Replace(intake.AnnounceSubject("meter.read", "T01")); !addresses[want] || !addresses["rig.{rig}.ack"] {
		t.Errorf("%s or the ack is not among %v", want, addresses)
	}
	kinds := events.PublicKinds()
	listed := slices.Sorted(slices.Values(doc.Channels["ledger"].Parameters["kind"].Enum))
	if !slices.Equal(kinds, listed) {
		t.Errorf("kinds announced\n%v\nin the document\n%v", kinds, listed)
	}
	for _, kind := range []string{events.KindReading, events.KindDefect, events.KindCondition} {
		subject, name := "rig.T01."+kind, "rig."+kind+".v1"
		if !addresses["rig.{rig}."+kind] {
			t.Errorf("%s is not among %v", kind, addresses)
		}
		m := doc.Components.Messages[kind]
		if m.Name != name || m.Payload["$ref"] != "/schemas/"+name+".json" || len(m.Examples) == 0 {
			t.Errorf("%s: %+v", kind, m)
		}
		schema := schemaNamed(t, name)
		served := schemaExamples(t, name)
		for _, e := range m.Examples {
			served = append(served, plain(t, e.Payload))
		}
		for _, e := range served {
			if err := schema.Validate(e); err != nil {
				t.Errorf("an example of %s: %v", name, err)
			}
			text, _ := json.Marshal(e)
			if got := intake.Decode(subject, text, time.Now()); len(got) != 1 || got[0].Fault != "" || got[0].Kind != kind {
				t.Errorf("the intake takes an example of %s as %+v", name, got)
			}
		}
	}
	ack := doc.Components.Messages["ack"].Examples[0].Payload
	text, _ := json.Marshal(ack)
	if got, ok := intake.ParseAck(text); !ok || got.Seq != 7 || len(got.Have) != 1 {
		t.Errorf("the example of an ack is read as %+v", got)
	}
}

func schemaExamples(t *testing.T, name string) (out []any) {
	t.Helper()
	text, err := schemaFiles.ReadFile("schemas/" + name + ".json")
	if err != nil {
		t.Fatal(err)
	}
	var doc struct {
		Examples []json.RawMessage `json:"examples"`
	}
	if err := json.Unmarshal(text, &doc); err != nil {
		t.Fatal(err)
	}
	for _, e := range doc.Examples {
		v, err := jsonschema.UnmarshalJSON(strings.NewReader(string(e)))
		if err != nil {
			t.Fatal(err)
		}
		out = append(out, v)
	}
	return out
}

// What the intake refuses the schema refuses too, as far as a shape can tell.
func TestSchemasRefuseWhatTheIntakeRefuses(t *testing.T) {
	good := func(kind, data string) string {
		return fmt.Sprintf(`{"specversion":"1.0","id":"1:1","source":"urn:rig:T01","type":"rig.%s.v1","time":"2026-05-04T09:31:12Z","data":%s}`, kind, data)
	}
	reading := `{"counters":[{"meter":"pump","value":1,"unit":"HUR"}]}`
	for _, c := range []struct{ name, kind, text string }{
		{"no id", "reading", strings.Replace(good("reading", reading), `"id":"1:1",`, "", 1)},
		{"an empty id", "reading", strings.Replace(good("reading", reading), `"1:1"`, `""`, 1)},
		{"another version", "reading", strings.Replace(good("reading", reading), `"specversion":"1.0"`, `"specversion":"0.3"`, 1)},
		{"another type", "reading", good("defect", reading)},
		{"no time", "reading", strings.Replace(good("reading", reading), `"time":"2026-05-04T09:31:12Z",`, "", 1)},
		{"a time in words", "reading", strings.Replace(good("reading", reading), `"2026-05-04T09:31:12Z"`, `"today"`, 1)},
		{"no data", "reading", strings.Replace(good("reading", reading), `,"data":`+reading, "", 1)},
		{"no counters", "reading", good("reading", `{}`)},
		{"an empty list of counters", "reading", good("reading", `{"counters":[]}`)},
		{"a counter without a unit", "reading", good("reading", `{"counters":[{"meter":"pump","value":1}]}`)},
		{"a value in words", "reading", good("reading", `{"counters":[{"meter":"pump","value":"1","unit":"HUR"}]}`)},
		{"a defect that says nothing", "defect", good("defect", `{"part":"pump"}`)},
		{"safety in words", "defect", good("defect", `{"text":"drip","safety":"yes"}`)},
		{"a condition without a code", "condition", good("condition", `{"conditions":[{"value":1}]}`)},
		{"33 conditions", "condition", good("condition", `{"conditions":[`+strings.TrimSuffix(strings.Repeat(`{"code":"a","value":1},`, 33), ",")+`]}`)},
	} {
		t.Run(c.name, func(t *testing.T) {
			v, err := jsonschema.UnmarshalJSON(strings.NewReader(c.text))
			if err != nil {
				t.Fatal(err)
			}
			if schemaNamed(t, "rig."+c.kind+".v1").Validate(v) == nil {
				t.Error("the schema takes it")
			}
			if got := intake.Decode("rig.T01."+c.kind, []byte(c.text), time.Now()); len(got) != 1 || got[0].Fault == "" {
				t.Errorf("the intake takes it: %+v", got)
			}
		})
	}
}

func TestThePlanSchemaTakesTheStarterPlans(t *testing.T) {
	schema := schemaNamed(t, "plan")
	for _, s := range plan.StarterTexts() {
		var doc map[string]any
		if err := yaml.Unmarshal(s.Text, &doc); err != nil {
			t.Fatal(err)
		}
		if err := schema.Validate(plain(t, doc)); err != nil {
			t.Errorf("%v: %v", doc["plan"], err)
		}
		doc["tasks"].([]any)[0].(map[string]any)["whatever"] = 1
		if schema.Validate(plain(t, doc)) == nil {
			t.Errorf("%v: a field unknown is taken", doc["plan"])
		}
	}
}

func TestDocumentsAreServedToAnybody(t *testing.T) {
	h := newHouse(t)
	names, err := fs.Glob(schemaFiles, "schemas/*.json")
	if err != nil || len(names) != 4 {
		t.Fatal(names, err)
	}
	for _, n := range names {
		h.send("", "GET", "/"+n, nil).is(200)
	}
	h.send("", "GET", "/schemas/none.json", nil).is(404)
	h.send("", "GET", "/asyncapi.yaml", nil).is(200)
	h.send("", "GET", "/docs.css", nil).is(200)
	a := h.send("", "GET", "/docs", nil).is(200)
	if got := a.header.Get("Content-Security-Policy"); got != docsCSP {
		t.Errorf("policy %q", got)
	}
	// Well-formed, every operation and schema in it, every link leads somewhere, nothing from elsewhere.
	ids, hrefs := map[string]bool{}, map[string]bool{}
	z := html.NewTokenizer(strings.NewReader(string(a.body)))
	for {
		if z.Next() == html.ErrorToken {
			if z.Err() != io.EOF {
				t.Fatal(z.Err())
			}
			break
		}
		token := z.Token()
		if token.Type == html.StartTagToken && (token.Data == "script" || token.Data == "style" || token.Data == "img") {
			t.Errorf("there is a %s", token.Data)
		}
		for _, at := range token.Attr {
			switch at.Key {
			case "id":
				if ids[at.Val] {
					t.Errorf("the id %s is there twice", at.Val)
				}
				ids[at.Val] = true
			case "href":
				hrefs[at.Val] = true
			case "src", "style", "onclick":
				t.Errorf("there is %s=%q", at.Key, at.Val)
			}
		}
	}
	for _, href := range slices.Sorted(maps.Keys(hrefs)) {
		if id, inside := strings.CutPrefix(href, "#"); inside && !ids[id] {
			t.Errorf("%s leads nowhere", href)
		} else if !inside && !strings.HasPrefix(href, "/") {
			t.Errorf("%s leads away", href)
		}
	}
	for _, id := range regexp.MustCompile(`operationId: (\w+)`).FindAllSubmatch(openapiText, -1) {
		if !ids[string(id[1])] {
			t.Errorf("the page lacks %s", id[1])
		}
	}
	if _, err := renderDocs([]byte("{")); err == nil {
		t.Error("a page is made of nothing")
	}
}
