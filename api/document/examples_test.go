package document_test

import (
	"bytes"
	"encoding/json"
	"io"
	"net/http"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"rigledger/api/apitest"
	"rigledger/api/call"
	"rigledger/api/document"

	"go.yaml.in/yaml/v3"
)

// shown is a body as the document shows it.
type shown struct {
	Example  any
	Examples map[string]struct {
		Value any
		Ref   string `yaml:"$ref"`
	}
}

// TestEveryBodyHasAnExampleThatHolds walks every body in JSON or YAML that a
// request takes or a 200 or 201 gives. That the examples are like what is really
// sent is not checked here; they were taken from answers of these tests.
func TestEveryBodyHasAnExampleThatHolds(t *testing.T) {
	v, err := apitest.Contract()
	if err != nil {
		t.Fatal(err)
	}
	var doc struct {
		Paths      map[string]map[string]yaml.Node
		Components struct {
			Examples map[string]struct{ Value any }
		}
	}
	if err := yaml.Unmarshal(document.OpenAPI, &doc); err != nil {
		t.Fatal(err)
	}
	used := map[string]bool{}
	// bodies gives the examples of one body.
	bodies := func(where, media string, b shown) (all [][]byte) {
		values := []any{}
		if b.Example != nil {
			values = append(values, b.Example)
		}
		for name, e := range b.Examples {
			if e.Ref != "" {
				name = strings.TrimPrefix(e.Ref, "#/components/examples/")
				used[name] = true
				e.Value = doc.Components.Examples[name].Value
			}
			if e.Value == nil {
				t.Errorf("%s: the example %s has no value", where, name)
				continue
			}
			values = append(values, e.Value)
		}
		if len(values) == 0 {
			t.Errorf("%s: %s has no example", where, media)
		}
		for _, value := range values {
			text, ok := value.(string)
			raw := []byte(text)
			if !ok || media == "application/json" {
				if raw, err = json.Marshal(value); err != nil {
					t.Errorf("%s: %v", where, err)
				}
			}
			all = append(all, raw)
		}
		return all
	}
	parameter := regexp.MustCompile(`\{[^}]+\}`)
	checked := 0
	for path, operations := range doc.Paths {
		at := parameter.ReplaceAllString(path, "1")
		for method, node := range operations {
			var op struct {
				Body      struct{ Content map[string]shown } `yaml:"requestBody"`
				Responses map[string]struct{ Content map[string]shown }
			}
			if method == "parameters" || method == "summary" || method == "description" {
				continue
			}
			if err := node.Decode(&op); err != nil {
				t.Fatal(err)
			}
			request := func(media string, body []byte) *http.Request {
				r, err := http.NewRequest(strings.ToUpper(method), "http://farm.example"+at, bytes.NewReader(body))
				if err != nil {
					t.Fatal(err)
				}
				if media != "" {
					r.Header.Set("Content-Type", media)
				}
				return r
			}
			for media, b := range op.Body.Content {
				if media != "application/json" && media != "application/yaml" {
					continue
				}
				where := method + " " + path + ", request"
				for _, raw := range bodies(where, media, b) {
					checked++
					if ok, errs := v.GetRequestBodyValidator().ValidateRequestBody(request(media, raw)); !ok {
						t.Errorf("%s: %s: %v %v", where, call.Clip(string(raw), 200), errs[0].Reason, errs[0].SchemaValidationErrors)
					}
				}
			}
			for _, status := range []int{200, 201} {
				for media, b := range op.Responses[strconv.Itoa(status)].Content {
					if media != "application/json" {
						continue
					}
					where := method + " " + path + ", answer " + strconv.Itoa(status)
					for _, raw := range bodies(where, media, b) {
						checked++
						answer := &http.Response{
							StatusCode: status, Header: http.Header{"Content-Type": {media}}, Body: io.NopCloser(bytes.NewReader(raw)),
						}
						if ok, errs := v.GetResponseBodyValidator().ValidateResponseBody(request("", nil), answer); !ok {
							t.Errorf("%s: %s: %v %v", where, call.Clip(string(raw), 200), errs[0].Reason, errs[0].SchemaValidationErrors)
						}
					}
				}
			}
		}
	}
	for name := range doc.Components.Examples {
		if !used[name] {
			t.Errorf("nothing shows the example %s", name)
		}
	}
	if checked < 150 {
		t.Errorf("only %d bodies were checked", checked)
	}
	t.Logf("%d bodies", checked)
}
