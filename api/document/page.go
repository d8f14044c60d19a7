package document

import (
	"bytes"
	_ "embed"
	"fmt"
	"html/template"
	"strings"
	"sync"

	"rigledger/api/call"

	"go.yaml.in/yaml/v3"
)

// The page /docs is the document itself in HTML, made once: nothing in it is
// written a second time, nothing is loaded from elsewhere, and it needs no script.

//go:embed docs.html
var pageTemplate string

//go:embed docs.css
var pageStyle []byte

const pageCSP = "default-src 'none'; style-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"

var pageHTML = sync.OnceValues(func() ([]byte, error) { return render(OpenAPI) })

// GetPage answers GET /docs.
func GetPage(c *call.Call) error {
	page, err := pageHTML()
	if err != nil {
		return err
	}
	c.SetHeader("Content-Security-Policy", pageCSP)
	return fixed(c, "text/html; charset=utf-8", page)
}

// GetStyle answers GET /docs.css.
func GetStyle(c *call.Call) error { return fixed(c, "text/css; charset=utf-8", pageStyle) }

// What the page shows.
type (
	pageDoc struct {
		Title, Version string
		About          []template.HTML
		Tags           []pageTag
		Schemas        []pageSchema
	}
	pageTag struct {
		Name, About string
		Operations  []pageOperation
	}
	pageOperation struct {
		ID, Method, Path, Summary, Roles string
		About                            []template.HTML
		Open                             bool // no token
		Parameters                       []pageField
		Bodies                           []pageBody
		Answers                          []pageAnswer
	}
	pageField struct {
		Name, Where, About string
		Must               bool
		Type               template.HTML
	}
	pageBody struct {
		Media, Example string
		Type           template.HTML
	}
	pageAnswer struct {
		Status, About string
		Bodies        []pageBody
	}
	pageSchema struct {
		Name, About string
		Type        template.HTML
		Fields      []pageField
	}
)

// reader reads the document's nodes; nil stands for what is not there.
type reader struct{ root *yaml.Node }

func render(text []byte) ([]byte, error) {
	var doc yaml.Node
	if err := yaml.Unmarshal(text, &doc); err != nil || len(doc.Content) == 0 {
		return nil, fmt.Errorf("reading the document for its page: %w", err)
	}
	d := reader{doc.Content[0]}
	page, err := template.New("docs").Parse(pageTemplate)
	if err != nil {
		return nil, fmt.Errorf("the page of the document: %w", err)
	}
	var out bytes.Buffer
	if err := page.Execute(&out, d.all()); err != nil {
		return nil, fmt.Errorf("the page of the document: %w", err)
	}
	return out.Bytes(), nil
}

// under walks down the names, through references.
func (d reader) under(n *yaml.Node, names ...string) *yaml.Node {
	n = d.follow(n)
	for _, name := range names {
		var next *yaml.Node
		d.each(n, func(key string, v *yaml.Node) {
			if key == name {
				next = v
			}
		})
		n = d.follow(next)
	}
	return n
}

func (d reader) each(n *yaml.Node, do func(key string, v *yaml.Node)) {
	if n == nil || n.Kind != yaml.MappingNode {
		return
	}
	for i := 0; i+1 < len(n.Content); i += 2 {
		do(n.Content[i].Value, n.Content[i+1])
	}
}

// ref is the reference that a node is, "" when it is none.
func (d reader) ref(n *yaml.Node) (to string) {
	d.each(n, func(key string, v *yaml.Node) {
		if key == "$ref" {
			to = v.Value
		}
	})
	return to
}

func (d reader) follow(n *yaml.Node) *yaml.Node {
	for range 8 { // a reference to a reference is rare, a ring is a mistake
		to := d.ref(n)
		path, ours := strings.CutPrefix(to, "#/")
		if !ours {
			return n
		}
		n = d.root
		for _, name := range strings.Split(path, "/") {
			var next *yaml.Node
			d.each(n, func(key string, v *yaml.Node) {
				if key == name {
					next = v
				}
			})
			n = next
		}
	}
	return n
}

