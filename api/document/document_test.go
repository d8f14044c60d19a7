package document_test

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

	"rigledger/api/apitest"
	"rigledger/api/document"
	"rigledger/events"
	"rigledger/events/intake"
	"rigledger/fleet/plan"
)

// schemaNamed compiles one of the schemas served.
func schemaNamed(t *testing.T, name string) *jsonschema.Schema {
	t.Helper()
	c := jsonschema.NewCompiler()
	c.AssertFormat()
	text, err := document.Schemas.ReadFile("schemas/" + name + ".json")
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
	if err := yaml.Unmarshal(document.AsyncAPI, &doc); err != nil || doc.Version != "3.0.0" {
		t.Fatal(doc.Version, err)
	}
	var all any
	if err := yaml.Unmarshal(document.AsyncAPI, &all); err != nil {
		t.Fatal(err)
	}
	for _, ref := range regexp.MustCompile(`\$ref: '#/([^']+)'`).FindAllSubmatch(document.AsyncAPI, -1) {
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
	text, err := document.Schemas.ReadFile("schemas/" + name + ".json")
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
	for _, c := range []struct{ Name, kind, text string }{
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
		t.Run(c.Name, func(t *testing.T) {
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
	h := apitest.New(t)
	names, err := fs.Glob(document.Schemas, "schemas/*.json")
	if err != nil || len(names) != 4 {
		t.Fatal(names, err)
	}
	for _, n := range names {
		h.Send("", "GET", "/"+n, nil).Is(200)
	}
	h.Send("", "GET", "/schemas/none.json", nil).Is(404)
	h.Send("", "GET", "/asyncapi.yaml", nil).Is(200)
	h.Send("", "GET", "/docs.css", nil).Is(200)
	a := h.Send("", "GET", "/docs", nil).Is(200)
	if got := a.Header.Get("Content-Security-Policy"); got != document.PageCSP {
		t.Errorf("policy %q", got)
	}
	// Well-formed, every operation and schema in it, every link leads somewhere, nothing from elsewhere.
	ids, hrefs := map[string]bool{}, map[string]bool{}
	z := html.NewTokenizer(strings.NewReader(string(a.Body)))
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
	for _, id := range regexp.MustCompile(`operationId: (\w+)`).FindAllSubmatch(document.OpenAPI, -1) {
		if !ids[string(id[1])] {
			t.Errorf("the page lacks %s", id[1])
		}
	}
	if _, err := document.Render([]byte("{")); err == nil {
		t.Error("a page is made of nothing")
	}
}

// aWholePlan has every field that a plan can have.
const aWholePlan = `
plan: whole
version: 3
title: Every field there is
notice: The handbook comes first.
classes: [trailed, mounted]
daily:
  - {text: Look for drips, part: diaphragm-pump, source: common practice}
tasks:
  - task: oil
    title: Oil
    part: diaphragm-pump
    every: {hours: 500, hectares: 9000.5, litres: 1000000, kilometres: 5000, loads: 400, months: 12}
    run_in: [{hours: 50}, {hours: 100, days: 30}]
    run_in_after: fitting
    lead: {hours: 20, days: 7}
    grace: {hours: 0}
    count: grid
    weight: safety
    by: operator
    in_season: true
    calibrate_after: true
    minutes: 30
    includes: [look]
    parts: [{sku: OIL-1, name: Oil, count: 2}]
    caution: [pump-pto]
    checklist: [Drain it warm]
    source: common practice
  - task: look
    title: Look
    part: diaphragm-pump
    on: ["04-01", "10-15"]
    season_start: true
    condition: {code: oil-milky, above: 0.5, unit: C62}
    source: common practice
`

// The schema knows every field that the reader of plans knows, and the two agree
// on what is wrong with one field at a time.
func TestThePlanSchemaAndTheReaderOfPlansAgree(t *testing.T) {
	schema := schemaNamed(t, "plan")
	ask := func(text string) (bySchema, byReader error) {
		var doc any
		if err := yaml.Unmarshal([]byte(text), &doc); err != nil {
			t.Fatal(err, text)
		}
		_, byReader = plan.Parse("plan", []byte(text))
		return schema.Validate(plain(t, doc)), byReader
	}
	if bySchema, byReader := ask(aWholePlan); bySchema != nil || byReader != nil {
		t.Fatalf("schema: %v\nreader: %v", bySchema, byReader)
	}
	// Every property of the schema stands in the whole plan, so each is known to both.
	var doc struct {
		Properties map[string]struct {
			Items struct{ Properties map[string]any }
		}
		Defs map[string]struct{ Properties map[string]any } `json:"$defs"`
	}
	text, err := document.Schemas.ReadFile("schemas/plan.json")
	if err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal(text, &doc); err != nil {
		t.Fatal(err)
	}
	names := map[string]bool{}
	for name, p := range doc.Properties {
		names[name] = true
		for n := range p.Items.Properties {
			names[n] = true
		}
	}
	for _, d := range doc.Defs {
		for n := range d.Properties {
			names[n] = true
		}
	}
	for name := range names {
		if !regexp.MustCompile(`\b` + name + `:`).MatchString(aWholePlan) {
			t.Errorf("the schema has %q, which the test does not try", name)
		}
	}
	// And every field that a task, a spare … has in the reader's documentation stands in the schema.
	for _, word := range regexp.MustCompile(`(?m)(?:^|[ {,])([a-z_]+):`).FindAllStringSubmatch(aWholePlan, -1) {
		if !names[word[1]] && !slices.Contains([]string{"sku", "name", "code", "above", "below", "unit"}, word[1]) {
			t.Errorf("the schema does not have %q", word[1])
		}
	}
	for _, c := range []struct{ Name, from, to string }{
		{"no notice", "notice: The handbook comes first.\n", ""},
		{"no classes", "classes: [trailed, mounted]", "classes: []"},
		{"no tasks", aWholePlan[strings.Index(aWholePlan, "tasks:"):], "tasks: []\n"},
		{"a version that is a word", "version: 3", "version: three"},
		{"version 0", "version: 3", "version: 0"},
		{"a name with capitals", "plan: whole", "plan: Whole Plan"},
		{"a task without a part", "    part: diaphragm-pump\n    on:", "    on:"},
		{"a task without a source", "    checklist: [Drain it warm]\n    source: common practice\n", ""},
		{"a task without a trigger", "    on: [\"04-01\", \"10-15\"]\n    season_start: true\n    condition: {code: oil-milky, above: 0.5, unit: C62}\n", ""},
		{"an interval of nothing", "every: {hours: 500, hectares: 9000.5, litres: 1000000, kilometres: 5000, loads: 400, months: 12}", "every: {}"},
		{"an interval of zero hours", "every: {hours: 500,", "every: {hours: 0,"},
		{"an interval in a unit that is none", "every: {hours: 500,", "every: {minutes: 500,"},
		{"half a month", "months: 12}", "months: 0.5}"},
		{"a lead below zero", "lead: {hours: 20,", "lead: {hours: -20,"},
		{"a day that is none", `"04-01"`, `"13-01"`},
		{"a day without a zero", `"04-01"`, `"4-1"`},
		{"a condition without a limit", "above: 0.5, ", ""},
		{"a condition with two limits", "above: 0.5,", "above: 0.5, below: 1,"},
		{"a weight that is none", "weight: safety", "weight: heavy"},
		{"a count that is none", "count: grid", "count: twice"},
		{"somebody who is nobody", "by: operator", "by: cook"},
		{"minutes in words", "minutes: 30", "minutes: half an hour"},
		{"a spare without a name", "name: Oil, count", "count"},
		{"no spares of it", "count: 2", "count: 0"},
		{"a check without a text", "{text: Look for drips, ", "{"},
		{"an empty title", "title: Oil", "title: ''"},
		{"a field that is none", "    minutes: 30", "    colour: red"},
		{"true in words", "season_start: true", "season_start: often"},
	} {
		t.Run(c.Name, func(t *testing.T) {
			if !strings.Contains(aWholePlan, c.from) {
				t.Fatalf("%q is not in the plan", c.from)
			}
			bySchema, byReader := ask(strings.Replace(aWholePlan, c.from, c.to, 1))
			if bySchema == nil || byReader == nil {
				t.Errorf("schema: %v\nreader: %v", bySchema, byReader)
			}
		})
	}
}

// Who sends no plan hears what one needs.
func TestAPlanThatIsNoneIsToldWhatAPlanNeeds(t *testing.T) {
	h := apitest.New(t)
	for _, body := range []apitest.Obj{{}, {"text": ""}, {"text": " \n"}} {
		a := h.Send("manager", "POST", "/v1/plans", body).Is(422)
		for _, word := range []string{"YAML", "version", "classes", "notice", "tasks", "source", "season_start", "/schemas/plan.json"} {
			if !strings.Contains(fmt.Sprint(a.At("/errors/0/detail")), word) {
				t.Errorf("%v: no %q in %s", body, word, a.Body)
			}
		}
		a.Has("/errors/0/pointer", "/text").Has("/errors/1", nil)
	}
}

// Requests that the document shows can be sent as they stand, today too.
func TestTheExampleOfABookingIsNotStale(t *testing.T) {
	var doc struct {
		Paths map[string]map[string]struct {
			RequestBody struct {
				Content map[string]struct{ Example map[string]any } `yaml:"content"`
			} `yaml:"requestBody"`
		} `yaml:"paths"`
	}
	if err := yaml.Unmarshal(document.OpenAPI, &doc); err != nil && len(doc.Paths) == 0 {
		t.Fatal(err)
	}
	example := doc.Paths["/v1/bookings"]["post"].RequestBody.Content["application/json"].Example
	h := apitest.New(t)
	h.Register(fmt.Sprint(example["rig"]), "north")
	h.SetClock(time.Now().AddDate(20, 0, 0))
	h.Send("manager", "POST", "/v1/bookings", apitest.Obj(example)).Is(201).Has("/from", example["from"])
}
