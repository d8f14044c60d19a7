package intake

import (
	"encoding/base64"
	"fmt"
	"mime"
	"net/url"
	"strconv"
	"strings"

	"github.com/go-json-experiment/json/jsontext"

	"rigledger/events"
)

// CloudEvents 1.0.2, core specification section 3.1 and JSON format: which
// attributes an event has, which are required, and what they may hold.

// maxID is the longest event id, in bytes; every id is kept in the ledger.
const maxID = 256

const rigSource = "urn:rig:"

// event reads one event into a, whose subject fields are set. The first fault
// of the envelope wins over one of the data; reading goes on behind a fault
// because id and time may follow. The error is one of syntax.
func (d *decoder) event(a *events.Arrival, payload []byte) error {
	d.data = fault{}
	if d.json.PeekKind() != '{' {
		value, err := d.json.ReadValue()
		if err != nil {
			return err
		}
		a.Payload = payload[int(d.json.InputOffset())-len(value) : d.json.InputOffset()]
		d.fault(a, FaultEvent, "", "an event is a JSON object")
		return nil
	}
	if _, err := d.json.ReadToken(); err != nil {
		return err
	}
	start := d.json.InputOffset() - 1
	var has struct{ version, id, source, kind, time, data bool }
	for d.json.PeekKind() != '}' {
		name, err := d.name()
		if err != nil {
			return err
		}
		switch string(name) {
		case "specversion":
			text, ok, err := d.attribute(a)
			if err != nil {
				return err
			}
			if has.version = ok || a.Fault != ""; ok && string(text) != "1.0" {
				d.fault(a, FaultEvent, d.pointer(), "must be \"1.0\"")
			}
		case "id":
			text, ok, err := d.attribute(a)
			if err != nil {
				return err
			}
			if has.id = ok || a.Fault != ""; ok {
				id := string(text)
				if wrong := validID(id); wrong != "" {
					d.fault(a, FaultEvent, d.pointer(), wrong)
				} else {
					a.Event = id
				}
			}
		case "source":
			text, ok, err := d.attribute(a)
			if err != nil {
				return err
			}
			if has.source = ok || a.Fault != ""; ok {
				d.source(a, text)
			}
		case "type":
			text, ok, err := d.attribute(a)
			if err != nil {
				return err
			}
			if has.kind = ok || a.Fault != ""; ok {
				d.typed(a, text)
			}
		case "time":
			text, ok, err := d.attribute(a)
			if err != nil {
				return err
			}
			if has.time = ok || a.Fault != ""; ok {
				if t, ok := parseTime(text); !ok {
					d.fault(a, FaultTime, d.pointer(), "must be an RFC 3339 time such as 2026-05-04T09:31:12.250Z")
				} else {
					a.Time = events.Milli(t)
				}
			}
		case "data", "data_base64":
			if has.data {
				d.fault(a, FaultEvent, "/"+string(name), "data and data_base64 exclude each other")
				if err := d.json.SkipValue(); err != nil {
					return err
				}
				break
			}
			has.data = true
			if string(name) == "data" {
				err = d.body(a, &d.json, "")
			} else {
				err = d.encoded(a)
			}
			if err != nil {
				return err
			}
		case "datacontenttype", "dataschema", "subject":
			if err := d.optional(a, string(name)); err != nil {
				return err
			}
		default:
			if err := d.extension(a, name); err != nil {
				return err
			}
		}
	}
	if _, err := d.json.ReadToken(); err != nil {
		return err
	}
	a.Payload = payload[start:d.json.InputOffset()]
	switch {
	case a.Fault != "":
	case !has.version:
		d.fault(a, FaultEvent, "/specversion", "is missing")
	case !has.id:
		d.fault(a, FaultEvent, "/id", "is missing")
	case !has.source:
		d.fault(a, FaultEvent, "/source", "is missing")
	case !has.kind:
		d.fault(a, FaultEvent, "/type", "is missing")
	case !has.time:
		d.fault(a, FaultTime, "/time", "is missing")
	case !has.data:
		d.fault(a, FaultData, "/data", "is missing")
	case d.data.code != "":
		a.Fault, a.Detail = d.data.code, d.data.detail
	}
	if a.Fault != "" {
		a.Counters, a.Defect, a.Conditions, a.Oldest = nil, nil, nil, 0
	}
	return nil
}

