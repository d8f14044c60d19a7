package console

import (
	"cmp"
	"fmt"
	"html/template"
	"strings"

	"rigledger/fleet"
)

// A form's fields are named by what they become in the request's body: a letter
// for the type, a colon, and the JSON pointer (RFC 6901).
//
//	s  text             n  number (number.go)
//	b  yes or no        d  calendar date
//	t  time, local      l  a list, one line each
//	f  a file           h  goes with others: alone it says nothing
//	m  many numbers     q  a number that keeps its place in a row: null where open
const fieldTypes = "snbdtlfhmq"

// field is one input as the part "in" shows it.
type field struct {
	ID, Name, Kind, Label string
	Hint, Unit            string
	Value                 string
	Checked               bool
	Required, Autofocus   bool
	Min, Max, Step, Rows  string
	Options               []option
	Wrong                 string
	Kept                  []option          // files that were kept before a refusal
	More                  map[string]string // further attributes, data-… and list only
}

type option struct{ Value, Label string }

// optionsOf makes options of values and labels in turn.
func optionsOf(of ...string) []option {
	var all []option
	for i := 0; i+1 < len(of); i += 2 {
		all = append(all, option{of[i], of[i+1]})
	}
	return all
}

// newField makes an input of a form: its form's name, the field's name, its kind
// (text, number, date, moment, area, lines, check, choice, file, hidden), its
// label, and then further settings by name and value: value, hint, unit,
// required, autofocus, checked, min, max, step, rows, options, or data-….
// What was typed before a refusal stays.
func newField(f frame, form, name, kind, label string, more ...any) (field, error) {
	if len(name) < 4 || name[1] != ':' || name[2] != '/' || !strings.ContainsRune(fieldTypes, rune(name[0])) {
		return field{}, fmt.Errorf("%q does not name a field", name)
	}
	in := field{ID: form + "-" + strings.NewReplacer(":", "", "/", "-").Replace(name), Name: name, Kind: kind, Label: label, More: map[string]string{}}
	for i := 0; i+1 < len(more); i += 2 {
		set, _ := more[i].(string)
		switch v := more[i+1].(type) {
		case []option:
			in.Options = v
		case bool:
			switch set {
			case "required":
				in.Required = v
			case "autofocus":
				in.Autofocus = v
			case "checked":
				in.Checked = v
			default:
				return field{}, fmt.Errorf("%q is no yes or no of a field", set)
			}
		default:
			if err := in.set(set, fmt.Sprint(v)); err != nil {
				return field{}, err
			}
		}
	}
	if name[0] == 'n' {
		in.Value = ownNumber(in.Value)
	}
	if kind == "file" && in.Hint == "" {
		in.Hint = word("JPEG, PNG or PDF.")
	}
	if r := f.Refused; r != nil && r.form == form {
		in.Value = r.typed.Get(name)
		in.Checked = in.Value != ""
		in.Wrong = r.fields[name]
		if kind == "file" {
			for _, hash := range r.typed[name] {
				in.Kept = append(in.Kept, option{hash, cmp.Or(r.kept[hash], hash[:12])})
			}
		}
	}
	return in, nil
}

func (in *field) set(name, v string) error {
	switch name {
	case "value":
		in.Value = v
	case "hint":
		in.Hint = v
	case "unit":
		in.Unit = v
	case "min":
		in.Min = v
	case "max":
		in.Max = v
	case "step":
		in.Step = v
	case "rows":
		in.Rows = v
	default:
		if name != "list" && !strings.HasPrefix(name, "data-") {
			return fmt.Errorf("%q is no setting of a field", name)
		}
		in.More[name] = v
	}
	return nil
}

// openForm begins a form that writes: its name on the page, the request's path
// under /v1, and then by name and value: method (POST when not said; with PATCH a text
// or a date that was emptied is sent empty), then (where to
// go after), undo (path of a request that takes it back; {ref} is the id of what
// was made), undo-why (the reason field's pointer in it), undo-with (its other
// fields, as a query), said (what to say),
// match (for If-Match), show ("answer" to show the answer on the page itself,
// for secrets that are shown once).
func openForm(f frame, form, path string, more ...string) (template.HTML, error) {
	if !strings.HasPrefix(path, "/v1/") {
		return "", fmt.Errorf("a form writes under /v1, not to %q", path)
	}
	var b strings.Builder
	hidden := func(name, value string) {
		fmt.Fprintf(&b, `<input type="hidden" name="%s" value="%s">`, name, template.HTMLEscapeString(value))
	}
	mark, once := "", fleet.Secret()
	if f.Refused != nil && f.Refused.form == form {
		mark = " data-refused"
		if f.Refused.again {
			once = f.Refused.typed.Get("once") // it may have been carried out: the same key finds out
		}
	}
	fmt.Fprintf(&b, `<form method="post" action="%s" id="form-%s" data-form="%s"%s enctype="multipart/form-data">`,
		template.HTMLEscapeString(f.Address), template.HTMLEscapeString(form), template.HTMLEscapeString(form), mark)
	hidden("form", f.Form)
	hidden("is", form)
	hidden("do", path)
	hidden("once", once)
	hidden(writesField, "") // the script says it
	for i := 0; i+1 < len(more); i += 2 {
		switch more[i] {
		case "method", "then", "undo", "undo-why", "undo-with", "said", "match", "show":
			hidden(more[i], more[i+1])
		default:
			return "", fmt.Errorf("%q is no setting of a form", more[i])
		}
	}
	return template.HTML(b.String()), nil
}

// attribute writes one of a field's further attributes; set has let only list
// and data-… names in, and those come from our own templates.
func attribute(name, value string) template.HTMLAttr {
	return template.HTMLAttr(" " + name + `="` + template.HTMLEscapeString(value) + `"`)
}