func (d reader) text(n *yaml.Node, names ...string) string {
	if n = d.under(n, names...); n == nil || n.Kind != yaml.ScalarNode {
		return ""
	}
	return strings.TrimSpace(n.Value)
}

func (d reader) words(n *yaml.Node) (out []string) {
	if n != nil && n.Kind == yaml.SequenceNode {
		for _, c := range n.Content {
			out = append(out, c.Value)
		}
	}
	return out
}

func (d reader) all() pageDoc {
	page := pageDoc{Title: d.text(d.root, "info", "title"), Version: d.text(d.root, "info", "version"), About: paragraphs(d.text(d.root, "info", "description"))}
	at := map[string]int{}
	if tags := d.under(d.root, "tags"); tags != nil {
		for _, t := range tags.Content {
			at[d.text(t, "name")] = len(page.Tags)
			page.Tags = append(page.Tags, pageTag{Name: d.text(t, "name"), About: d.text(t, "description")})
		}
	}
	for _, part := range []string{"paths", "webhooks"} {
		d.each(d.under(d.root, part), func(path string, ops *yaml.Node) {
			shared := d.under(ops, "parameters")
			d.each(ops, func(method string, op *yaml.Node) {
				tag := d.words(d.under(op, "tags"))
				if method == "parameters" || op.Kind != yaml.MappingNode || d.under(op, "responses") == nil {
					return
				}
				name := "other"
				if len(tag) > 0 {
					name = tag[0]
				}
				if _, known := at[name]; !known {
					at[name] = len(page.Tags)
					page.Tags = append(page.Tags, pageTag{Name: name})
				}
				list := &page.Tags[at[name]].Operations
				*list = append(*list, d.operation(method, path, op, shared))
			})
		})
	}
	d.each(d.under(d.root, "components", "schemas"), func(name string, n *yaml.Node) {
		page.Schemas = append(page.Schemas, pageSchema{Name: name, About: d.text(n, "description"), Type: d.kind(n, 0), Fields: d.fields(n)})
	})
	return page
}

func (d reader) operation(method, path string, op, shared *yaml.Node) pageOperation {
	o := pageOperation{
		ID: d.text(op, "operationId"), Method: strings.ToUpper(method), Path: path, Summary: d.text(op, "summary"), About: paragraphs(d.text(op, "description")),
		Roles: strings.Join(d.words(d.under(op, "x-roles")), ", "),
	}
	if s := d.under(op, "security"); s != nil && len(s.Content) == 0 {
		o.Open = true
	}
	for _, list := range []*yaml.Node{shared, d.under(op, "parameters")} {
		if list == nil {
			continue
		}
		for _, p := range list.Content {
			o.Parameters = append(o.Parameters, pageField{
				Name: d.text(p, "name"), Where: d.text(p, "in"), About: d.text(p, "description"), Must: d.text(p, "required") == "true",
				Type: d.kind(d.member(p, "schema"), 0),
			})
		}
	}
	o.Bodies = d.bodies(d.under(op, "requestBody", "content"))
	d.each(d.under(op, "responses"), func(status string, a *yaml.Node) {
		o.Answers = append(o.Answers, pageAnswer{Status: status, About: d.text(a, "description"), Bodies: d.bodies(d.under(a, "content"))})
	})
	return o
}

// member is what a node, or what it refers to, has under a name, not followed further.
func (d reader) member(n *yaml.Node, name string) (v *yaml.Node) {
	d.each(d.follow(n), func(key string, m *yaml.Node) {
		if key == name {
			v = m
		}
	})
	return v
}

func (d reader) bodies(content *yaml.Node) (out []pageBody) {
	d.each(content, func(media string, m *yaml.Node) {
		b := pageBody{Media: media, Type: d.kind(d.member(m, "schema"), 0)}
		e := d.member(m, "example")
		if e == nil { // shared with other bodies
			e = d.under(m, "examples", "usual", "value")
		}
		if e != nil {
			if e.Kind == yaml.ScalarNode {
				b.Example = e.Value
			} else if text, err := yaml.Marshal(e); err == nil {
				b.Example = strings.TrimSpace(string(text))
			}
		}
		out = append(out, b)
	})
	return out
}

