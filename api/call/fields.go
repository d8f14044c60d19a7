package call

import (
	"encoding/json"
	"reflect"
	"slices"
	"strings"
	"sync"
)

// Sparse is which members of a document are wanted; nil for all.
type Sparse []string

// Fields reads the names of the members that are wanted of documents like of;
// id always is.
func (c *Call) Fields(of any, id string) Sparse {
	wanted := c.Query.Words("fields", membersOf(reflect.TypeOf(of))...)
	if wanted == nil || slices.Contains(wanted, id) {
		return wanted
	}
	return append(wanted, id)
}

var memberLists sync.Map // reflect.Type → []string

// membersOf lists the members that a document's JSON can have.
func membersOf(t reflect.Type) []string {
	if known, ok := memberLists.Load(t); ok {
		return known.([]string)
	}
	var names []string
	for i := range t.NumField() {
		f := t.Field(i)
		name, _, _ := strings.Cut(f.Tag.Get("json"), ",")
		switch {
		case f.Anonymous && name == "":
			names = append(names, membersOf(f.Type)...)
		case name != "" && name != "-":
			names = append(names, name)
		}
	}
	memberLists.Store(t, names)
	return names
}

// Of gives a document, or each of a list, with the wanted members alone. A member
// that a document does not have stays away.
func (w Sparse) Of(doc any) (any, error) {
	if w == nil {
		return doc, nil
	}
	text, err := json.Marshal(doc)
	if err != nil {
		return nil, err
	}
	return w.Cut(text)
}

// Cut gives a document that is JSON already with the wanted members alone.
func (w Sparse) Cut(text []byte) (any, error) {
	if len(text) > 0 && text[0] == '[' {
		var list []map[string]json.RawMessage
		if err := json.Unmarshal(text, &list); err != nil {
			return nil, err
		}
		for _, d := range list {
			w.thin(d)
		}
		return list, nil
	}
	var d map[string]json.RawMessage
	err := json.Unmarshal(text, &d)
	w.thin(d)
	return d, err
}

func (w Sparse) thin(d map[string]json.RawMessage) {
	for name := range d {
		if !slices.Contains(w, name) {
			delete(d, name)
		}
	}
}
