package fuzz_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"net/http"
	"net/url"
	"sort"
	"strings"

	"rigledger/api/call"
)

// shot is one request, before it is sent.
type shot struct {
	op      *operation
	as      string // the name of a token, "" for none
	method  string
	path    string // escaped
	query   url.Values
	header  http.Header
	body    []byte
	hasBody bool
	broken  []string // what was made wrong about it
}

func (s *shot) breaks(what string) { s.broken = append(s.broken, what) }

// spoil makes a request wrong, or only strange, in one to three ways.
func (m *maker) spoil(s *shot) {
	for range 1 + m.IntN(3) {
		switch m.IntN(7) {
		case 0, 1, 2:
			m.spoilBody(s)
		case 3:
			m.spoilQuery(s)
		case 4, 5:
			m.spoilHeaders(s)
		case 6:
			m.spoilWay(s)
		}
	}
}

func (m *maker) spoilBody(s *shot) {
	if !s.hasBody {
		s.body, s.hasBody = []byte(`{"odd":1}`), true
		s.header.Set("Content-Type", "application/json")
		s.breaks("a body where none goes")
		return
	}
	var doc any
	isJSON := json.Unmarshal(s.body, &doc) == nil
	switch n := m.IntN(14); {
	case n == 0:
		s.body = s.body[:m.IntN(len(s.body)+1)]
		s.breaks("truncated")
	case n == 1:
		s.header.Set("Content-Type", oddKinds[m.IntN(len(oddKinds))])
		s.breaks("another media type")
	case n == 2:
		s.body = append(bytes.Clone(s.body), []byte(` {}`)...)
		s.breaks("something follows")
	case n == 3:
		s.body = []byte(strings.Repeat("[", 2000) + strings.Repeat("]", 2000))
		s.breaks("nested deeply")
	case n == 4:
		s.body = []byte(strings.Repeat(`{"a":`, 100) + "1" + strings.Repeat("}", 100))
		s.breaks("objects nested")
	case n == 5:
		s.body = []byte(junk[m.IntN(len(junk))])
		s.breaks("junk for a body")
	case n == 6 && len(s.body) > 0:
		s.body = bytes.Clone(s.body)
		s.body[m.IntN(len(s.body))] ^= byte(1 + m.IntN(255))
		s.breaks("a byte flipped")
	case n == 7 && isJSON:
		s.body = bytes.Replace(s.body, []byte("{"), []byte(`{"rig":"T01","rig":"T02",`), 1)
		s.breaks("a field twice")
	case isJSON:
		s.body = m.twist(doc)
		s.breaks("a field twisted")
	}
}

var oddKinds = []string{"text/plain", "application/xml", "application/json; charset=latin-1", "application/json;;", "multipart/form-data", "multipart/form-data; boundary=x", "", "*/*", "application/yaml", "application/cbor", "ä"}

var junk = []string{"", "null", "true", "0", `""`, "[]", "{}", "NaN", "{\"a\":NaN}", "[null]", "[[]]", "\xff\xfe", "\x00", "{\"\\ud800\":1}", "{'a':1}", "---\na: *b\n", "<a/>", "1e400", "-0", "{\"rig\":" + strings.Repeat("9", 400) + "}"}

// wild are values in place of others, as JSON.
var wild = []string{
	"null", "true", `""`, `"NaN"`, `"Infinity"`, "-1", "0", "-0.0", "1e308", "1e999", "-1e308", "1e-320", "9223372036854775807", "9223372036854775808", "123456789012345678901234567890", "0.1e1",
	`"2026-02-30"`, `"0000-00-00"`, `"9999-12-31"`, `"2026-05-04T25:00:00Z"`, `"0001-01-01T00:00:00Z"`, `"9999-12-31T23:59:59Z"`, `"2026-05-04T06:00:00+14:00"`, "[]", "{}", `[null]`, `{"a":{"b":{"c":{}}}}`, `"\u0000"`, `"\ud83d"`, `"../.."`, `"ä.b"`, `"T01,T02"`,
}

// twist replaces, drops or adds one field of a document.
func (m *maker) twist(doc any) []byte {
	var places []func(v any, drop bool)
	var walk func(v any)
	walk = func(v any) {
		switch v := v.(type) {
		case map[string]any:
			for _, k := range sortedKeys(v) {
				places = append(places, func(n any, drop bool) {
					if drop {
						delete(v, k)
					} else {
						v[k] = n
					}
				})
				walk(v[k])
			}
			places = append(places, func(n any, _ bool) { v["unheard_of"] = n })
		case []any:
			for i := range v {
				places = append(places, func(n any, _ bool) { v[i] = n })
				walk(v[i])
			}
		}
	}
	walk(doc)
	value := json.RawMessage(wild[m.IntN(len(wild))])
	if m.chance(10) {
		value, _ = json.Marshal(strings.Repeat("long ", 1+m.IntN(3000)))
	}
	if m.chance(5) {
		value = json.RawMessage("[" + strings.Repeat("1,", 2000) + "1]")
	}
	if len(places) == 0 {
		return value
	}
	places[m.IntN(len(places))](value, m.chance(25))
	out, err := json.Marshal(doc)
	if err != nil {
		return value // text that Go does not write
	}
	return out
}

