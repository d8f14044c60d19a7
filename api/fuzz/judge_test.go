package fuzz_test

import (
	"bytes"
	"compress/gzip"
	"encoding/json"
	"fmt"
	"io"
	"mime"
	"net/http"
	"path"
	"slices"
	"strings"

	"rigledger/api/apitest"
	"rigledger/api/call"
	"rigledger/fleet"
)

// judge holds one answer to the document.
func (f *fuzz) judge(s *shot, response *http.Response, body []byte) {
	status := response.StatusCode
	if status >= 500 {
		if !waits(s, status, body) {
			f.find(s, response, body, "answered 5xx: "+call.Clip(f.broke.String(), 1500))
		}
		return
	}
	switch {
	case s.method == http.MethodOptions && status != 404:
		if status != 204 || !strings.Contains(response.Header.Get("Allow"), "OPTIONS") {
			f.find(s, response, body, "OPTIONS is not answered with 204 and Allow")
		}
		return
	case status == 405:
		if response.Header.Get("Allow") == "" {
			f.find(s, response, body, "405 without Allow")
		}
		return
	}
	if strings.HasPrefix(response.Header.Get("Content-Type"), "text/html") && !strings.HasPrefix(path.Clean(s.path), "/v1/") && s.op.path != "/docs" {
		return // an odd address that is that of a page
	}
	// Another resource, or another operation of it by its own right: only that a
	// refusal is a problem is looked at.
	elsewhere := slices.Contains(s.broken, "an odd address") || status == 404 && strings.Contains(s.path, "%2F")
	if elsewhere || s.method != s.op.method && (s.method != http.MethodHead || s.op.method != http.MethodGet) {
		if status >= 400 {
			f.problem(s, response, body)
		}
		return
	}
	body, ok := f.unpacked(s, response, body)
	if !ok {
		return
	}
	kinds, documented := s.op.kinds(status)
	if _, otherwise := s.op.answers["default"]; !documented && !(otherwise && status == 429) {
		f.find(s, response, body, "the document does not list the status")
	}
	if s.method == http.MethodHead {
		if len(body) > 0 {
			f.find(s, response, body, "HEAD has a body")
		}
		return
	}
	kind, _, _ := mime.ParseMediaType(response.Header.Get("Content-Type"))
	if len(body) > 0 && documented && !slices.Contains(kinds, kind) {
		f.find(s, response, body, fmt.Sprintf("the media type is %q, the document says %v", kind, kinds))
	}
	if status >= 400 {
		f.problem(s, response, body)
	}
	if status == 400 && len(s.broken) == 0 {
		f.find(s, response, body, "could not read what the document allows")
	}
	if kind == "application/json" && status < 300 {
		var doc any
		if json.Unmarshal(body, &doc) == nil {
			f.learn(doc)
		}
	}
	if kind != "text/event-stream" {
		f.validate(s, response, body)
	}
}

func (f *fuzz) unpacked(s *shot, response *http.Response, body []byte) ([]byte, bool) {
	if response.Header.Get("Content-Encoding") != "gzip" || s.method == http.MethodHead {
		return body, true
	}
	z, err := gzip.NewReader(bytes.NewReader(body))
	if err == nil {
		body, err = io.ReadAll(z)
	}
	if err != nil {
		f.find(s, response, body, "said to be gzip: "+err.Error())
		return nil, false
	}
	response.Header.Del("Content-Encoding")
	return body, true
}

// validate asks the validator of the house: of the answer, and of what was
// carried out.
func (f *fuzz) validate(s *shot, response *http.Response, body []byte) {
	v, err := apitest.Contract()
	if err != nil {
		f.t.Fatal(err)
	}
	response.Body = io.NopCloser(bytes.NewReader(body))
	if ok, errs := v.ValidateHttpResponse(f.request(s), response); !ok {
		for _, e := range errs {
			f.find(s, response, body, fmt.Sprintf("against the document: %s: %s %v", e.Message, e.Reason, e.SchemaValidationErrors))
		}
	}
	if response.StatusCode >= 300 {
		return
	}
	if ok, errs := v.ValidateHttpRequest(plainly(s.op, f.request(s))); !ok {
		for _, e := range errs {
			if strings.HasPrefix(e.Message, "query parameter") && !strings.HasPrefix(s.op.path, "/v1/") {
				continue // documents, health and metrics do not look at it
			}
			f.find(s, response, body, fmt.Sprintf("carried out what the document calls wrong: %s: %s %v", e.Message, e.Reason, e.SchemaValidationErrors))
		}
	}
}

// waits says whether a 503 is the documented one: the caller asked for a commit
// that is not there.
func waits(s *shot, status int, body []byte) bool {
	asked := s.query.Has("after_commit") || s.query.Has("after") || s.header.Get("Last-Event-ID") != ""
	return status == http.StatusServiceUnavailable && asked && (s.method == http.MethodHead || bytes.Contains(body, []byte(call.Behind.URI)))
}

// plainly leaves out what a service may overlook by RFC 9110 (headers that it
// does not know) and what counts as absent by the document (empty parameters).
func plainly(op *operation, r *http.Request) *http.Request {
	query := r.URL.Query()
	for name, values := range query {
		if len(values) == 1 && values[0] == "" {
			query.Del(name)
		}
	}
	r.URL.RawQuery = query.Encode()
	for name := range r.Header {
		if name != "Content-Type" && name != "Authorization" && !op.takes(name) {
			r.Header.Del(name)
		}
	}
	return r
}

// problem looks at a refusal: its type goes with its status, and it says where.
func (f *fuzz) problem(s *shot, response *http.Response, body []byte) {
	if s.method == http.MethodHead || !strings.HasPrefix(s.path, "/v1/") {
		return
	}
	body, ok := f.unpacked(s, response, body)
	if !ok {
		return
	}
	var p call.ProblemDoc
	if err := json.Unmarshal(body, &p); err != nil || p.Status != response.StatusCode || !strings.HasPrefix(p.Type, "/problems/") {
		f.find(s, response, body, "a refusal that is no problem document")
		return
	}
	for _, e := range p.Errors {
		if e.Detail == "" || e.Pointer != "" && !strings.HasPrefix(e.Pointer, "/") {
			f.find(s, response, body, "an error without a detail, or a pointer that is none")
		}
	}
}

// neverBelowNothing: whatever was taken, no total is below nothing.
func (f *fuzz) neverBelowNothing(s *shot, response *http.Response, body []byte) {
	f.h.Fleet.View(func(state *fleet.State) {
		for code, r := range state.Rigs {
			for _, t := range r.Totals() {
				if t.Total < 0 && !f.below[code+t.Meter] {
					f.below[code+t.Meter] = true
					f.find(s, response, body, fmt.Sprintf("a total is below nothing: that of %s of %s is %d", t.Meter, code, t.Total))
				}
			}
		}
	})
}
