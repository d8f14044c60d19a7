package calculators_test

import (
	"encoding/json"
	"strconv"
	"strings"
	"testing"

	"rigledger/api/apitest"
	"rigledger/api/calculators"
	"rigledger/api/call"
	"rigledger/api/document"

	"go.yaml.in/yaml/v3"
)

// numbersOf gives the pointers of every number in a JSON value.
func numbersOf(v any, at string) (found []string) {
	switch v := v.(type) {
	case float64:
		found = append(found, at)
	case []any:
		for i := range v {
			found = append(found, numbersOf(v[i], at+"/"+strconv.Itoa(i))...)
		}
	case map[string]any:
		for k := range v {
			found = append(found, numbersOf(v[k], at+"/"+k)...)
		}
	}
	return found
}

// with gives the JSON value text with the number at a pointer in another's place.
func with(t *testing.T, text []byte, pointer, number string) string {
	t.Helper()
	var doc any
	if err := json.Unmarshal(text, &doc); err != nil {
		t.Fatal(err)
	}
	steps := strings.Split(pointer[1:], "/")
	at := doc
	for i, step := range steps {
		last := i == len(steps)-1
		switch v := at.(type) {
		case map[string]any:
			if at = v[step]; last {
				v[step] = json.RawMessage(number)
			}
		case []any:
			n, _ := strconv.Atoi(step)
			if at = v[n]; last {
				v[n] = json.RawMessage(number)
			}
		}
	}
	out, err := json.Marshal(doc)
	if err != nil {
		t.Fatal(err)
	}
	return string(out)
}

// calculatorExamples gives the example body of every calculator in the document.
func calculatorExamples(t *testing.T) map[string][]byte {
	t.Helper()
	var doc struct {
		Paths map[string]struct {
			Post struct {
				Body struct {
					Content map[string]struct{ Example any }
				} `yaml:"requestBody"`
			}
		}
	}
	if err := yaml.Unmarshal(document.OpenAPI, &doc); err != nil {
		t.Fatal(err)
	}
	examples := map[string][]byte{}
	for _, k := range calculators.All {
		text, err := json.Marshal(doc.Paths["/v1/testbay/"+k.Name].Post.Body.Content["application/json"].Example)
		if err != nil || string(text) == "null" {
			t.Fatalf("%s has no example: %v", k.Name, err)
		}
		examples[k.Name] = text
	}
	return examples
}

func TestCalculatorsRefuseNumbersBeyondAnythingMeasuredByField(t *testing.T) {
	h := apitest.New(t)
	for name, text := range calculatorExamples(t) {
		path := "/v1/testbay/" + name
		h.Send("reader", "POST", path, text).Is(200)
		var doc any
		if err := json.Unmarshal(text, &doc); err != nil {
			t.Fatal(err)
		}
		numbers := numbersOf(doc, "")
		if len(numbers) == 0 {
			t.Errorf("%s has no number", name)
		}
		for _, pointer := range numbers {
			for _, far := range []string{"1e308", "-1e308", "1000000001", "1e-300", "5e-324", "1e999"} {
				a := h.Send("reader", "POST", path, with(t, text, pointer, far))
				if a.Status != 422 || a.Bad() != pointer {
					t.Errorf("%s with %s at %s: %d %s", name, far, pointer, a.Status, call.Clip(string(a.Body), 300))
				}
			}
			for _, edge := range []string{"1e9", "1e-9", "-1e9", "0", "-0.0", "1000000000"} {
				if a := h.Send("reader", "POST", path, with(t, text, pointer, edge)); a.Status != 200 && a.Status != 422 {
					t.Errorf("%s with %s at %s: %d %s", name, edge, pointer, a.Status, call.Clip(string(a.Body), 300))
				}
			}
		}
		// Every pair of ends at once: no answer runs out of a number's range.
		for i := range 1 << min(len(numbers), 6) {
			body := text
			for j, pointer := range numbers[:min(len(numbers), 6)] {
				number := "1e9"
				if i>>j&1 == 1 {
					number = "1e-9"
				}
				body = []byte(with(t, body, pointer, number))
			}
			if a := h.Send("reader", "POST", path, body); a.Status != 200 && a.Status != 422 {
				t.Errorf("%s with %s: %d %s", name, body, a.Status, call.Clip(string(a.Body), 300))
			}
		}
	}
	bad := h.Send("reader", "POST", "/v1/testbay/rate", `{"l_min":1e308,"km_h":-1e10,"spacing_m":0.5}`).Is(422).Bad()
	if bad != "/l_min /km_h" {
		t.Errorf("both at once: %s", bad)
	}
}
