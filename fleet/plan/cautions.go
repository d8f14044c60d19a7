package plan

import (
	_ "embed"
	"fmt"
	"sync"

	"go.yaml.in/yaml/v3"
)

// Caution is what must be shown, and acknowledged by name, before a job of a
// kind opens. It never replaces the law, the handbook or licensed practice.
type Caution struct {
	Kind   string `json:"kind"`
	Title  string `json:"title"`
	Text   string `json:"text"`
	Source string `json:"source"`
}

// AnyJob is the kind of the caution that comes before every job.
const AnyJob = "any"

//go:embed cautions.yaml
var cautionsText []byte

var allCautions = sync.OnceValue(func() []Caution {
	f := &file{name: "cautions.yaml"}
	var out []Caution
	if root := f.open(cautionsText); root != nil {
		f.list(root, "", func(n *yaml.Node, at string) {
			var c Caution
			f.fields(n, at, map[string]func(*yaml.Node, string){
				"kind":   func(n *yaml.Node, at string) { c.Kind = f.slug(n, at) },
				"title":  func(n *yaml.Node, at string) { c.Title = f.text(n, at) },
				"text":   func(n *yaml.Node, at string) { c.Text = f.text(n, at) },
				"source": func(n *yaml.Node, at string) { c.Source = f.text(n, at) },
			}, "kind", "title", "text", "source")
			out = append(out, c)
		})
	}
	if len(f.problems) > 0 { // our own file: a fault of the build, seen by any test
		panic(fmt.Sprintf("reading embedded cautions: %v", f.problems))
	}
	return out
})

// AllCautions lists every caution, in the order written.
func AllCautions() []Caution { return append([]Caution(nil), allCautions()...) }

// Cautions gives what must be shown before a job of these kinds: the caution
// for any job first, then one for each kind in the order asked, none twice.
// Unknown kinds give none; Parse refuses plans that name them.
func Cautions(kinds []string) []Caution {
	var out []Caution
	seen := map[string]bool{}
	for _, kind := range append([]string{AnyJob}, kinds...) {
		if seen[kind] {
			continue
		}
		seen[kind] = true
		for _, c := range allCautions() {
			if c.Kind == kind {
				out = append(out, c)
			}
		}
	}
	return out
}

func cautionKnown(kind string) bool {
	for _, c := range allCautions() {
		if c.Kind == kind {
			return true
		}
	}
	return false
}