func (d reader) fields(n *yaml.Node) (out []pageField) {
	must := map[string]bool{}
	for _, name := range d.words(d.under(n, "required")) {
		must[name] = true
	}
	d.each(d.under(n, "properties"), func(name string, p *yaml.Node) {
		about := ""
		if d.ref(p) == "" {
			about = d.text(p, "description")
		}
		out = append(out, pageField{Name: name, Must: must[name], About: about, Type: d.kind(p, 0)})
	})
	return out
}

// kind says in a line what a schema is.
func (d reader) kind(n *yaml.Node, depth int) template.HTML {
	if n == nil || depth > 6 {
		return "anything"
	}
	if to := d.ref(n); to != "" {
		name := template.HTMLEscapeString(to[strings.LastIndexByte(to, '/')+1:])
		return template.HTML(`<a href="#schema-` + name + `">` + name + `</a>`) // #nosec: escaped above
	}
	for _, way := range [][2]string{{"oneOf", " or "}, {"anyOf", " or "}, {"allOf", " and "}} {
		if list := d.member(n, way[0]); list != nil && list.Kind == yaml.SequenceNode {
			var parts []string
			for _, c := range list.Content {
				parts = append(parts, string(d.kind(c, depth+1)))
			}
			return template.HTML(strings.Join(parts, way[1])) // #nosec: made of escaped parts
		}
	}
	esc := template.HTMLEscapeString
	what := "anything"
	switch t := d.member(n, "type"); {
	case t != nil && t.Kind == yaml.SequenceNode:
		what = esc(strings.Join(d.words(t), " or "))
	case t != nil:
		what = esc(t.Value)
	}
	switch what {
	case "array":
		what = "list of " + string(d.kind(d.member(n, "items"), depth+1))
	case "object":
		var inner []string
		for _, f := range d.fields(n) {
			mark := ""
			if f.Must {
				mark = "*"
			}
			inner = append(inner, esc(f.Name)+mark)
		}
		if depth > 0 && len(inner) > 0 {
			what = "object of " + strings.Join(inner, ", ")
		}
		if more := d.member(n, "additionalProperties"); more != nil && more.Kind == yaml.MappingNode {
			what = "object, by name: " + string(d.kind(more, depth+1))
		}
	}
	if c := d.member(n, "const"); c != nil {
		what += ": " + esc(c.Value)
	}
	if words := d.words(d.member(n, "enum")); len(words) > 0 {
		what += ": " + esc(strings.Join(words, ", "))
	}
	var bounds []string
	for _, b := range [][2]string{{"format", ""}, {"minimum", "≥ "}, {"exclusiveMinimum", "> "}, {"maximum", "≤ "}, {"minLength", "length ≥ "}, {"maxLength", "length ≤ "}, {"default", "default "}} {
		if v := d.text(n, b[0]); v != "" {
			bounds = append(bounds, esc(b[1]+v))
		}
	}
	if len(bounds) > 0 {
		what += " (" + strings.Join(bounds, ", ") + ")"
	}
	return template.HTML(what) // #nosec: made of escaped parts
}

// paragraphs are a description's, with its **strong** words and `code`.
func paragraphs(text string) (out []template.HTML) {
	for _, p := range strings.Split(text, "\n\n") {
		if p = strings.TrimSpace(p); p == "" {
			continue
		}
		p = pairs(template.HTMLEscapeString(p), "`", "code")
		out = append(out, template.HTML(pairs(p, "**", "strong"))) // #nosec: escaped above
	}
	return out
}

// pairs puts what stands between two marks into an element.
func pairs(text, mark, element string) string {
	parts := strings.Split(text, mark)
	if len(parts)%2 == 0 {
		return text // a mark too many: leave it as it is
	}
	var b strings.Builder
	for i, p := range parts {
		if i%2 == 1 {
			p = "<" + element + ">" + p + "</" + element + ">"
		}
		b.WriteString(p)
	}
	return b.String()
}
