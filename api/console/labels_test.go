package console_test

import (
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"text/template/parse"
	"unicode"

	"golang.org/x/net/html"
)

// origins are where a label may come from. A standard is named with its number.
var origins = regexp.MustCompile(`^(trade|own|standard: .+)$`)

// TestEveryLabelHasItsOrigin finds each text that people see on a page, in the
// templates and in word(…) in the code, and wants it in one of the lists under
// labels: the label, a tab, and where it comes from. A listed label that no page
// shows is a failure too, so that the lists stay true.
func TestEveryLabelHasItsOrigin(t *testing.T) {
	listed := readLabels(t)
	shown := map[string]string{} // label → where
	files, err := filepath.Glob("pages/*.html")
	if err != nil || len(files) == 0 {
		t.Fatal("no pages: ", err)
	}
	for _, file := range files {
		for _, label := range labelsOfTemplate(t, file) {
			shown[label] = file
		}
	}
	sources, _ := filepath.Glob("*.go")
	rooms, _ := filepath.Glob("*/*.go")
	for _, file := range append(sources, rooms...) {
		if !strings.HasSuffix(file, "_test.go") {
			for _, label := range labelsOfCode(t, file) {
				shown[label] = file
			}
		}
	}
	for label, where := range shown {
		if _, ok := listed[label]; !ok {
			t.Errorf("%s shows a label without an origin: %s", where, label)
		}
	}
	for label, where := range listed {
		if _, ok := shown[label]; !ok {
			t.Errorf("%s lists a label that no page shows: %s", where, label)
		}
	}
}

// TestScriptsHoldNoWords: what people read is in the pages, where the list finds it.
func TestScriptsHoldNoWords(t *testing.T) {
	sentence := regexp.MustCompile("[\"'`][A-Z][a-z]+ [a-z ]+[\"'`]")
	files, _ := filepath.Glob("assets/*.js")
	for _, file := range files {
		text, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		for _, found := range sentence.FindAllString(string(text), -1) {
			t.Errorf("%s holds the words %s", file, found)
		}
		for _, never := range []string{"eval(", "innerHTML", "document.write", "http://", "https://"} {
			if strings.Contains(string(text), never) {
				t.Errorf("%s uses %s", file, never)
			}
		}
	}
}

func readLabels(t *testing.T) map[string]string {
	t.Helper()
	listed := map[string]string{}
	files, _ := filepath.Glob("labels/*.tsv")
	for _, file := range files {
		text, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		for i, line := range strings.Split(strings.TrimSpace(string(text)), "\n") {
			if strings.HasPrefix(line, "#") {
				continue
			}
			label, origin, ok := strings.Cut(line, "\t")
			if !ok || !origins.MatchString(origin) {
				t.Errorf("%s:%d: %q is not a label, a tab and its origin (trade, own, or standard: …)", file, i+1, line)
				continue
			}
			listed[label] = file
		}
	}
	return listed
}

// hole stands for what a template puts in.
const hole = "\uE000"

// labelsOfTemplate gives the texts of a page's own: its text nodes, the attributes
// that are read out or shown, and the words given to fields.
func labelsOfTemplate(t *testing.T, file string) []string {
	t.Helper()
	text, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	trees := map[string]*parse.Tree{}
	tree := parse.New(filepath.Base(file))
	tree.Mode = parse.SkipFuncCheck
	if _, err := tree.Parse(string(text), "", "", trees); err != nil {
		t.Fatal(err)
	}
	trees[""] = tree
	var labels []string
	for name, one := range trees {
		if one.Root == nil || name == "more" { // the attributes of a field
			continue
		}
		var page strings.Builder
		walk(one.Root, &page, &labels)
		labels = append(labels, textsOf(page.String())...)
	}
	slices.Sort(labels)
	return slices.Compact(labels)
}

