package console

import (
	"encoding/json"
	"net/url"
	"regexp"
	"sort"
	"strconv"
	"strings"
	"time"
	"unicode"
)

// sheet turns the fields of a form (field.go) into the JSON body of a request.
// Empty fields are left out, and so are rows that nobody filled in; unless the
// sheet amends what is there: then a text or a date that was emptied is sent empty.
type sheet struct {
	zone   *time.Location
	writes writing // how the reader's browser writes numbers
	amend  bool
	root   *knot
	wrong  map[string]string // what cannot be read, by field
}

// knot is an object, an array or a value of the body under way.
type knot struct {
	under map[string]*knot
	value any
	field string
	faint bool // it only goes with others
	hold  bool // a row that keeps its place though nobody filled it in
}

func newSheet(zone *time.Location) *sheet {
	return &sheet{zone: zone, root: &knot{}, wrong: map[string]string{}}
}

// keptHash is the hash of a file that is on record (fleet.FileHash).
var keptHash = regexp.MustCompile(`^[0-9a-f]{64}$`)

// deepest bounds a pointer's steps.
const deepest = 8

// take takes all of a form.
func (s *sheet) take(typed url.Values) {
	s.writes = writingOf(typed.Get(writesField))
	for name, values := range typed {
		s.put(name, values)
	}
}

// put takes the values of a field. Names that are no fields are not for the body.
func (s *sheet) put(name string, values []string) {
	if len(name) < 4 || name[1] != ':' || name[2] != '/' || len(values) == 0 {
		return
	}
	text := strings.TrimSpace(values[len(values)-1])
	switch name[0] {
	case 'q':
		s.hold(name)
	case 'f': // kept before a refusal
		for _, hash := range values {
			if keptHash.MatchString(hash) {
				s.file(name, hash)
			}
		}
		return
	}
	if text == "" {
		switch {
		case !s.amend:
		case name[0] == 's' || name[0] == 'd':
			s.set(name, "")
		case name[0] == 'n':
			s.wrong[name] = word("This cannot be left empty.")
		}
		return
	}
	var value any = text
	switch name[0] {
	case 's', 'd', 'h':
	case 'n', 'q':
		number, wrong := numberTyped(text, s.writes, name[0] == 'q')
		if wrong != "" {
			s.wrong[name] = wrong
			return
		}
		value = number
	case 'm':
		list := []json.Number{}
		for _, one := range strings.FieldsFunc(strings.ReplaceAll(text, ", ", " "), func(r rune) bool { return r == ';' || unicode.IsSpace(r) }) {
			number, wrong := numberTyped(one, s.writes, true)
			if wrong != "" {
				s.wrong[name] = word("Something in this row is not a number.")
				return
			}
			list = append(list, number)
		}
		value = list
	case 'b':
		value = text == "true" || text == "on"
	case 't':
		at, err := time.ParseInLocation("2006-01-02T15:04", text, s.zone)
		if err != nil {
			at, err = time.ParseInLocation("2006-01-02T15:04:05", text, s.zone)
		}
		if err != nil {
			s.wrong[name] = word("This is not a date and time.")
			return
		}
		value = at.UTC().Format(time.RFC3339)
	case 'l':
		lines := []string{}
		for _, line := range strings.Split(text, "\n") {
			if line = strings.TrimSpace(line); line != "" {
				lines = append(lines, line)
			}
		}
		value = lines
	default:
		return
	}
	s.set(name, value)
}

// hold keeps the place of a row of single numbers that nobody filled in.
func (s *sheet) hold(name string) {
	if steps := strings.Split(name[3:], "/"); len(steps) <= deepest {
		k := s.root.at(steps)
		k.hold, k.field = true, name
	}
}

// file puts the hash of a kept file where its field says; under a pointer that
// ends in - (RFC 6901: past the end) each goes behind the one before.
func (s *sheet) file(name, hash string) {
	if at, ok := strings.CutSuffix(name, "/-"); ok {
		k := s.root.at(strings.Split(at[3:], "/"))
		n := len(k.under)
		name = at + "/" + strconv.Itoa(n)
	}
	s.set(name, hash)
}

func (s *sheet) set(name string, value any) {
	steps := strings.Split(name[3:], "/")
	if len(steps) > deepest {
		return
	}
	k := s.root.at(steps)
	k.value, k.field, k.faint = value, name, name[0] == 'h'
}

func (k *knot) at(steps []string) *knot {
	for _, step := range steps {
		if k.under == nil {
			k.under = map[string]*knot{}
		}
		if k.under[step] == nil {
			k.under[step] = &knot{}
		}
		k = k.under[step]
	}
	return k
}

// body gives the JSON, and of each pointer in it the field that it came from:
// rows that were left out make the two differ.
func (s *sheet) body() (text []byte, back map[string]string) {
	back = map[string]string{}
	doc, _ := s.root.build("", back)
	if doc == nil {
		doc = map[string]any{}
	}
	text, err := json.Marshal(doc)
	if err != nil {
		return []byte("{}"), back // values are text, numbers, truths and lists of text
	}
	return text, back
}

// build makes a value; full is whether somebody filled anything in.
func (k *knot) build(pointer string, back map[string]string) (value any, full bool) {
	if k.under == nil {
		if k.value != nil {
			back[pointer] = k.field
		}
		return k.value, k.value != nil && !k.faint
	}
	if rows, ok := k.rows(); ok {
		list := []any{}
		for _, row := range rows {
			at := pointer + "/" + strconv.Itoa(len(list))
			one, some := row.build(at, back)
			if row.hold && !some {
				back[at] = row.field
				list = append(list, nil)
				continue
			}
			if !some {
				for p := range back {
					if p == at || strings.HasPrefix(p, at+"/") {
						delete(back, p)
					}
				}
				continue
			}
			list, full = append(list, one), true
		}
		if !full {
			for p := range back {
				if strings.HasPrefix(p, pointer+"/") {
					delete(back, p)
				}
			}
			return nil, false
		}
		return list, true
	}
	object := map[string]any{}
	for name, under := range k.under {
		one, some := under.build(pointer+"/"+name, back)
		if one != nil {
			object[strings.NewReplacer("~1", "/", "~0", "~").Replace(name)] = one
		}
		full = full || some
	}
	if len(object) == 0 {
		return nil, false
	}
	if !full && pointer != "" {
		return nil, false
	}
	return object, full
}

// rows gives the members of an array in order; an object has other names.
func (k *knot) rows() ([]*knot, bool) {
	type row struct {
		n  int
		of *knot
	}
	var all []row
	for name, under := range k.under {
		n, err := strconv.Atoi(name)
		if err != nil || n < 0 || strconv.Itoa(n) != name {
			return nil, false
		}
		all = append(all, row{n, under})
	}
	sort.Slice(all, func(i, j int) bool { return all[i].n < all[j].n })
	rows := make([]*knot, len(all))
	for i, r := range all {
		rows[i] = r.of
	}
	return rows, true
}
