package api

import (
	"errors"
	"net/http"
	"strings"
	"unicode/utf8"

	"rigledger/fleet"
)

// kind is a type of problem. Its URI is relative to the API and documented in
// openapi.yaml under that path.
type kind struct {
	uri    string
	title  string
	status int
	retry  string // seconds, for Retry-After
}

// The types of problem. Every refusal is one of these.
var (
	kindBadJSON      = kind{uri: "/problems/bad-json", title: "The body cannot be read", status: http.StatusBadRequest}
	kindBadRequest   = kind{uri: "/problems/bad-request", title: "The request cannot be read", status: http.StatusBadRequest}
	kindUnknown      = kind{uri: "/problems/unauthorized", title: "A valid token is needed", status: http.StatusUnauthorized}
	kindNotAllowed   = kind{uri: "/problems/not-allowed", title: "This token may not do that", status: http.StatusForbidden}
	kindRuleForbids  = kind{uri: "/problems/rule-forbids", title: "A rule forbids it", status: http.StatusForbidden}
	kindNotFound     = kind{uri: "/problems/not-found", title: "There is no such thing", status: http.StatusNotFound}
	kindNoRoute      = kind{uri: "/problems/no-such-address", title: "There is no such address", status: http.StatusNotFound}
	kindNoMethod     = kind{uri: "/problems/no-such-method", title: "The method does not go with this address", status: http.StatusMethodNotAllowed}
	kindConflict     = kind{uri: "/problems/conflict", title: "It does not fit how things stand", status: http.StatusConflict}
	kindKeyInFlight  = kind{uri: "/problems/key-in-flight", title: "The first request with this key still runs", status: http.StatusConflict, retry: "1"}
	kindStale        = kind{uri: "/problems/stale", title: "It changed since it was read", status: http.StatusPreconditionFailed}
	kindUnseen       = kind{uri: "/problems/unseen", title: "Say in If-Match what was seen", status: http.StatusPreconditionRequired}
	kindTooLarge     = kind{uri: "/problems/too-large", title: "The body is too large", status: http.StatusRequestEntityTooLarge}
	kindMedia        = kind{uri: "/problems/media-type", title: "The body's media type is not taken here", status: http.StatusUnsupportedMediaType}
	kindInvalid      = kind{uri: "/problems/invalid", title: "The request does not hold together", status: http.StatusUnprocessableEntity}
	kindKeyReused    = kind{uri: "/problems/key-reused", title: "The Idempotency-Key belongs to another request", status: http.StatusUnprocessableEntity}
	kindKeyUnwelcome = kind{uri: "/problems/key-unwelcome", title: "No Idempotency-Key here", status: http.StatusUnprocessableEntity}
	kindTooMany      = kind{uri: "/problems/too-many", title: "This token asks too often", status: http.StatusTooManyRequests, retry: "1"}
	kindInternal     = kind{uri: "/problems/internal", title: "Something broke on our side", status: http.StatusInternalServerError}
	kindBusy         = kind{uri: "/problems/busy", title: "Too many writes are waiting", status: http.StatusServiceUnavailable, retry: "1"}
	kindDown         = kind{uri: "/problems/unavailable", title: "The ledger cannot be reached", status: http.StatusServiceUnavailable, retry: "5"}
	kindBehind       = kind{uri: "/problems/behind", title: "The commit asked for is not here yet", status: http.StatusServiceUnavailable, retry: "1"}
	kindStreams      = kind{uri: "/problems/too-many-streams", title: "No live stream is free", status: http.StatusServiceUnavailable, retry: "30"}
)

var kinds = []kind{
	kindBadJSON, kindBadRequest, kindUnknown, kindNotAllowed, kindRuleForbids, kindNotFound, kindNoRoute, kindNoMethod, kindConflict, kindKeyInFlight,
	kindStale, kindUnseen, kindTooLarge, kindMedia, kindInvalid, kindKeyReused, kindKeyUnwelcome, kindInternal, kindBusy, kindDown, kindBehind, kindTooMany, kindStreams,
}

// problem is a refusal on its way to the caller.
type problem struct {
	kind   kind
	detail string
	fields []fieldProblem
	retry  string // seconds for Retry-After, where the kind's own will not do
	cause  error  // for the log alone
}

func (p *problem) Error() string { return p.detail }

// fieldProblem says what is wrong with one field of the body (Pointer, RFC 6901)
// or one query parameter.
type fieldProblem struct {
	Pointer   string `json:"pointer,omitempty"`
	Parameter string `json:"parameter,omitempty"`
	Detail    string `json:"detail"`
}

// problemDoc is application/problem+json (RFC 9457).
type problemDoc struct {
	Type    string         `json:"type"`
	Title   string         `json:"title"`
	Status  int            `json:"status"`
	Detail  string         `json:"detail,omitempty"`
	Errors  []fieldProblem `json:"errors,omitempty"`
	Request string         `json:"request,omitempty"` // the X-Request-Id
}

var kindOfCode = map[fleet.Code]kind{
	fleet.Invalid: kindInvalid, fleet.NotFound: kindNotFound, fleet.Conflict: kindConflict, fleet.Forbidden: kindRuleForbids,
	fleet.Stale: kindStale, fleet.KeyReused: kindKeyReused, fleet.Busy: kindBusy, fleet.Down: kindDown,
}

// problemOf sorts any error.
func problemOf(err error) *problem {
	var p *problem
	if errors.As(err, &p) {
		return p
	}
	var e *fleet.Error
	if errors.As(err, &e) {
		k, known := kindOfCode[e.Code]
		if !known {
			return &problem{kind: kindInternal, detail: "the request was not carried out", cause: err}
		}
		p = &problem{kind: k, detail: e.Message, cause: e.Cause}
		for _, f := range e.Fields {
			p.fields = append(p.fields, fieldProblem{Pointer: f.Field, Detail: f.Message})
		}
		return p
	}
	return &problem{kind: kindInternal, detail: "the request was not carried out", cause: err}
}

func notFound(what, id string) error {
	return &problem{kind: kindNotFound, detail: "there is no " + what + " " + quoted(id)}
}

func quoted(id string) string { return `"` + clip(id, 80) + `"` }

// clip shortens what a caller sent before it is sent back.
func clip(s string, most int) string {
	s = strings.ToValidUTF8(s, "�")
	if len(s) <= most {
		return s
	}
	for most > 0 && !utf8.RuneStart(s[most]) {
		most--
	}
	return s[:most] + "…"
}