func (m *maker) spoilQuery(s *shot) {
	names := []string{"limit", "cursor", "rig", "yard", "unheard_of", "after", "kind", "from", "to", "at", "days", "status", "version", "fields", "sort", "ä"}
	for k := range s.query {
		names = append(names, k)
	}
	sort.Strings(names)
	name := names[m.IntN(len(names))]
	values := []string{"", "-1", "0", "NaN", "1e9", "99999999999999999999", "a,b,,c", strings.Repeat("x,", 200), "%", "\x00", "2026-13-01", "0001-01-01", "9999-12-31", "eyJ9", "T01", "true", "ä", strings.Repeat("y", 3000)}
	s.query.Set(name, values[m.IntN(len(values))])
	if m.chance(15) {
		s.query.Add(name, "again")
	}
	s.breaks("the parameter " + name)
}

// wildHeaders are those that proxies, caches, browsers and mischief send.
var wildHeaders = [][2]string{
	{"If-Match", `"1"`}, {"If-Match", `W/"1"`}, {"If-Match", "*"}, {"If-Match", `"`}, {"If-Match", `"99999999999999999999999"`}, {"If-Match", `"1.2-2026-05-04+gzip"`}, {"If-Match", "x, \"2\""},
	{"If-None-Match", "*"}, {"If-None-Match", `W/"1-2026-05-04"`}, {"If-None-Match", strings.Repeat(`"1", `, 300)}, {"If-None-Match", "\xff"},
	{"Idempotency-Key", ""}, {"Idempotency-Key", strings.Repeat("k", 256)}, {"Idempotency-Key", "a b"}, {"Idempotency-Key", "ä"}, {"Idempotency-Key", "same"}, {"Idempotency-Key", "same"}, {"Idempotency-Key", `"quoted"`},
	{"Last-Event-ID", "0"}, {"Last-Event-ID", "999999.1"}, {"Last-Event-ID", "x"}, {"Last-Event-ID", "1.2.3"}, {"Last-Event-ID", "-1"},
	{"Range", "bytes=0-10"}, {"Range", "bytes=5-1"}, {"Range", "bytes=0-1,3-4,9-"}, {"Range", "lines=x"}, {"If-Range", `"1"`},
	{"Accept-Encoding", "gzip"}, {"Accept-Encoding", "gzip;q=0"}, {"Accept-Encoding", "br, *;q=0.1"}, {"Accept-Encoding", "gzip;q=x"}, {"Accept-Encoding", "identity;q=0, *;q=0"},
	{"Accept", "text/csv"}, {"Accept", "*/*;q=0"}, {"Accept-Language", "de"}, {"Content-Encoding", "gzip"}, {"X-Request-Id", "mine-1"}, {"X-Request-Id", strings.Repeat("z", 500)}, {"X-Request-Id", "a b"},
	{"X-Forwarded-For", "203.0.113.1"}, {"X-HTTP-Method-Override", "DELETE"}, {"Cookie", "session=x; session=y"}, {"Cookie", strings.Repeat("a=b;", 500)}, {"Origin", "https://elsewhere.example"}, {"Host", "elsewhere.example"},
	{"Expect", "100-continue"}, {"If-Modified-Since", "yesterday"}, {"Content-Language", "\xe4"}, {"Authorization", "Basic eDp5"}, {"Authorization", "Bearer"}, {"Authorization", "Bearer rl_" + strings.Repeat("a", 5000)}, {"Authorization", "bearer  x y"},
}

func (m *maker) spoilHeaders(s *shot) {
	w := wildHeaders[m.IntN(len(wildHeaders))]
	s.header.Set(w[0], w[1])
	if m.chance(5) {
		s.header.Add(w[0], w[1])
	}
	s.breaks(fmt.Sprintf("%s: %s", w[0], call.Clip(w[1], 40)))
}

// spoilWay changes who asks, how, or for what.
func (m *maker) spoilWay(s *shot) {
	switch m.IntN(6) {
	case 0, 1:
		s.method = []string{"HEAD", "OPTIONS", "DELETE", "PUT", "PATCH", "POST", "GET", "TRACE", "FETCH"}[m.IntN(9)]
		s.breaks("method " + s.method)
	case 2, 3:
		s.as = []string{"", "manager", "workshop", "operator", "reader", "rig", "northern", "northern-workshop", "northern-reader"}[m.IntN(9)]
		s.breaks("sent by " + s.as)
	default:
		steps := strings.Split(s.path, "/")
		i := 1 + m.IntN(len(steps)-1)
		steps[i] = []string{"", "..", "%00", "%2F", "%C3%28", "none", strings.Repeat("a", 3000), "T01%20", "0", "-1", "*", "ä", "a;b=c", "%F0%9F%9A%9C"}[m.IntN(14)]
		s.path = "/" + strings.TrimLeft(strings.Join(steps, "/"), "/")
		s.breaks("an odd address")
	}
}
