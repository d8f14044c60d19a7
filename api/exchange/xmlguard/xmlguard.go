// Package xmlguard reads other people's XML with bounds: it hands out elements
// one by one and refuses what an honest data file never has.
//
// It owns the bounds: no document type declaration (so no entities of the
// document's own, inside or from outside), no more than so many bytes in the file, in a
// tag and in an attribute, so many elements and so deep a nest. It never
// fetches, never expands, and knows nothing of what the elements mean.
package xmlguard

import (
	"bufio"
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"strings"

	"golang.org/x/text/encoding/charmap"
)

var (
	// ErrRefused says that the document is well-formed perhaps, but past a bound or with
	// something in it that is not accepted.
	ErrRefused = errors.New("XML refused")
	// ErrMalformed says that the document is not well-formed XML in a known encoding.
	ErrMalformed = errors.New("XML malformed")
)

// Bounds are the limits of one document. Zero fields take those of Usual.
type Bounds struct {
	Bytes    int64 // the whole document
	Tag      int64 // bytes from one '<' to the next: a tag with its attributes and the text after it
	Elements int64
	Depth    int
}

// Usual bounds: house figures, roomy for a season's task data.
var Usual = Bounds{Bytes: 64 << 20, Tag: 64 << 10, Elements: 2_000_000, Depth: 32}

// Element is a start tag.
type Element struct {
	Name  string // local name: name spaces are the sender's affair
	Space string
	Attrs []xml.Attr
}

// Attr is the attribute with that local name and whether it is there.
func (e Element) Attr(name string) (string, bool) {
	for _, a := range e.Attrs {
		if a.Name.Local == name {
			return a.Value, true
		}
	}
	return "", false
}

// Reader hands out what is in a document.
type Reader struct {
	bounds   Bounds
	meter    *meter
	decoder  *xml.Decoder
	depth    int
	elements int64
	seenRoot bool
}

// New reads a document within bounds.
func New(r io.Reader, b Bounds) *Reader {
	if b.Bytes == 0 {
		b.Bytes = Usual.Bytes
	}
	if b.Tag == 0 {
		b.Tag = Usual.Tag
	}
	if b.Elements == 0 {
		b.Elements = Usual.Elements
	}
	if b.Depth == 0 {
		b.Depth = Usual.Depth
	}
	m := &meter{in: withoutMark(r), bounds: b}
	d := xml.NewDecoder(m)
	d.CharsetReader = latin
	return &Reader{bounds: b, meter: m, decoder: d}
}

// Next is the next start tag (Element), end tag (End) or text between them (string), or io.EOF after a whole
// document. Comments and processing instructions are passed over. Other errors are ErrRefused or ErrMalformed.
func (r *Reader) Next() (any, error) {
	for {
		token, err := r.decoder.Token()
		switch {
		case errors.Is(err, io.EOF):
			if !r.seenRoot {
				return nil, fmt.Errorf("no element in the document: %w", ErrMalformed)
			}
			return nil, io.EOF
		case errors.Is(err, ErrRefused):
			return nil, err
		case err != nil:
			if r.meter.failed != nil {
				return nil, r.meter.failed
			}
			return nil, fmt.Errorf("%w: %v", ErrMalformed, err)
		}
		switch t := token.(type) {
		case xml.Directive:
			return nil, fmt.Errorf("document type declarations are not accepted: %w", ErrRefused)
		case xml.StartElement:
			if r.depth == 0 && r.seenRoot {
				return nil, fmt.Errorf("second root element %q: %w", t.Name.Local, ErrMalformed)
			}
			r.seenRoot = true
			r.depth++
			r.elements++
			if r.depth > r.bounds.Depth {
				return nil, fmt.Errorf("elements nested deeper than %d: %w", r.bounds.Depth, ErrRefused)
			}
			if r.elements > r.bounds.Elements {
				return nil, fmt.Errorf("more than %d elements: %w", r.bounds.Elements, ErrRefused)
			}
			return Element{Name: t.Name.Local, Space: t.Name.Space, Attrs: t.Attr}, nil
		case xml.EndElement:
			r.depth--
			return End{Name: t.Name.Local}, nil
		case xml.CharData:
			return string(t), nil
		}
	}
}

// End is an end tag.
type End struct{ Name string }

// Line is the line the reader has come to, for messages.
func (r *Reader) Line() int { line, _ := r.decoder.InputPos(); return line }

// Skip passes over all that is inside the element just handed out, its end included.
func (r *Reader) Skip() error {
	for open := 1; open > 0; {
		token, err := r.Next()
		if errors.Is(err, io.EOF) {
			return fmt.Errorf("%w: document ends inside an element", ErrMalformed)
		}
		if err != nil {
			return err
		}
		switch token.(type) {
		case Element:
			open++
		case End:
			open--
		}
	}
	return nil
}

// meter counts what passes. A '<' cannot stand inside an attribute value, so the
// distance between two of them bounds every tag and attribute before the decoder
// collects them in memory.
type meter struct {
	in     io.Reader
	bounds Bounds
	total  int64
	since  int64
	failed error
}

func (m *meter) Read(p []byte) (int, error) {
	if m.failed != nil {
		return 0, m.failed
	}
	n, err := m.in.Read(p)
	for _, c := range p[:n] {
		m.since++
		if c == '<' {
			m.since = 0
		}
		if m.since > m.bounds.Tag {
			m.failed = fmt.Errorf("a tag or text longer than %d bytes: %w", m.bounds.Tag, ErrRefused)
			return 0, m.failed
		}
	}
	if m.total += int64(n); m.total > m.bounds.Bytes {
		m.failed = fmt.Errorf("document larger than %d bytes: %w", m.bounds.Bytes, ErrRefused)
		return 0, m.failed
	}
	if err != nil && !errors.Is(err, io.EOF) {
		m.failed = err
	}
	return n, err
}

// withoutMark drops a UTF-8 byte order mark, which some terminals write.
func withoutMark(r io.Reader) io.Reader {
	b := bufio.NewReader(r)
	if head, err := b.Peek(3); err == nil && string(head) == "\xef\xbb\xbf" {
		b.Discard(3)
	}
	return b
}

// latin decodes the one-byte encodings that older terminals declare; UTF-8 is the decoder's own.
func latin(label string, in io.Reader) (io.Reader, error) {
	switch strings.ToLower(label) {
	case "iso-8859-1", "latin1", "us-ascii", "ascii", "windows-1252":
		return charmap.Windows1252.NewDecoder().Reader(in), nil
	}
	return nil, fmt.Errorf("encoding %q is not known", label)
}
