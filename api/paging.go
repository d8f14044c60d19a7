package api

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
	pageUsual = 100
	pageMost  = 500
)

// place is where an entry stands in its list: a key and the id. In the usual
// orders it never changes while the entry exists, so pages neither repeat nor skip
// what was there when the first was read; in the others (sort.go) that holds for
// entries whose key stays.
type place struct {
	N  uint64 `json:"n"`
	ID string `json:"i"`
}

func (p place) compare(o place) int {
	if d := cmp.Compare(p.N, o.N); d != 0 {
		return d
	}
	return cmp.Compare(p.ID, o.ID)
}

// pages is what a caller wants of a list.
type pages struct {
	list  string
	limit int
	sort  string // the order asked for, or the usual one
	after *place
	print string // of the filters and the order that the cursor was made under
}

// cursor is the opaque next of a page.
type cursor struct {
	List  string `json:"l"`
	After place  `json:"a"`
	Print string `json:"f"`
}

// pages reads limit, sort and cursor. The other parameters but fields may not
// change from page to page. sorts are the orders that the list knows, the usual
// one first; none for a list that has one order only.
func (c *call) pages(list string, sorts ...string) pages {
	p := pages{list: list, limit: c.Query.number("limit", 1, pageMost, pageUsual)}
	rest := url.Values{}
	for name, v := range c.Query.values {
		switch name {
		case "limit", "cursor", "after_commit", "fields", "sort":
		default:
			rest[name] = v
		}
	}
	if len(sorts) > 0 {
		p.sort = sorts[0]
		if asked := c.Query.text("sort"); asked != "" && slices.Contains(sorts, asked) {
			p.sort = asked
		} else if asked != "" {
			c.Query.fail("sort", quoted(asked)+" is not one of "+strings.Join(sorts, ", "))
		}
		if p.sort != sorts[0] {
			rest.Set("sort", p.sort)
		}
	}
	sum := sha256.Sum256([]byte(c.Request.URL.Path + "?" + rest.Encode()))
	p.print = hex.EncodeToString(sum[:6])
	text := c.Query.text("cursor")
	if text == "" {
		return p
	}
	var at cursor
	raw, err := base64.RawURLEncoding.DecodeString(text)
	if err != nil || len(raw) > 1024 || json.Unmarshal(raw, &at) != nil || at.List != list {
		c.Query.fail("cursor", "is not a cursor of this list")
		return p
	}
	if at.Print != p.print {
		c.Query.fail("cursor", "belongs to other filters or another order; begin again without it")
		return p
	}
	p.after = &at.After
	return p
}

// placed is an entry with its place.
type placed[T any] struct {
	at place
	of T
}

// wants says whether an entry lies on this page or a later one.
func (p *pages) wants(at place) bool { return p.after == nil || at.compare(*p.after) > 0 }

// cut sorts what was gathered and keeps one page of it; next is "" on the last.
func cut[T any](p *pages, all []placed[T]) (page []placed[T], next string) {
	slices.SortFunc(all, func(a, b placed[T]) int { return a.at.compare(b.at) })
	if len(all) <= p.limit {
		return all, ""
	}
	page = all[:p.limit]
	raw, _ := json.Marshal(cursor{List: p.list, After: page[p.limit-1].at, Print: p.print}) // plain strings and numbers
	return page, base64.RawURLEncoding.EncodeToString(raw)
}

// list answers a page under the resource's plural, with the next cursor in the
// body and as a link (RFC 8288).
func (c *call) list(name string, entries any, next string, also map[string]any) error {
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
		c.setHeader("Link", "<"+c.Request.URL.EscapedPath()+"?"+values.Encode()+`>; rel="next"`)
	}
	return c.answer(200, doc)
}
