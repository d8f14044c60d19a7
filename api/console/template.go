package console

import (
	"bytes"
	"crypto/sha256"
	"embed"
	"encoding/base64"
	"fmt"
	"html/template"
	"io/fs"
	"net/http"
	"path"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"rigledger/fleet/plan"
)

//go:embed pages/*.html
var pageFiles embed.FS

//go:embed assets
var assetFiles embed.FS

// templates has each page's file with the frame and the parts beside it.
var templates = parseTemplates(pageFiles)

func parseTemplates(files fs.FS) map[string]*template.Template {
	shared := template.Must(template.New("").Funcs(functions).ParseFS(files, "pages/frame.html", "pages/part_*.html"))
	all := map[string]*template.Template{}
	names, err := fs.Glob(files, "pages/*.html")
	if err != nil {
		panic(err)
	}
	for _, name := range names {
		file := path.Base(name)
		if file == "frame.html" || strings.HasPrefix(file, "part_") {
			continue
		}
		all[file] = template.Must(template.Must(shared.Clone()).ParseFS(files, name))
	}
	return all
}

// functions are what templates can say. Dates and numbers are written so that
// the script can put them into the reader's own form.
var functions = template.FuncMap{
	"day": dayElement, "days": daysElement, "dated": datedText, "worktime": workTime, "moment": momentElement, "number": numberElement, "commit": commitLink, "open": openForm, "in": newField, "options": optionsOf,
	"asset": func(name string) string { return assetAddress[name] },
	"words": func(s string) string { return strings.NewReplacer("_", " ", "-", " ").Replace(s) },
	"list":  func(of ...any) []any { return of },
	"pairs": pairs,
	"join":  strings.Join, "attribute": attribute,
}

// pairs makes a map of names and values, to hand several things to a part.
func pairs(of ...any) (map[string]any, error) {
	if len(of)%2 != 0 {
		return nil, fmt.Errorf("pairs takes names and values, not %d things", len(of))
	}
	m := map[string]any{}
	for i := 0; i < len(of); i += 2 {
		name, ok := of[i].(string)
		if !ok {
			return nil, fmt.Errorf("%v is not a name", of[i])
		}
		m[name] = of[i+1]
	}
	return m, nil
}

// dayElement writes a calendar date: a plan.Date, or text in the form 2026-05-04.
func dayElement(of any) (template.HTML, error) {
	text := ""
	switch d := of.(type) {
	case plan.Date:
		if !d.IsZero() {
			text = d.String()
		}
	case string:
		text = d
	default:
		return "", fmt.Errorf("%T is not a date; a time is shown by moment", of)
	}
	if text == "" {
		return "–", nil
	}
	if _, err := time.Parse(time.DateOnly, text); err != nil {
		return template.HTML(template.HTMLEscapeString(text)), nil
	}
	return template.HTML(`<time datetime="` + text + `" data-day>` + text + `</time>`), nil
}

// daysElement writes the days from one to another, or the one day that both are.
func daysElement(from, to any) (template.HTML, error) {
	first, err := dayElement(from)
	if err != nil {
		return "", err
	}
	last, err := dayElement(to)
	if err != nil || first == last {
		return first, err
	}
	return `<span data-days>` + first + ` – ` + last + `</span>`, nil
}

var writtenDay = regexp.MustCompile(`\b\d{4}-\d{2}-\d{2}(T\d{2}:\d{2}:\d{2}(\.\d+)?Z)?\b`)

// datedText writes a sentence in which the days, and moments in UTC, are put into the
// reader's form.
func datedText(text string) template.HTML {
	return template.HTML(writtenDay.ReplaceAllStringFunc(template.HTMLEscapeString(text), func(day string) string {
		if at, err := time.Parse(time.RFC3339, day); err == nil {
			return string(momentElement(at))
		}
		written, err := dayElement(day)
		if err != nil {
			return day
		}
		return string(written)
	}))
}

// momentElement writes a time in UTC, which the script turns into the fleet's
// zone and the reader's form; without script it says that it is UTC.
func momentElement(t time.Time) template.HTML {
	if t.IsZero() {
		return "–"
	}
	t = t.UTC()
	return template.HTML(`<time datetime="` + t.Format(time.RFC3339) + `" data-moment>` + t.Format("2006-01-02 15:04") + ` UTC</time>`)
}

// numberElement writes a number with so many decimals.
func numberElement(of any, decimals int) (template.HTML, error) {
	v := 0.0
	switch n := of.(type) {
	case float64:
		v = n
	case *float64:
		if n == nil {
			return "–", nil
		}
		v = *n
	case int:
		v = float64(n)
	case int64:
		v = float64(n)
	case uint64:
		v = float64(n)
	default:
		return "", fmt.Errorf("%T is not a number", of)
	}
	text := strconv.FormatFloat(v, 'f', decimals, 64)
	return template.HTML(`<data class="number" value="` + text + `">` + text + `</data>`), nil
}

// commitLink writes a commit's number as a link to it, with a word before it if
// one is given.
func commitLink(n any, words ...string) (template.HTML, error) {
	if text, ok := n.(string); ok {
		parsed, err := strconv.ParseUint(text, 10, 64)
		if err != nil {
			return template.HTML(template.HTMLEscapeString(text)), nil
		}
		n = parsed
	}
	number, err := numberElement(n, 0)
	if err != nil {
		return "", err
	}
	before := ""
	for _, w := range words {
		before += template.HTMLEscapeString(w) + " "
	}
	return template.HTML(fmt.Sprintf(`<a class="commit" href="/ledger/commits/%v">%s`, n, before)) + number + "</a>", nil
}

// asset is the style sheet, the script or our mark, made of all our files of its
// kind in order of their names.
type asset struct {
	kind, tag string
	text      []byte
}

var (
	styles       = gather("css", "text/css; charset=utf-8")
	scripts      = gather("js", "text/javascript; charset=utf-8")
	mark         = gather("svg", "image/svg+xml")
	assetAddress = map[string]string{"mark": "/mark.svg?v=" + mark.tag, "css": "/console.css?v=" + styles.tag, "js": "/console.js?v=" + scripts.tag}
)

func gather(ending, kind string) asset {
	names, err := fs.Glob(assetFiles, "assets/*."+ending)
	if err != nil {
		panic(err)
	}
	slices.Sort(names)
	var b bytes.Buffer
	for _, name := range names {
		text, err := assetFiles.ReadFile(name)
		if err != nil {
			panic(err)
		}
		b.Write(text)
		b.WriteByte('\n')
	}
	sum := sha256.Sum256(b.Bytes())
	return asset{kind: kind, tag: base64.RawURLEncoding.EncodeToString(sum[:9]), text: b.Bytes()}
}

// serveAsset answers with an asset. Its address names its content, so a browser
// may keep it for good.
func serveAsset(a asset) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		h := w.Header()
		h.Set("Content-Type", a.kind)
		h.Set("Cache-Control", "no-cache")
		if r.URL.Query().Get("v") == a.tag {
			h.Set("Cache-Control", "public, max-age=31536000, immutable")
		}
		_, _ = w.Write(a.text)
	}
}