// fault notes what is wrong with the envelope; the first stays.
func (d *decoder) fault(a *events.Arrival, code, pointer, what string) {
	if a.Fault == "" {
		a.Fault, a.Detail = code, place(pointer, what)
	}
}

func place(pointer, what string) string {
	if pointer == "" {
		return what
	}
	return pointer + ": " + what
}

// pointer names the value just read, within its event.
func (d *decoder) pointer() string {
	p := string(d.json.StackPointer())
	if d.batch {
		if _, rest, ok := strings.Cut(strings.TrimPrefix(p, "/"), "/"); ok {
			return "/" + rest
		}
		return ""
	}
	return p
}

// name reads the name of a member.
func (d *decoder) name() ([]byte, error) {
	raw, err := d.json.ReadValue()
	if err != nil {
		return nil, err
	}
	return unquote(raw)
}

// unquote gives the text of a JSON string, in place when nothing is escaped.
func unquote(raw []byte) ([]byte, error) {
	if len(raw) < 2 {
		return nil, fmt.Errorf("unexpected %q", raw)
	}
	for _, c := range raw {
		if c == '\\' {
			return jsontext.AppendUnquote(nil, raw)
		}
	}
	return raw[1 : len(raw)-1], nil
}

// attribute reads a string attribute that must not be empty. A null is the
// same as leaving it out (CloudEvents JSON format, section 2.2).
func (d *decoder) attribute(a *events.Arrival) (text []byte, ok bool, err error) {
	kind := d.json.PeekKind()
	raw, err := d.json.ReadValue()
	if err != nil || kind == 'n' {
		return nil, false, err
	}
	if kind != '"' {
		d.fault(a, FaultEvent, d.pointer(), "must be a string")
		return nil, false, nil
	}
	if text, err = unquote(raw); err != nil {
		return nil, false, err
	}
	if blank(text) {
		d.fault(a, FaultEvent, d.pointer(), "must not be empty")
		return nil, false, nil
	}
	return text, true, nil
}

func blank(text []byte) bool {
	for _, c := range text {
		if c > ' ' {
			return false
		}
	}
	return true
}

// validID says what is wrong with an id, "" when nothing is.
func validID(id string) string {
	switch {
	case strings.TrimSpace(id) == "":
		return "must not be empty"
	case len(id) > maxID:
		return "is longer than " + strconv.Itoa(maxID) + " bytes"
	case strings.IndexFunc(id, func(r rune) bool { return r < ' ' || r >= 0x7f && r <= 0x9f }) >= 0:
		return "holds a control character"
	}
	return ""
}

// source checks that it is a URI reference and, of the form urn:rig:<rig>, that
// it is the rig of the subject. Scheme and namespace of a URN are the same in any case of letters (RFC 8141).
func (d *decoder) source(a *events.Arrival, text []byte) {
	if n := len(rigSource); len(text) > n && strings.EqualFold(string(text[:n]), rigSource) {
		rest := text[n:]
		if string(rest) == a.Rig {
			return
		}
		named, _, _ := strings.Cut(string(rest), ":")
		if named != a.Rig {
			d.fault(a, FaultWrongRig, d.pointer(), fmt.Sprintf("is rig %q, the subject is of rig %q", named, a.Rig))
			return
		}
	}
	if !validReference(string(text)) {
		d.fault(a, FaultEvent, d.pointer(), "must be a URI reference")
	}
}

