package xmlguard_test

import (
	"bytes"
	"errors"
	"io"
	"strings"
	"testing"

	"rigledger/api/exchange/xmlguard"
)

func names(t *testing.T, doc string, b xmlguard.Bounds) ([]string, error) {
	t.Helper()
	r := xmlguard.New(strings.NewReader(doc), b)
	var got []string
	for {
		token, err := r.Next()
		if errors.Is(err, io.EOF) {
			return got, nil
		}
		if err != nil {
			return got, err
		}
		if e, ok := token.(xmlguard.Element); ok {
			got = append(got, e.Name)
		}
	}
}

func TestRefusals(t *testing.T) {
	small := xmlguard.Bounds{Bytes: 4096, Tag: 256, Elements: 20, Depth: 4}
	for _, c := range []struct {
		name, doc string
		want      error
	}{
		{"a plain document passes", `<?xml version="1.0"?><!-- c --><a><b x="1"/>text</a>`, nil},
		{"a byte order mark passes", "\xef\xbb\xbf<a/>", nil},
		{"a declared one-byte encoding passes", "<?xml version=\"1.0\" encoding=\"ISO-8859-1\"?><a b=\"\xfc\"/>", nil},
		{"a document type is refused", `<!DOCTYPE a><a/>`, xmlguard.ErrRefused},
		{"an entity from outside is refused", `<!DOCTYPE a [<!ENTITY x SYSTEM "file:///etc/hostname">]><a>&x;</a>`, xmlguard.ErrRefused},
		{"entities that multiply are refused", `<!DOCTYPE a [<!ENTITY x "xxxx"><!ENTITY y "&x;&x;">]><a>&y;</a>`, xmlguard.ErrRefused},
		{"an undeclared entity is malformed", `<a>&x;</a>`, xmlguard.ErrMalformed},
		{"an attribute past the bound", `<a b="` + strings.Repeat("x", 300) + `"/>`, xmlguard.ErrRefused},
		{"an attribute full of closing brackets past the bound", `<a b="` + strings.Repeat(">", 300) + `"/>`, xmlguard.ErrRefused},
		{"too deep", strings.Repeat("<a>", 5) + strings.Repeat("</a>", 5), xmlguard.ErrRefused},
		{"too many elements", "<a>" + strings.Repeat("<b/>", 20) + "</a>", xmlguard.ErrRefused},
		{"too large", "<a>" + strings.Repeat("<!-- 01234567890123456789 -->", 200) + "</a>", xmlguard.ErrRefused},
		{"ends early", `<a><b/>`, xmlguard.ErrMalformed},
		{"nothing in it", ``, xmlguard.ErrMalformed},
		{"two roots", `<a/><b/>`, xmlguard.ErrMalformed},
		{"not a known encoding", `<?xml version="1.0" encoding="EBCDIC"?><a/>`, xmlguard.ErrMalformed},
		{"UTF-16 without saying so", "\xff\xfe<\x00a\x00/\x00>\x00", xmlguard.ErrMalformed},
	} {
		t.Run(c.name, func(t *testing.T) {
			if _, err := names(t, c.doc, small); !errors.Is(err, c.want) {
				t.Fatalf("got error %v, want %v", err, c.want)
			}
		})
	}
}

func TestLatinTextIsDecoded(t *testing.T) {
	r := xmlguard.New(strings.NewReader("<?xml version=\"1.0\" encoding=\"iso-8859-1\"?><a b=\"S\xfcd\"/>"), xmlguard.Bounds{})
	token, err := r.Next()
	if err != nil {
		t.Fatal(err)
	}
	if v, _ := token.(xmlguard.Element).Attr("b"); v != "Süd" {
		t.Fatalf("got %q", v)
	}
}

func TestSkipPassesOverWhatIsInside(t *testing.T) {
	r := xmlguard.New(strings.NewReader(`<a><b><c/><c/></b><d/></a>`), xmlguard.Bounds{})
	for range 2 {
		if _, err := r.Next(); err != nil {
			t.Fatal(err)
		}
	}
	if err := r.Skip(); err != nil {
		t.Fatal(err)
	}
	token, err := r.Next()
	if e, ok := token.(xmlguard.Element); err != nil || !ok || e.Name != "d" {
		t.Fatalf("got %v, %v", token, err)
	}
}

// FuzzNext: no document makes the reader panic, hand out more than its bounds allow, or end without an end.
func FuzzNext(f *testing.F) {
	f.Add([]byte(`<?xml version="1.0" encoding="ISO-8859-1"?><a b="1"><c/>x</a>`))
	f.Add([]byte("\xef\xbb\xbf<!DOCTYPE a><a/>"))
	bounds := xmlguard.Bounds{Bytes: 4096, Tag: 128, Elements: 50, Depth: 5}
	f.Fuzz(func(t *testing.T, doc []byte) {
		r := xmlguard.New(bytes.NewReader(doc), bounds)
		elements, depth := 0, 0
		for {
			token, err := r.Next()
			if errors.Is(err, io.EOF) {
				if depth != 0 || elements == 0 {
					t.Fatalf("ends at depth %d after %d elements", depth, elements)
				}
				return
			}
			if err != nil {
				if !errors.Is(err, xmlguard.ErrRefused) && !errors.Is(err, xmlguard.ErrMalformed) {
					t.Fatal(err)
				}
				return
			}
			switch x := token.(type) {
			case xmlguard.Element:
				elements++
				depth++
				for _, a := range x.Attrs {
					if len(a.Value) > 3*128 { // a byte of a one-byte encoding is at most three in UTF-8
						t.Fatalf("attribute of %d bytes", len(a.Value))
					}
				}
			case xmlguard.End:
				depth--
			}
			if elements > 50 || depth > 5 || depth < 0 {
				t.Fatalf("%d elements, depth %d", elements, depth)
			}
		}
	})
}