func walk(n parse.Node, page *strings.Builder, labels *[]string) {
	branch := func(b *parse.BranchNode) {
		page.WriteString(hole)
		walk(b.List, page, labels)
		page.WriteString(hole)
		if b.ElseList != nil {
			walk(b.ElseList, page, labels)
			page.WriteString(hole)
		}
	}
	switch n := n.(type) {
	case *parse.ListNode:
		for _, one := range n.Nodes {
			walk(one, page, labels)
		}
	case *parse.TextNode:
		page.Write(n.Text)
	case *parse.IfNode:
		branch(&n.BranchNode)
	case *parse.RangeNode:
		branch(&n.BranchNode)
	case *parse.WithNode:
		branch(&n.BranchNode)
	case *parse.ActionNode:
		page.WriteString(hole)
		wordsOf(n.Pipe, labels)
	case *parse.TemplateNode:
		page.WriteString(hole)
		wordsOf(n.Pipe, labels)
	}
}

// wordsOf finds labels among what a template hands to functions: the label, hint
// and unit of in, what open says, the labels of options.
func wordsOf(pipe *parse.PipeNode, labels *[]string) {
	if pipe == nil {
		return
	}
	for _, cmd := range pipe.Cmds {
		name := ""
		if id, ok := cmd.Args[0].(*parse.IdentifierNode); ok {
			name = id.Ident
		}
		for i, arg := range cmd.Args {
			if inner, ok := arg.(*parse.PipeNode); ok {
				wordsOf(inner, labels)
			}
			s, ok := arg.(*parse.StringNode)
			if !ok {
				continue
			}
			before, _ := cmd.Args[max(i-1, 0)].(*parse.StringNode)
			named := func(names ...string) bool { return before != nil && slices.Contains(names, before.Text) }
			switch {
			case name == "in" && (i == 5 || i > 5 && named("hint", "unit")),
				name == "open" && i > 3 && named("said"),
				name == "options" && i%2 == 0:
				*labels = append(*labels, piecesOf(s.Text)...)
			}
		}
	}
}

// textsOf gives the texts and shown attributes of HTML.
func textsOf(page string) (labels []string) {
	z := html.NewTokenizer(strings.NewReader(page))
	for {
		switch z.Next() {
		case html.ErrorToken:
			return labels
		case html.TextToken:
			labels = append(labels, piecesOf(string(z.Text()))...)
		case html.StartTagToken, html.SelfClosingTagToken:
			tok := z.Token()
			for _, a := range tok.Attr {
				if slices.Contains([]string{"alt", "title", "placeholder", "aria-label", "aria-description", "data-say"}, a.Key) {
					labels = append(labels, piecesOf(a.Val)...)
				}
			}
		}
	}
}

// piecesOf cuts a text at what a template puts in, and leaves out what has no letters.
func piecesOf(text string) (pieces []string) {
	for _, piece := range strings.Split(text, hole) {
		piece = strings.Trim(strings.Join(strings.Fields(piece), " "), " ,;:.·()–+%")
		if strings.IndexFunc(piece, unicode.IsLetter) >= 0 {
			pieces = append(pieces, piece)
		}
	}
	return pieces
}

// labelsOfCode gives the texts in word(…).
func labelsOfCode(t *testing.T, file string) (labels []string) {
	t.Helper()
	tree, err := parser.ParseFile(token.NewFileSet(), file, nil, 0)
	if err != nil {
		t.Fatal(err)
	}
	ast.Inspect(tree, func(n ast.Node) bool {
		call, ok := n.(*ast.CallExpr)
		if !ok {
			return true
		}
		if id, ok := call.Fun.(*ast.Ident); !ok || id.Name != "word" {
			return true
		}
		for _, arg := range call.Args {
			lit, ok := arg.(*ast.BasicLit)
			if !ok {
				t.Errorf("%s: word(%s) is no plain text", file, fmt.Sprint(arg))
				continue
			}
			text, err := strconv.Unquote(lit.Value)
			if err != nil {
				t.Error(err)
			}
			labels = append(labels, piecesOf(text)...)
		}
		return true
	})
	return labels
}
