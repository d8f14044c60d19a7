package call

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"mime"
	"net/http"
	"reflect"
	"strconv"
	"strings"
	"time"

	"rigledger/fleet"
)

// maxDepth bounds how deep a body may be nested; ours need four.
const maxDepth = 16

// ReadBody reads the body once, whatever it is.
func (c *Call) ReadBody() ([]byte, error) {
	if c.raw != nil || c.Request.Body == nil {
		return c.raw, nil
	}
	if err := c.plain(); err != nil {
		return nil, err
	}
	raw, err := io.ReadAll(c.Request.Body)
	if err != nil {
		return nil, bodyProblem(err)
	}
	c.raw = raw
	return raw, nil
}

// plain refuses a body that is compressed or coded otherwise, and says what is
// taken (RFC 9110, section 15.5.16).
func (c *Call) plain() error {
	for _, sent := range c.Request.Header.Values("Content-Encoding") {
		for coding := range strings.SplitSeq(sent, ",") {
			if coding = strings.TrimSpace(coding); coding != "" && !strings.EqualFold(coding, "identity") {
				c.SetHeader("Accept-Encoding", "identity")
				return &Problem{Kind: MediaType, Detail: "send the body as it is, without Content-Encoding"}
			}
		}
	}
	return nil
}

// bodyProblem says why a body was not received.
func bodyProblem(err error) error {
	var large *http.MaxBytesError
	if errors.As(err, &large) {
		return &Problem{Kind: TooLarge, Detail: fmt.Sprintf("a body has at most %d bytes", large.Limit)}
	}
	return &Problem{Kind: BadRequest, Detail: "the body broke off"}
}

// MediaType is that of the body, without parameters; "" where none is named.
func (c *Call) MediaType() string {
	t, _, err := mime.ParseMediaType(c.Request.Header.Get("Content-Type"))
	if err != nil {
		return ""
	}
	return t
}

// Body reads JSON into a struct or slice: unknown, repeated, null and mistyped
// fields are refused, all of them at once and by name.
func (c *Call) Body(into any) error {
	raw, err := c.ReadBody()
	if err != nil {
		return err
	}
	if t := c.MediaType(); t != "application/json" {
		return &Problem{Kind: MediaType, Detail: "send Content-Type: application/json"}
	}
	err = decode(raw, into)
	var p *Problem
	if cmd, ok := into.(fleet.Command); ok && errors.As(err, &p) && p.Kind == Invalid {
		p.Fields = append(p.Fields, c.alsoWrong(cmd, raw, p.Fields)...)
	}
	return err
}

// BodyOrNone is body for routes whose body may be left out.
func (c *Call) BodyOrNone(into any) error {
	raw, err := c.ReadBody()
	if err != nil || len(raw) == 0 {
		return err
	}
	return c.Body(into)
}

func decode(raw []byte, into any) error {
	d := json.NewDecoder(bytes.NewReader(raw))
	d.UseNumber()
	s := strict{d: d}
	if err := s.value(reflect.TypeOf(into).Elem(), "", 0); err != nil {
		return &Problem{Kind: BadJSON, Detail: whatIsWrong(err)}
	}
	if _, err := d.Token(); err != io.EOF {
		return &Problem{Kind: BadJSON, Detail: "something follows the JSON value"}
	}
	if len(s.bad) > 0 {
		return &Problem{Kind: Invalid, Detail: "the body does not hold together", Fields: s.bad}
	}
	if err := json.Unmarshal(raw, into); err != nil {
		return &Problem{Kind: BadJSON, Detail: "the body cannot be read", Cause: err}
	}
	return nil
}

func whatIsWrong(err error) string {
	var syntax *json.SyntaxError
	switch {
	case errors.As(err, &syntax):
		return fmt.Sprintf("not JSON at byte %d", syntax.Offset)
	case errors.Is(err, io.EOF), errors.Is(err, io.ErrUnexpectedEOF):
		return "the JSON ends too early"
	}
	return err.Error()
}

// strict walks a body beside the type it is for.
type strict struct {
	d    *json.Decoder
	bad  []FieldProblem
	null bool // the next value may be null: an entry of a list of pointers
}

// BadMost is how many wrong fields are listed.
const BadMost = 100

func (s *strict) fail(at, format string, args ...any) {
	if len(s.bad) < BadMost {
		s.bad = append(s.bad, FieldProblem{Pointer: at, Detail: fmt.Sprintf(format, args...)})
	}
}

var (
	timeType = reflect.TypeFor[time.Time]()
	rawType  = reflect.TypeFor[json.RawMessage]() // any value: who takes it looks at it
)

