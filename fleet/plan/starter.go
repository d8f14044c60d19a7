package plan

import (
	"embed"
	"fmt"
	"path"
	"sync"
)

//go:embed plans/*.yaml
var planFiles embed.FS

// StarterText is an embedded plan as text, for putting on record and for
// people to copy and change.
type StarterText struct {
	Name string // of the file
	Text []byte
}

// StarterTexts gives the embedded plans as text, by name of the file.
func StarterTexts() []StarterText {
	var out []StarterText
	for _, name := range yamlNames(planFiles, "plans") {
		text, err := planFiles.ReadFile(path.Join("plans", name))
		if err != nil {
			panic(fmt.Sprintf("reading embedded plan: %v", err))
		}
		out = append(out, StarterText{name, text})
	}
	return out
}

var starter = sync.OnceValue(func() []*Plan {
	var out []*Plan
	for _, s := range StarterTexts() {
		p, err := Parse(s.Name, s.Text)
		if err != nil { // our own file: a fault of the build, seen by any test
			panic(fmt.Sprintf("reading embedded plan: %v", err))
		}
		out = append(out, p)
	}
	return out
})

// Starter gives the embedded plans, by name of the file. They are a place to
// begin, not the maker's schedule.
func Starter() []*Plan { return append([]*Plan(nil), starter()...) }

// StarterFor gives the embedded plan for a class of rig, nil when there is none.
func StarterFor(class string) *Plan {
	for _, p := range starter() {
		if p.ForClass(class) {
			return p
		}
	}
	return nil
}
