package console

import (
	"bytes"
	"cmp"
	"encoding/json"
	"net/http"
	"net/url"
	"regexp"
	"slices"
	"strings"

	"golang.org/x/net/html"
)

// refused is a form that the API did not take, to be shown again as it was typed.
type refused struct {
	form   string
	status int
	whole  string // what was wrong with all of it
	typed  url.Values
	fields map[string]string // what was wrong, by field
	kept   map[string]string // names of the files that came with it and were kept, by hash
	again  bool              // it is not known whether it was carried out
}

// wrongField is one line of what was wrong: a field by its label, and where it is
// on the page, "" for what has no field there.
type wrongField struct{ ID, Label, Text string }

func (f *form) refuse(status int, whole string) *refused {
	if f.refused == nil {
		f.refused = &refused{form: f.typed.Get("is"), status: status, whole: whole, typed: f.typed, fields: map[string]string{}, kept: f.kept}
	}
	return f.refused
}

// explain turns the API's problem into what the form shows.
func (f *form) explain(back map[string]string) {
	var p struct {
		Title, Detail string
		Errors        []struct{ Pointer, Parameter, Detail string }
	}
	if err := json.Unmarshal(f.reply.body.Bytes(), &p); err != nil || p.Title == "" {
		p.Title = word("The service did not answer as it should.")
	}
	whole := p.Title
	switch {
	case f.reply.status == http.StatusPreconditionFailed:
		whole = word("Somebody changed this meanwhile. What you typed is still here; look at what is new and send it again.")
	case len(p.Errors) > 0 && f.reply.status == http.StatusUnprocessableEntity:
		whole = word("Nothing was written yet. Look at this and send it again.")
	case p.Detail != "" && !strings.EqualFold(p.Detail, p.Title):
		whole += ": " + p.Detail
	}
	r := f.refuse(f.reply.status, whole)
	r.again = f.reply.status >= 500
	for _, e := range p.Errors {
		field, ok := fieldOf(back, e.Pointer)
		if !ok {
			field = "b:" + cmp.Or(e.Pointer, "/"+e.Parameter) // a box that was not ticked is not sent
		}
		if r.fields[field] != "" {
			r.fields[field] += "; "
		}
		r.fields[field] += e.Detail
	}
}

// leftEmpty adds the fields that nobody filled in: what is missing is said there.
// Rows are left out, since those that were not filled in are not sent.
func leftEmpty(typed url.Values, back map[string]string) {
	for name := range typed {
		if len(name) < 4 || name[1] != ':' || name[2] != '/' || inRow.MatchString(name) {
			continue
		}
		if pointer := name[2:]; back[pointer] == "" {
			back[pointer] = name
		}
	}
}

var inRow = regexp.MustCompile(`/(\d+|-)(/|$)`)

// fieldOf finds the field at a pointer, or at what holds it.
func fieldOf(back map[string]string, pointer string) (string, bool) {
	for at := pointer; at != ""; at = at[:strings.LastIndexByte(at, '/')] {
		if field, ok := back[at]; ok {
			return field, true
		}
	}
	return "", false
}

// control is a field of a form as the page has it.
type control struct{ name, id, label string }

// look finds the refused form on its page and says what was wrong in the page's
// own words: each field by its label and in the page's order, and in messages the
// labels of fields in place of the pointers that programs know them by.
func (r *refused) look(page []byte) (wrongs []wrongField) {
	controls := controlsOf(page, r.form)
	said := map[string]bool{}
	for _, c := range controls {
		text := r.fields[c.name]
		if text == "" || said[c.name] {
			continue
		}
		said[c.name] = true
		if text == r.whole {
			r.whole = word("Nothing was written yet. Look at this and send it again.")
		}
		r.fields[c.name] = inLabels(text, controls)
		wrongs = append(wrongs, wrongField{c.id, c.label, r.fields[c.name]})
	}
	rest := []wrongField{}
	for name, text := range r.fields {
		if said[name] || len(name) < 3 {
			continue
		}
		one := wrongField{Label: labelAt(name[2:], controls), Text: inLabels(text, controls)}
		if i := slices.IndexFunc(controls, func(c control) bool { return strings.HasPrefix(c.name[2:], name[2:]+"/") }); i >= 0 {
			one = wrongField{controls[i].id, controls[i].label, word("Begin here: nothing is filled in yet.")}
		}
		rest = append(rest, one)
	}
	slices.SortFunc(rest, func(a, b wrongField) int { return cmp.Compare(a.Label, b.Label) })
	r.whole = inLabels(r.whole, controls)
	return append(wrongs, rest...)
}

// pointerIn finds JSON pointers in a sentence.
var pointerIn = regexp.MustCompile(`(^|[\s("])((?:/[a-z0-9][A-Za-z0-9_~-]*)+)`)

