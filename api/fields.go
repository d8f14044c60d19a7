package api

import (
	"encoding/json"
	"reflect"
	"slices"
	"strings"
	"sync"
)

// sparse is which members of a document are wanted; nil for all.
type sparse []string

// fields reads the names of the members that are wanted of documents like of;
// id always is.
func (c *call) fields(of any, id string) sparse {
	wanted := c.Query.words("fields", membersOf(reflect.TypeOf(of))...)
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

// of gives a document, or each of a list, with the wanted members alone. A member
// that a document does not have stays away.
func (w sparse) of(doc any) (any, error) {
	if w == nil {
		return doc, nil
	}
	text, err := json.Marshal(doc)
	if err != nil {
		return nil, err
	}
	return w.cut(text)
}

func (w sparse) cut(text []byte) (any, error) {
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

func (w sparse) thin(d map[string]json.RawMessage) {
	for name := range d {
		if !slices.Contains(w, name) {
			delete(d, name)
		}
	}
}
