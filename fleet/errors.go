package fleet

import (
	"errors"
	"fmt"
	"strings"
)

// Code sorts refusals by what the caller can do about them.
type Code string

const (
	Invalid   Code = "invalid"     // the request itself is wrong; Fields says where
	NotFound  Code = "not-found"   // there is no such rig, part, item …
	Conflict  Code = "conflict"    // it does not fit how things stand now
	Forbidden Code = "forbidden"   // a rule of the trade forbids it
	Stale     Code = "stale"       // it changed since the caller read it
	KeyReused Code = "key-reused"  // an Idempotency-Key came with another request
	Busy      Code = "busy"        // the queue is full; try again
	Down      Code = "unavailable" // the store did not take it
)

// FieldError names one field by JSON pointer and says what is wrong with it.
type FieldError struct {
	Field   string `json:"field"`
	Message string `json:"message"`
}

// Error is the one error type of the domain: what the desk refuses, and why.
type Error struct {
	Code    Code
	Message string
	Fields  []FieldError
	Cause   error
}

func (e *Error) Error() string {
	var b strings.Builder
	b.WriteString(e.Message)
	for i, f := range e.Fields {
		if i == 0 {
			b.WriteString(": ")
		} else {
			b.WriteString("; ")
		}
		fmt.Fprintf(&b, "%s %s", f.Field, f.Message)
	}
	if e.Cause != nil {
		fmt.Fprintf(&b, ": %v", e.Cause)
	}
	return b.String()
}

func (e *Error) Unwrap() error { return e.Cause }

// CodeOf gives the code of a domain error anywhere in err's chain, "" if none.
func CodeOf(err error) Code {
	var e *Error
	if errors.As(err, &e) {
		return e.Code
	}
	return ""
}

func missing(kind, id string) error {
	return &Error{Code: NotFound, Message: fmt.Sprintf("there is no %s %q", kind, id)}
}

func conflict(format string, args ...any) error {
	return &Error{Code: Conflict, Message: fmt.Sprintf(format, args...)}
}

func forbidden(format string, args ...any) error {
	return &Error{Code: Forbidden, Message: fmt.Sprintf(format, args...)}
}

// check gathers everything that is wrong with a request, so that the caller
// hears all of it at once.
type check struct{ fields []FieldError }

func (c *check) fail(field, format string, args ...any) {
	c.fields = append(c.fields, FieldError{Field: field, Message: fmt.Sprintf(format, args...)})
}

func (c *check) err() error {
	if len(c.fields) == 0 {
		return nil
	}
	return &Error{Code: Invalid, Message: "the request does not hold together", Fields: c.fields}
}

// text checks a free text of 1 to most bytes without control characters.
func (c *check) text(field, value string, most int) {
	switch {
	case strings.TrimSpace(value) == "":
		c.fail(field, "is missing")
	case len(value) > most:
		c.fail(field, "is longer than %d bytes", most)
	default:
		c.optional(field, value, most)
	}
}

func (c *check) optional(field, value string, most int) {
	if len(value) > most {
		c.fail(field, "is longer than %d bytes", most)
		return
	}
	for _, r := range value {
		if r < ' ' && r != '\n' && r != '\t' || r == 0x7f || r == 0xfffd {
			c.fail(field, "has a control character or is not UTF-8")
			return
		}
	}
}

// code checks an identifier that stands in subjects, addresses and file names.
func (c *check) code(field, value string) {
	if !ValidCode(value) {
		c.fail(field, "must be 1 to 64 of the characters A-Z a-z 0-9 _ -")
	}
}

// ValidCode says whether an identifier may name a rig, part, meter, yard or
// task: one NATS subject token, safe in a path.
func ValidCode(s string) bool {
	if len(s) == 0 || len(s) > 64 {
		return false
	}
	for i := 0; i < len(s); i++ {
		b := s[i]
		if !(b >= 'a' && b <= 'z' || b >= 'A' && b <= 'Z' || b >= '0' && b <= '9' || b == '_' || b == '-') {
			return false
		}
	}
	return true
}

// pointer is the JSON pointer of an element of a list.
func pointer(list string, i int) string { return fmt.Sprintf("%s/%d", list, i) }