// inLabels writes a message with the labels of fields in place of pointers.
func inLabels(text string, controls []control) string {
	return pointerIn.ReplaceAllStringFunc(text, func(found string) string {
		at := strings.IndexByte(found, '/')
		if strings.HasPrefix(found[at:], "/v1/") {
			return found
		}
		return found[:at] + "“" + labelAt(found[at:], controls) + "”"
	})
}

// labelAt is the label of the field at a pointer, or of those below it; where
// there is none, the last name in the pointer in plain words.
func labelAt(pointer string, controls []control) string {
	var below []string
	for _, c := range controls {
		switch at := c.name[2:]; {
		case at == pointer && c.label != "":
			return c.label
		case strings.HasPrefix(at, pointer+"/") && c.label != "" && !slices.Contains(below, c.label):
			below = append(below, c.label)
		}
	}
	if len(below) > 0 && len(below) < 4 {
		return strings.Join(below, "”, “")
	}
	steps := strings.Split(pointer, "/")
	for _, step := range slices.Backward(steps) {
		if strings.Trim(step, "0123456789-") != "" {
			return strings.NewReplacer("_", " ", "-", " ", "~1", "/", "~0", "~").Replace(step)
		}
	}
	return word("the form")
}

// controlsOf lists the fields that people see in a form of a page.
func controlsOf(page []byte, name string) (controls []control) {
	doc, err := html.Parse(bytes.NewReader(page))
	if err != nil {
		return nil
	}
	var form *html.Node
	labels := map[string]string{}
	for n := range doc.Descendants() {
		switch {
		case n.Type != html.ElementNode:
		case n.Data == "form" && attributeOf(n, "data-form") == name:
			form = n
		case n.Data == "label" && attributeOf(n, "for") != "":
			labels[attributeOf(n, "for")] = textIn(n)
		}
	}
	if form == nil {
		return nil
	}
	for n := range form.Descendants() {
		if n.Type != html.ElementNode || !slices.Contains([]string{"input", "select", "textarea"}, n.Data) || attributeOf(n, "type") == "hidden" {
			continue
		}
		c := control{name: attributeOf(n, "name"), id: attributeOf(n, "id")}
		if len(c.name) < 4 || c.name[1] != ':' {
			continue
		}
		if c.label = cmp.Or(labels[c.id], attributeOf(n, "aria-label")); c.label == "" {
			for up := n.Parent; up != nil && up != form; up = up.Parent {
				if up.Data == "label" {
					c.label = textIn(up)
				}
			}
		}
		controls = append(controls, c)
	}
	return controls
}

func attributeOf(n *html.Node, name string) string {
	for _, a := range n.Attr {
		if a.Key == name {
			return a.Val
		}
	}
	return ""
}

// textIn is the text of a label without its unit.
func textIn(n *html.Node) string {
	var b strings.Builder
	var into func(n *html.Node)
	into = func(n *html.Node) {
		if n.Type == html.TextNode {
			b.WriteString(n.Data + " ")
		}
		if attributeOf(n, "class") == "unit" {
			return
		}
		for c := range n.ChildNodes() {
			into(c)
		}
	}
	into(n)
	return strings.Join(strings.Fields(b.String()), " ")
}

// shown puts a refusal that was kept for this page into the visit, and takes its
// mark out of the address.
func (v *visit) shown() {
	id := v.query(refusedMark)
	if id == "" {
		return
	}
	at := *v.r.URL
	q := at.Query()
	q.Del(refusedMark)
	at.RawQuery = q.Encode()
	moved := v.r.Clone(v.r.Context())
	moved.URL = &at
	v.r = moved
	if v.refused = v.refusals.take(id, v.token, at.Path); v.refused == nil {
		v.refused = &refused{status: http.StatusOK, whole: word("Nothing of this form was written. What was wrong with it is shown only once: fill it in and send it again.")}
	}
}

// refusedMark is what an address has while it shows a refused form.
const refusedMark = "refused"

// goBack leads the browser from a refused form to the page that shows it, so that
// no step back in the browser meets a form that was sent.
func (f *form) goBack(p page) {
	r := f.refused
	id, ok := f.refusals.keep(r, f.token, f.r.URL.Path, f.now)
	if !ok {
		f.visit.refused = r
		f.serve(p)
		return
	}
	at := url.URL{Path: f.r.URL.Path, RawPath: f.r.URL.RawPath}
	q := f.r.URL.Query()
	q.Set(refusedMark, id)
	at.RawQuery, at.Fragment = q.Encode(), "wrong"
	http.Redirect(f.w, f.r, at.String(), http.StatusSeeOther)
}
