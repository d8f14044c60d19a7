package call

import (
	"cmp"
	"crypto/sha256"
	"encoding/base64"
	"encoding/hex"
	"encoding/json"
	"net/url"
	"slices"
	"strings"
)

// Bounds of a page.
const (
	PageUsual = 100
	PageMost  = 500
)

// Place is where an entry stands in its list: a key and the id. In the usual
// orders it never changes while the entry exists, so pages neither repeat nor skip
// what was there when the first was read; in the others (order.go) that holds for
// entries whose key stays.
type Place struct {
	N  uint64 `json:"n"`
	ID string `json:"i"`
}

func (p Place) compare(o Place) int {
	if d := cmp.Compare(p.N, o.N); d != 0 {
		return d
	}
	return cmp.Compare(p.ID, o.ID)
}

// Pages is what a caller wants of a list.
type Pages struct {
	list  string
	Limit int
	Sort  string // the order asked for, or the usual one
	After *Place
	print string // of the filters and the order that the cursor was made under
}

// cursor is the opaque next of a page.
type cursor struct {
	List  string `json:"l"`
	After Place  `json:"a"`
	Print string `json:"f"`
}

// Pages reads limit, sort and cursor. The other parameters but fields may not
// change from page to page. sorts are the orders that the list knows, the usual
// one first; none for a list that has one order only.
func (c *Call) Pages(list string, sorts ...string) Pages {
	p := Pages{list: list, Limit: c.Query.Number("limit", 1, PageMost, PageUsual)}
	rest := url.Values{}
	for name, v := range c.Query.values {
		switch name {
		case "limit", "cursor", "after_commit", "fields", "sort":
		default:
			rest[name] = v
		}
	}
	if len(sorts) > 0 {
		p.Sort = sorts[0]
		if asked := c.Query.Text("sort"); asked != "" && slices.Contains(sorts, asked) {
			p.Sort = asked
		} else if asked != "" {
			c.Query.Fail("sort", Quoted(asked)+" is not one of "+strings.Join(sorts, ", "))
		}
		if p.Sort != sorts[0] {
			rest.Set("sort", p.Sort)
		}
	}
	sum := sha256.Sum256([]byte(c.Request.URL.Path + "?" + rest.Encode()))
	p.print = hex.EncodeToString(sum[:6])
	text := c.Query.Text("cursor")
	if text == "" {
		return p
	}
	var at cursor
	raw, err := base64.RawURLEncoding.DecodeString(text)
	if err != nil || len(raw) > 1024 || json.Unmarshal(raw, &at) != nil || at.List != list {
		c.Query.Fail("cursor", "is not a cursor of this list")
		return p
	}
	if at.Print != p.print {
		c.Query.Fail("cursor", "belongs to other filters or another order; begin again without it")
		return p
	}
	p.After = &at.After
	return p
}

// Placed is an entry with its place.
type Placed[T any] struct {
	At Place
	Of T
}

// Wants says whether an entry lies on this page or a later one.
func (p *Pages) Wants(at Place) bool { return p.After == nil || at.compare(*p.After) > 0 }

// Cut sorts what was gathered and keeps one page of it; next is "" on the last.
func Cut[T any](p *Pages, all []Placed[T]) (page []Placed[T], next string) {
	slices.SortFunc(all, func(a, b Placed[T]) int { return a.At.compare(b.At) })
	if len(all) <= p.Limit {
		return all, ""
	}
	page = all[:p.Limit]
	raw, _ := json.Marshal(cursor{List: p.list, After: page[p.Limit-1].At, Print: p.print}) // plain strings and numbers
	return page, base64.RawURLEncoding.EncodeToString(raw)
}

// List answers a page under the resource's plural, with the next cursor in the
// body and as a link (RFC 8288).
func (c *Call) List(name string, entries any, next string, also map[string]any) error {
	doc := map[string]any{name: entries}
	for k, v := range also {
		doc[k] = v
	}
	if next != "" {
		doc["next"] = next
		values := url.Values{}
		for k, v := range c.Query.values {
			if k != "after_commit" {
				values[k] = v
			}
		}
		values.Set("cursor", next)
		c.SetHeader("Link", "<"+c.Request.URL.EscapedPath()+"?"+values.Encode()+`>; rel="next"`)
	}
	return c.Answer(200, doc)
}
