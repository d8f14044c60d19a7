package console

import (
	"encoding/json"
	"errors"
	"net/http"
	"net/url"
	"strings"

	"rigledger/fleet"
	"rigledger/fleet/testbay"
)

// worked is a form of the test bay as it is being filled in: its body, and what
// cannot be read or cannot be. The same commands that put it on record work it
// out; only nothing is written.
type worked struct {
	body  []byte
	back  map[string]string // of a pointer, the field that it came from
	typed url.Values
	Wrong map[string]string // by field
}

// workedOf reads a form.
func (v *visit) workedOf(typed url.Values) *worked {
	body := newSheet(v.zone)
	body.take(typed)
	w := &worked{typed: typed, Wrong: body.wrong}
	w.body, w.back = body.body()
	return w
}

// into reads the body as a command's.
func (w *worked) into(cmd any) {
	var kind *json.UnmarshalTypeError
	if err := json.Unmarshal(w.body, cmd); errors.As(err, &kind) {
		if field, ok := fieldOf(w.back, "/"+strings.ReplaceAll(kind.Field, ".", "/")); ok {
			w.Wrong[field] = word("This cannot be taken here.")
		}
	}
}

// fault files what is wrong at a pointer under its field; false if nothing was
// typed there, so that it is only still missing.
func (w *worked) fault(pointer, message string) bool {
	field, ok := fieldOf(w.back, pointer)
	if !ok || strings.TrimSpace(w.typed.Get(field)) == "" {
		return false
	}
	if w.Wrong[field] == "" {
		w.Wrong[field] = message
	}
	return true
}

// faultsOf gives the fields of a refusal.
func faultsOf(err error) []fleet.FieldError {
	var known *fleet.Error
	if errors.As(err, &known) {
		return known.Fields
	}
	var several testbay.InputErrors
	var one *testbay.InputError
	switch {
	case errors.As(err, &several):
	case errors.As(err, &one):
		several = testbay.InputErrors{one}
	}
	out := make([]fleet.FieldError, 0, len(several))
	for _, in := range several {
		out = append(out, fleet.FieldError{Field: fleet.PointerOf("", in.Field), Message: in.Reason})
	}
	return out
}

// fieldID is the id that a field of a form has on the page (newField).
func fieldID(form, name string) string {
	return form + "-" + strings.NewReplacer(":", "", "/", "-").Replace(name)
}

// wrongAt is a message for the field with an id.
type wrongAt struct{ ID, Text string }

// Wrongs lists the messages of a form by the ids of its fields.
func (w *worked) wrongs(form string) []wrongAt {
	var out []wrongAt
	for name, text := range w.Wrong {
		out = append(out, wrongAt{fieldID(form, name), text})
	}
	return out
}

// partHeader asks for a part of a page only.
const partHeader = "Rigledger-Part"

// compute works out a form of the test bay while it is filled in, and writes
// nothing. To the page's script it answers the parts that change; without
// script it answers the whole page with what was typed.
func (c *Console) compute(w http.ResponseWriter, r *http.Request) {
	r.Body = http.MaxBytesReader(w, r.Body, formMost)
	v := c.enter(w, r, page{path: "/bay/compute"})
	if v == nil {
		return
	}
	if !c.ours(r, sessionCookie) {
		v.sorry(http.StatusForbidden, word("Please try again"), word("The form was too large, or did not come from this page. Nothing was written."))
		return
	}
	if r.MultipartForm != nil {
		defer func() { _ = r.MultipartForm.RemoveAll() }()
	}
	typed := r.PostForm
	at, err := url.Parse(typed.Get("page"))
	if err != nil || !localPath(typed.Get("page")) {
		at = &url.URL{Path: "/bay"}
	}
	moved := r.Clone(r.Context())
	moved.URL = at
	moved.SetPathValue("rig", typed.Get("h:/rig"))
	v.r = moved
	v.refused = &refused{form: typed.Get("is"), status: http.StatusOK, typed: typed, fields: map[string]string{}}
	show, known := workedPages[v.refused.form]
	if !known {
		if show = showCalculators; !strings.HasPrefix(v.refused.form, calculatorForm) {
			v.sorry(http.StatusNotFound, word("Not found"), word("There is no such form."))
			return
		}
	}
	v.part = r.Header.Get(partHeader) == "worked"
	v.serve(page{path: "/bay/compute", show: show})
}

// workedPages are the pages whose forms are worked out while they are filled in.
var workedPages = map[string]func(v *visit) error{"calibration": showCalibrationForm, "inspection": showInspectionForm, "retest": showInspectionForm}

// showWorked answers with the page, or with its parts that follow the typing.
func (v *visit) showWorked(file, part, title string, d any) error {
	if !v.part {
		return v.show(file, title, "/bay", d)
	}
	return v.write(part, http.StatusOK, v.frame(title, "/bay", d))
}

// typedInto is the form's own fields as they were sent, nil when the page is new.
func (v *visit) typedInto(form string) url.Values {
	if v.refused != nil && v.refused.form == form {
		return v.refused.typed
	}
	return nil
}
