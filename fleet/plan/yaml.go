package plan

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"regexp"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"

	"go.yaml.in/yaml/v3"
)

// Bounds on what a file may hold; each has its own refusal.
const (
	maxText  = 256 << 10 // bytes of a file
	maxWords = 2000      // bytes of one text in it
	maxList  = 500       // entries of one list
	maxSlug  = 64        // bytes of a slug
)

// file reads one YAML document by its nodes, so that every problem has a line.
type file struct {
	name     string
	problems Problems
}

func (f *file) wrong(line int, field, format string, args ...any) {
	f.problems = append(f.problems, Problem{f.name, max(line, 1), field, fmt.Sprintf(format, args...)})
}

var yamlLine = regexp.MustCompile(`^yaml: (?:unmarshal errors:\n\s*)?(?:line (\d+): )?`)

// open gives the document's root, nil when the text is not one YAML document.
func (f *file) open(text []byte) *yaml.Node {
	if len(text) > maxText {
		f.wrong(1, "", "is %d bytes long; at most %d are read", len(text), maxText)
		return nil
	}
	if !utf8.Valid(text) {
		f.wrong(1, "", "is not UTF-8 text")
		return nil
	}
	var document, second yaml.Node
	decoder := yaml.NewDecoder(bytes.NewReader(text))
	err := decoder.Decode(&document)
	if errors.Is(err, io.EOF) {
		f.wrong(1, "", "is empty")
		return nil
	}
	if err == nil {
		switch again := decoder.Decode(&second); {
		case again == nil:
			f.wrong(second.Line, "", "has more than one document")
			return nil
		case !errors.Is(again, io.EOF):
			err = again
		}
	}
	if err != nil {
		line := 1
		if m := yamlLine.FindStringSubmatch(err.Error()); m != nil && m[1] != "" {
			line, _ = strconv.Atoi(m[1])
		}
		f.wrong(line, "", "is not YAML: %s", yamlLine.ReplaceAllString(err.Error(), ""))
		return nil
	}
	if document.Kind != yaml.DocumentNode || len(document.Content) != 1 {
		f.wrong(1, "", "is empty")
		return nil
	}
	return document.Content[0]
}

// fields walks a mapping and hands each known field's value to its reader.
// Unknown and repeated fields are problems, and so are missing required ones.
func (f *file) fields(node *yaml.Node, path string, readers map[string]func(*yaml.Node, string), required ...string) bool {
	if node.Kind != yaml.MappingNode {
		f.wrong(node.Line, path, "want named fields, got %s", kindOf(node))
		return false
	}
	seen := map[string]bool{}
	for i := 0; i+1 < len(node.Content); i += 2 {
		key, value := node.Content[i], node.Content[i+1]
		at := join(path, key.Value)
		read := readers[key.Value]
		switch {
		case key.Kind != yaml.ScalarNode || read == nil:
			f.wrong(key.Line, at, "is not a field known here")
		case seen[key.Value]:
			f.wrong(key.Line, at, "is given twice")
		case value.Kind == yaml.AliasNode || value.Anchor != "":
			f.wrong(value.Line, at, "anchors and aliases are not read; write the value out")
		default:
			read(value, at)
		}
		seen[key.Value] = true
	}
	for _, name := range required {
		if !seen[name] {
			f.wrong(node.Line, join(path, name), "is missing")
		}
	}
	return true
}

// list walks a sequence.
func (f *file) list(node *yaml.Node, path string, read func(node *yaml.Node, path string)) {
	if node.Kind != yaml.SequenceNode {
		f.wrong(node.Line, path, "want a list, got %s", kindOf(node))
		return
	}
	if len(node.Content) > maxList {
		f.wrong(node.Line, path, "has %d entries; at most %d are read", len(node.Content), maxList)
		return
	}
	for i, entry := range node.Content {
		at := fmt.Sprintf("%s[%d]", path, i)
		if entry.Kind == yaml.AliasNode || entry.Anchor != "" {
			f.wrong(entry.Line, at, "anchors and aliases are not read; write the value out")
			continue
		}
		read(entry, at)
	}
}