// validReference holds text against RFC 3986: the characters that may stand in
// a reference (section 2), then its parts.
func validReference(text string) bool {
	for i := 0; i < len(text); i++ {
		c := text[i]
		if c <= ' ' || c >= 0x7f || strings.IndexByte("\"<>\\^`{|}", c) >= 0 {
			return false
		}
		if c == '%' && (i+2 >= len(text) || !hexadecimal(text[i+1]) || !hexadecimal(text[i+2])) {
			return false
		}
	}
	_, err := url.Parse(text)
	return err == nil
}

func hexadecimal(c byte) bool {
	return c >= '0' && c <= '9' || c >= 'a' && c <= 'f' || c >= 'A' && c <= 'F'
}

// typed checks the type against the kind that the subject names.
func (d *decoder) typed(a *events.Arrival, text []byte) {
	const prefix, suffix = "rig.", ".v1"
	if len(text) == len(prefix)+len(a.Kind)+len(suffix) && string(text[:len(prefix)]) == prefix &&
		string(text[len(prefix):len(prefix)+len(a.Kind)]) == a.Kind && string(text[len(prefix)+len(a.Kind):]) == suffix {
		return
	}
	d.fault(a, FaultUnknownType, d.pointer(), fmt.Sprintf("must be %q on this subject", prefix+a.Kind+suffix))
}

// optional reads an attribute that may be left out.
func (d *decoder) optional(a *events.Arrival, name string) error {
	text, ok, err := d.attribute(a)
	if err != nil || !ok {
		return err
	}
	switch name {
	case "datacontenttype":
		if string(text) == "application/json" {
			return nil
		}
		media, _, err := mime.ParseMediaType(string(text))
		if err != nil {
			d.fault(a, FaultEvent, d.pointer(), "must be a media type (RFC 2046)")
		} else if media != "application/json" && media != "text/json" && !strings.HasSuffix(media, "+json") {
			d.fault(a, FaultData, d.pointer(), "must be a JSON media type")
		}
	case "dataschema":
		if u, err := url.Parse(string(text)); err != nil || !u.IsAbs() || !validReference(string(text)) {
			d.fault(a, FaultEvent, d.pointer(), "must be an absolute URI")
		}
	}
	return nil
}

// extension reads an attribute that CloudEvents does not know: lower-case
// letters and digits, and a string, a boolean or a 32-bit whole number.
func (d *decoder) extension(a *events.Arrival, name []byte) error {
	good := len(name) > 0
	for _, c := range name {
		good = good && (c >= 'a' && c <= 'z' || c >= '0' && c <= '9')
	}
	if !good {
		d.fault(a, FaultEvent, d.pointer(), "an extension's name has only a-z and 0-9")
		return d.json.SkipValue()
	}
	kind := d.json.PeekKind()
	raw, err := d.json.ReadValue()
	if err != nil {
		return err
	}
	switch kind {
	case '"', 't', 'f', 'n':
		return nil
	case '0':
		if _, err := strconv.ParseInt(string(raw), 10, 32); err == nil {
			return nil
		}
	}
	d.fault(a, FaultEvent, d.pointer(), "an extension is a string, a boolean or a 32-bit whole number")
	return nil
}

// encoded reads data_base64: our data, encoded once more.
func (d *decoder) encoded(a *events.Arrival) error {
	text, ok, err := d.attribute(a)
	if err != nil || !ok {
		return err
	}
	inner, err := base64.StdEncoding.AppendDecode(nil, text)
	if err != nil {
		d.fault(a, FaultEvent, d.pointer(), "must be base64 (RFC 4648)")
		return nil
	}
	d.inner.Reset()
	d.inner.Write(inner)
	d.one.Reset(&d.inner)
	if err := d.body(a, &d.one, "/data_base64"); err != nil {
		d.wrong("/data_base64", "its content is not JSON: "+syntaxText(err))
	} else if d.one.PeekKind() != 0 {
		d.wrong("/data_base64", "something follows its content")
	}
	return nil
}
