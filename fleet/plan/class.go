package plan

import (
	"embed"
	"fmt"
	"path"
	"slices"
	"sync"

	"go.yaml.in/yaml/v3"
)

// Class is a class of sprayer: the parts that such a rig has, what its meters
// can plausibly do, and when it works.
type Class struct {
	Name   string      `json:"name"`
	Title  string      `json:"title"`
	Source string      `json:"source"`
	Plan   string      `json:"plan"`  // slug of the embedded plan that such a rig begins with
	Parts  []ClassPart `json:"parts"` // a parent stands before its children
	Limits Limits      `json:"limits"`
	Season Season      `json:"season"` // northern half of the world unless changed
	Field  FieldWork   `json:"field"`

	at map[string]int // position → place in Parts
}

// FieldWork is how such a rig works as a rule. It serves to estimate a counter
// that a rig does not have.
type FieldWork struct {
	KmH        float64 `json:"km_h"`       // while spraying
	Efficiency float64 `json:"efficiency"` // share of the time that is spraying, 0 to 1
}

// typicalField is that of a boom sprayer in ASABE D497.7 (from memory): 10.5 km/h
// and 65 %. Used where a class says nothing.
var typicalField = FieldWork{KmH: 10.5, Efficiency: 0.65}

// ClassPart is one place on the rig where a part is fitted.
type ClassPart struct {
	Position string `json:"position"` // on the rig, unique in the class
	Kind     string `json:"kind"`     // what plans speak of
	Title    string `json:"title"`
	Parent   string `json:"parent,omitempty"`
	Meter    string `json:"meter,omitempty"` // the meter whose hours are the part's, where the rig has it
}

// Limits are bounds of plausibility for readings, not of what is allowed.
type Limits struct {
	MaxKmH      float64 `json:"max_km_h"`
	HoursPerDay float64 `json:"max_hours_per_day"`
	MaxWidthM   float64 `json:"max_width_m"`
}

//go:embed classes/*.yaml
var classFiles embed.FS

var allClasses = sync.OnceValue(func() []Class {
	var out []Class
	for _, name := range yamlNames(classFiles, "classes") {
		text, err := classFiles.ReadFile(path.Join("classes", name))
		if err != nil {
			panic(fmt.Sprintf("reading embedded class: %v", err))
		}
		c, err := ParseClass(name, text)
		if err != nil { // our own file: a fault of the build, seen by any test
			panic(fmt.Sprintf("reading embedded class: %v", err))
		}
		out = append(out, *c)
	}
	return out
})

// Classes lists the embedded classes, by name. The parts belong to the package:
// do not change them.
func Classes() []Class { return slices.Clone(allClasses()) }

// ClassByName finds a class: trailed, mounted, self-propelled; nil when there is
// no such class. It belongs to the package: do not change it.
func ClassByName(name string) *Class {
	all := allClasses()
	for i := range all {
		if all[i].Name == name {
			return &all[i]
		}
	}
	return nil
}

// PartAt finds a part of the class by its position, nil when there is none.
func (c *Class) PartAt(position string) *ClassPart {
	if i, ok := c.at[position]; ok {
		return &c.Parts[i]
	}
	return nil
}

func classNames() []string {
	names := []string{}
	for _, c := range allClasses() {
		names = append(names, c.Name)
	}
	return names
}

// ParseClass reads a class file; name stands in its errors, which are Problems with
// the lines they are on. A class of one's own is a copy of an embedded file, changed.
func ParseClass(name string, text []byte) (*Class, error) {
	f := &file{name: name}
	root := f.open(text)
	if root == nil {
		return nil, f.problems
	}
	c := &Class{Field: typicalField, at: map[string]int{}}
	f.fields(root, "", map[string]func(*yaml.Node, string){
		"class":  func(n *yaml.Node, at string) { c.Name = f.slug(n, at) },
		"title":  func(n *yaml.Node, at string) { c.Title = f.text(n, at) },
		"source": func(n *yaml.Node, at string) { c.Source = f.text(n, at) },
		"plan":   func(n *yaml.Node, at string) { c.Plan = f.slug(n, at) },
		"parts": func(n *yaml.Node, at string) {
			f.list(n, at, func(n *yaml.Node, at string) {
				p := f.classPart(n, at, c)
				if c.PartAt(p.Position) == nil { // the first of two with one name; the second is a problem
					c.at[p.Position] = len(c.Parts)
				}
				c.Parts = append(c.Parts, p)
			})
		},
		"limits": func(n *yaml.Node, at string) { c.Limits = f.limits(n, at) },
		"season": func(n *yaml.Node, at string) {
			f.fields(n, at, map[string]func(*yaml.Node, string){
				"from": func(n *yaml.Node, at string) { c.Season.From = f.day(n, at) },
				"to":   func(n *yaml.Node, at string) { c.Season.To = f.day(n, at) },
			}, "from", "to")
		},
		"field": func(n *yaml.Node, at string) {
			f.fields(n, at, map[string]func(*yaml.Node, string){
				"km_h":       f.bounded(&c.Field.KmH, 100),
				"efficiency": f.bounded(&c.Field.Efficiency, 1),
			}, "km_h", "efficiency")
		},
	}, "class", "title", "source", "plan", "parts", "limits", "season")
	if len(f.problems) > 0 {
		return nil, f.problems.inOrder()
	}
	return c, nil
}

func (f *file) classPart(node *yaml.Node, path string, sofar *Class) (p ClassPart) {
	f.fields(node, path, map[string]func(*yaml.Node, string){
		"part":   func(n *yaml.Node, at string) { p.Position = f.slug(n, at) },
		"kind":   func(n *yaml.Node, at string) { p.Kind = f.slug(n, at) },
		"title":  func(n *yaml.Node, at string) { p.Title = f.text(n, at) },
		"parent": func(n *yaml.Node, at string) { p.Parent = f.slug(n, at) },
		"meter":  func(n *yaml.Node, at string) { p.Meter = f.slug(n, at) },
	}, "part", "kind", "title")
	if sofar.PartAt(p.Position) != nil {
		f.wrong(node.Line, join(path, "part"), "%s is listed twice", p.Position)
	}
	if p.Parent != "" && sofar.PartAt(p.Parent) == nil {
		f.wrong(node.Line, join(path, "parent"), "%s is not a part listed above", p.Parent)
	}
	return p
}

func (f *file) limits(node *yaml.Node, path string) (l Limits) {
	f.fields(node, path, map[string]func(*yaml.Node, string){
		"max_km_h":          f.bounded(&l.MaxKmH, 100),
		"max_hours_per_day": f.bounded(&l.HoursPerDay, 24),
		"max_width_m":       f.bounded(&l.MaxWidthM, 100),
	}, "max_km_h", "max_hours_per_day", "max_width_m")
	return l
}

// bounded reads a number above 0 and at most most.
func (f *file) bounded(into *float64, most float64) func(*yaml.Node, string) {
	return func(n *yaml.Node, at string) {
		if *into = f.number(n, at); *into <= 0 || *into > most {
			f.wrong(n.Line, at, "is not above 0 and at most %g", most)
		}
	}
}

func yamlNames(files embed.FS, folder string) []string {
	entries, err := files.ReadDir(folder)
	if err != nil {
		panic(fmt.Sprintf("reading embedded %s: %v", folder, err))
	}
	var names []string
	for _, e := range entries {
		names = append(names, e.Name())
	}
	return names
}