// value reads the next value. t nil: any value, its field was refused already.
// An error means that the text is not JSON.
func (s *strict) value(t reflect.Type, at string, depth int) error {
	if depth > maxDepth {
		return fmt.Errorf("the JSON is nested deeper than %d", maxDepth)
	}
	token, err := s.d.Token()
	if err != nil {
		return err
	}
	null := s.null
	s.null = false
	if t != nil && t.Kind() == reflect.Pointer {
		t = t.Elem()
	}
	if t == rawType {
		t = nil
	}
	switch v := token.(type) {
	case json.Delim:
		if v == '[' {
			return s.array(t, at, depth)
		}
		return s.object(t, at, depth)
	case nil:
		if t != nil && !null {
			s.fail(at, "must not be null; leave it out")
		}
	case string:
		switch {
		case t == nil:
		case t == timeType:
			if _, err := ParseTime(v); err != nil {
				s.fail(at, "must be a time like 2026-05-04T09:31:12Z")
			}
		case t.Kind() != reflect.String:
			s.fail(at, "must be %s", wanted(t))
		}
	case bool:
		if t != nil && t.Kind() != reflect.Bool {
			s.fail(at, "must be %s", wanted(t))
		}
	case json.Number:
		s.number(t, at, v)
	}
	return nil
}

func (s *strict) number(t reflect.Type, at string, v json.Number) {
	switch {
	case t == nil:
	case t.Kind() == reflect.Float64:
		if _, err := v.Float64(); err != nil {
			s.fail(at, "is too large a number")
		}
	case t.Kind() == reflect.Int:
		if _, err := strconv.Atoi(v.String()); err != nil {
			s.fail(at, "must be a whole number")
		}
	default:
		s.fail(at, "must be %s", wanted(t))
	}
}

func (s *strict) array(t reflect.Type, at string, depth int) error {
	var of reflect.Type
	if t != nil {
		if t.Kind() == reflect.Slice {
			of = t.Elem()
		} else {
			s.fail(at, "must be %s", wanted(t))
		}
	}
	for i := 0; s.d.More(); i++ {
		s.null = of != nil && of.Kind() == reflect.Pointer
		if err := s.value(of, at+"/"+strconv.Itoa(i), depth+1); err != nil {
			return err
		}
	}
	_, err := s.d.Token()
	return err
}

func (s *strict) object(t reflect.Type, at string, depth int) error {
	var fields map[string]reflect.Type
	free := false // a map: any name
	if t != nil {
		switch {
		case t.Kind() == reflect.Struct && t != timeType:
			fields = fieldsOf(t)
		case t.Kind() == reflect.Map:
			free = true
		default:
			s.fail(at, "must be %s", wanted(t))
			t = nil
		}
	}
	seen := map[string]bool{}
	for s.d.More() {
		token, err := s.d.Token()
		if err != nil {
			return err
		}
		name, _ := token.(string)
		here := at + "/" + pointerEscape(name)
		var of reflect.Type
		switch {
		case t == nil:
		case seen[name]:
			s.fail(here, "is given twice")
		case free:
			of = t.Elem()
		default:
			known := false
			if of, known = fields[name]; !known {
				s.fail(here, "is not a field known here")
			}
		}
		seen[name] = true
		if err := s.value(of, here, depth+1); err != nil {
			return err
		}
	}
	if t != nil && !free {
		for _, name := range mustBe(t) {
			if !seen[name] {
				s.fail(at+"/"+name, "is missing")
			}
		}
	}
	_, err := s.d.Token()
	return err
}

// mustBe lists the fields of a struct that are tagged must:"be": numbers for
// which nothing is not nought.
func mustBe(t reflect.Type) (names []string) {
	for i := range t.NumField() {
		if f := t.Field(i); f.Tag.Get("must") == "be" {
			name, _, _ := strings.Cut(f.Tag.Get("json"), ",")
			names = append(names, name)
		}
	}
	return names
}

// fieldsOf gives a struct's fields by their JSON names, embedded ones included.
func fieldsOf(t reflect.Type) map[string]reflect.Type {
	fields := map[string]reflect.Type{}
	for i := range t.NumField() {
		f := t.Field(i)
		name, _, _ := strings.Cut(f.Tag.Get("json"), ",")
		switch {
		case f.Anonymous && name == "":
			for n, of := range fieldsOf(f.Type) {
				fields[n] = of
			}
		case f.IsExported() && name != "-" && name != "":
			fields[name] = f.Type
		}
	}
	return fields
}

func wanted(t reflect.Type) string {
	switch t.Kind() {
	case reflect.String:
		return "text"
	case reflect.Bool:
		return "true or false"
	case reflect.Int:
		return "a whole number"
	case reflect.Float64:
		return "a number"
	case reflect.Slice:
		return "a list"
	}
	if t == timeType {
		return "a time like 2026-05-04T09:31:12Z"
	}
	return "an object"
}

var pointerEscapes = strings.NewReplacer("~", "~0", "/", "~1")

func pointerEscape(name string) string { return pointerEscapes.Replace(Clip(name, 80)) }