func (f *file) text(node *yaml.Node, path string) string {
	if node.Kind != yaml.ScalarNode || node.Tag == "!!null" {
		f.wrong(node.Line, path, "want text, got %s", kindOf(node))
		return ""
	}
	text := strings.TrimSpace(node.Value)
	switch {
	case text == "":
		f.wrong(node.Line, path, "is empty")
	case len(text) > maxWords:
		f.wrong(node.Line, path, "is %d bytes long; at most %d are read", len(text), maxWords)
		return ""
	case strings.ContainsFunc(text, func(r rune) bool { return unicode.IsControl(r) && r != '\n' && r != '\t' }):
		f.wrong(node.Line, path, "holds control characters")
		return ""
	}
	return text
}

func (f *file) texts(node *yaml.Node, path string) []string {
	var out []string
	f.list(node, path, func(n *yaml.Node, p string) { out = append(out, f.text(n, p)) })
	return out
}

var slugShape = regexp.MustCompile(`^[a-z0-9]+(-[a-z0-9]+)*$`)

func (f *file) slug(node *yaml.Node, path string) string {
	text := f.text(node, path)
	if text != "" && (len(text) > maxSlug || !slugShape.MatchString(text)) {
		f.wrong(node.Line, path, "%q is not a short name of small letters, digits and single hyphens", clip(text))
		return ""
	}
	return text
}

func (f *file) slugs(node *yaml.Node, path string) []string {
	var out []string
	f.list(node, path, func(n *yaml.Node, p string) {
		slug := f.slug(n, p)
		for _, have := range out {
			if slug != "" && slug == have {
				f.wrong(n.Line, p, "%s is listed twice", slug)
				return
			}
		}
		if slug != "" {
			out = append(out, slug)
		}
	})
	return out
}

func (f *file) whole(node *yaml.Node, path string, least, most int) int {
	n, err := strconv.Atoi(node.Value)
	if node.Kind != yaml.ScalarNode || node.Tag != "!!int" || err != nil {
		f.wrong(node.Line, path, "want a whole number, got %s", kindOf(node))
		return 0
	}
	if n < least || n > most {
		f.wrong(node.Line, path, "%d is not between %d and %d", n, least, most)
		return 0
	}
	return n
}

func (f *file) number(node *yaml.Node, path string) float64 {
	n, err := strconv.ParseFloat(node.Value, 64)
	if node.Kind != yaml.ScalarNode || node.Tag != "!!int" && node.Tag != "!!float" || err != nil || n != n || n-n != 0 {
		f.wrong(node.Line, path, "want a number, got %s", kindOf(node))
		return 0
	}
	return n
}

func (f *file) truth(node *yaml.Node, path string) bool {
	if node.Kind != yaml.ScalarNode || node.Tag != "!!bool" {
		f.wrong(node.Line, path, "want true or false, got %s", kindOf(node))
		return false
	}
	return strings.EqualFold(node.Value, "true")
}

// oneOf reads a text that must be one of a few words.
func oneOf[S ~string](f *file, node *yaml.Node, path string, words ...S) S {
	text := f.text(node, path)
	for _, word := range words {
		if text == string(word) {
			return word
		}
	}
	if text != "" {
		names := make([]string, len(words))
		for i, word := range words {
			names[i] = string(word)
		}
		f.wrong(node.Line, path, "%q is not one of %s", clip(text), strings.Join(names, ", "))
	}
	return words[0]
}

func kindOf(node *yaml.Node) string {
	switch {
	case node.Kind == yaml.MappingNode:
		return "named fields"
	case node.Kind == yaml.SequenceNode:
		return "a list"
	case node.Kind == yaml.AliasNode:
		return "an alias"
	case node.Tag == "!!null":
		return "nothing"
	}
	return strconv.Quote(clip(node.Value))
}

func clip(text string) string {
	if len(text) <= 40 {
		return text
	}
	return strings.ToValidUTF8(text[:40], "") + "…"
}

func join(path, field string) string {
	if path == "" {
		return clip(field)
	}
	return path + "." + clip(field)
}
