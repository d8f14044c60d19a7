package plan

import (
	"slices"

	"go.yaml.in/yaml/v3"
)

// Parse reads and checks a plan. Name stands for the file in problems. When
// anything is wrong the error is Problems, all of them at once.
func Parse(name string, text []byte) (*Plan, error) {
	f := &file{name: name}
	root := f.open(text)
	if root == nil {
		return nil, f.problems
	}
	p := &Plan{}
	includes := map[*Task][]int{} // lines of the slugs that a task includes
	f.fields(root, "", map[string]func(*yaml.Node, string){
		"plan":    func(n *yaml.Node, at string) { p.Slug = f.slug(n, at) },
		"version": func(n *yaml.Node, at string) { p.Version = f.whole(n, at, 1, 1_000_000) },
		"title":   func(n *yaml.Node, at string) { p.Title = f.text(n, at) },
		"notice":  func(n *yaml.Node, at string) { p.Notice = f.text(n, at) },
		"classes": func(n *yaml.Node, at string) { p.Classes = f.classes(n, at) },
		"daily": func(n *yaml.Node, at string) {
			f.list(n, at, func(n *yaml.Node, at string) { p.Daily = append(p.Daily, f.check(n, at)) })
		},
		"tasks": func(n *yaml.Node, at string) {
			f.list(n, at, func(n *yaml.Node, at string) {
				t, lines := f.task(n, at)
				p.Tasks = append(p.Tasks, t)
				includes[t] = lines
			})
			if n.Kind == yaml.SequenceNode && len(n.Content) == 0 {
				f.wrong(n.Line, at, "has no task")
			}
		},
	}, "plan", "version", "title", "classes", "notice", "tasks")
	f.together(p, includes)
	if len(f.problems) > 0 {
		return nil, f.problems.inOrder()
	}
	p.index()
	return p, nil
}

func (f *file) classes(node *yaml.Node, path string) []string {
	known := classNames()
	var out []string
	f.list(node, path, func(n *yaml.Node, at string) { out = append(out, oneOf(f, n, at, known...)) })
	if node.Kind == yaml.SequenceNode && len(node.Content) == 0 {
		f.wrong(node.Line, path, "names no class")
	}
	return out
}

func (f *file) check(node *yaml.Node, path string) (c Check) {
	f.fields(node, path, map[string]func(*yaml.Node, string){
		"text":   func(n *yaml.Node, at string) { c.Text = f.text(n, at) },
		"part":   func(n *yaml.Node, at string) { c.Part = f.slug(n, at) },
		"source": func(n *yaml.Node, at string) { c.Source = f.text(n, at) },
	}, "text", "source")
	return c
}

// together checks what only shows when all tasks are known: slugs used twice,
// and what tasks include.
func (f *file) together(p *Plan, lines map[*Task][]int) {
	bySlug := map[string]*Task{}
	for _, t := range p.Tasks {
		if t.Slug == "" {
			continue
		}
		if first := bySlug[t.Slug]; first != nil {
			f.wrong(t.Line, "task", "%s is already the task on line %d", t.Slug, first.Line)
			continue
		}
		bySlug[t.Slug] = t
	}
	for _, t := range p.Tasks {
		for i, slug := range t.Includes {
			line := t.Line
			if i < len(lines[t]) {
				line = lines[t][i]
			}
			switch other := bySlug[slug]; {
			case other == nil:
				f.wrong(line, "includes", "%s is not a task of this plan", slug)
			case other == t:
				f.wrong(line, "includes", "%s includes itself", slug)
			case other.Part != t.Part:
				f.wrong(line, "includes", "%s is done on %s, not on %s", slug, other.Part, t.Part)
			}
		}
	}
	f.circles(p.Tasks, bySlug)
}

// circles finds tasks that include each other in a ring, once a ring.
func (f *file) circles(tasks []*Task, bySlug map[string]*Task) {
	const open, closed = 1, 2
	state := map[*Task]int{}
	var path []string
	var visit func(t *Task)
	visit = func(t *Task) {
		state[t] = open
		path = append(path, t.Slug)
		for _, slug := range t.Includes {
			other := bySlug[slug]
			if other == nil || other == t {
				continue // said already
			}
			switch state[other] {
			case open:
				ring := append(slices.Clone(path[slices.Index(path, slug):]), slug)
				f.wrong(t.Line, "includes", "goes round in a circle: %s", chain(ring))
			case 0:
				visit(other)
			}
		}
		path = path[:len(path)-1]
		state[t] = closed
	}
	for _, t := range tasks {
		if state[t] == 0 && bySlug[t.Slug] == t {
			visit(t)
		}
	}
}

func chain(slugs []string) string {
	out := ""
	for i, slug := range slugs {
		if i > 0 {
			out += " → "
		}
		out += slug
	}
	return clipTo(out, 300)
}

func clipTo(text string, most int) string {
	if len(text) <= most {
		return text
	}
	return text[:most] + "…"
}
