package call

import (
	"errors"
	"net/http"
	"strings"
	"unicode/utf8"

	"rigledger/fleet"
)

// Kind is a type of problem. Its URI is relative to the API and documented in
// openapi.yaml under that path.
type Kind struct {
	URI    string
	Title  string
	Status int
	Retry  string // seconds, for Retry-After
}

// The types of problem. Every refusal is one of these.
var (
	BadJSON           = Kind{URI: "/problems/bad-json", Title: "The body cannot be read", Status: http.StatusBadRequest}
	BadRequest        = Kind{URI: "/problems/bad-request", Title: "The request cannot be read", Status: http.StatusBadRequest}
	Unauthorized      = Kind{URI: "/problems/unauthorized", Title: "A valid token is needed", Status: http.StatusUnauthorized}
	NotAllowed        = Kind{URI: "/problems/not-allowed", Title: "This token may not do that", Status: http.StatusForbidden}
	RuleForbids       = Kind{URI: "/problems/rule-forbids", Title: "A rule forbids it", Status: http.StatusForbidden}
	NotFound          = Kind{URI: "/problems/not-found", Title: "There is no such thing", Status: http.StatusNotFound}
	NoRoute           = Kind{URI: "/problems/no-such-address", Title: "There is no such address", Status: http.StatusNotFound}
	NoMethod          = Kind{URI: "/problems/no-such-method", Title: "The method does not go with this address", Status: http.StatusMethodNotAllowed}
	Conflict          = Kind{URI: "/problems/conflict", Title: "It does not fit how things stand", Status: http.StatusConflict}
	KeyInFlight       = Kind{URI: "/problems/key-in-flight", Title: "The first request with this key still runs", Status: http.StatusConflict, Retry: "1"}
	Stale             = Kind{URI: "/problems/stale", Title: "It changed since it was read", Status: http.StatusPreconditionFailed}
	Unseen            = Kind{URI: "/problems/unseen", Title: "Say in If-Match what was seen", Status: http.StatusPreconditionRequired}
	TooLarge          = Kind{URI: "/problems/too-large", Title: "The body is too large", Status: http.StatusRequestEntityTooLarge}
	MediaType         = Kind{URI: "/problems/media-type", Title: "The body's media type is not taken here", Status: http.StatusUnsupportedMediaType}
	Invalid           = Kind{URI: "/problems/invalid", Title: "The request does not hold together", Status: http.StatusUnprocessableEntity}
	KeyReused         = Kind{URI: "/problems/key-reused", Title: "The Idempotency-Key belongs to another request", Status: http.StatusUnprocessableEntity}
	KeyUnwelcome      = Kind{URI: "/problems/key-unwelcome", Title: "No Idempotency-Key here", Status: http.StatusUnprocessableEntity}
	TooMany           = Kind{URI: "/problems/too-many", Title: "This token asks too often", Status: http.StatusTooManyRequests, Retry: "1"}
	Internal          = Kind{URI: "/problems/internal", Title: "Something broke on our side", Status: http.StatusInternalServerError}
	Busy              = Kind{URI: "/problems/busy", Title: "Too many writes are waiting", Status: http.StatusServiceUnavailable, Retry: "1"}
	Unavailable       = Kind{URI: "/problems/unavailable", Title: "The ledger cannot be reached", Status: http.StatusServiceUnavailable, Retry: "5"}
	Behind            = Kind{URI: "/problems/behind", Title: "The commit asked for is not here yet", Status: http.StatusServiceUnavailable, Retry: "1"}
	TooManyOwnStreams = Kind{URI: "/problems/too-many-own-streams", Title: "This token has as many live streams as it may", Status: http.StatusTooManyRequests, Retry: "30"}
	TooManyStreams    = Kind{URI: "/problems/too-many-streams", Title: "No live stream is free", Status: http.StatusServiceUnavailable, Retry: "30"}
)

// Kinds lists the types of problem, each documented in openapi.yaml.
var Kinds = []Kind{
	BadJSON, BadRequest, Unauthorized, NotAllowed, RuleForbids, NotFound, NoRoute, NoMethod, Conflict, KeyInFlight,
	Stale, Unseen, TooLarge, MediaType, Invalid, KeyReused, KeyUnwelcome, Internal, Busy, Unavailable, Behind, TooMany, TooManyStreams, TooManyOwnStreams,
}

// Problem is a refusal on its way to the caller.
type Problem struct {
	Kind   Kind
	Detail string
	Fields []FieldProblem
	Retry  string // seconds for Retry-After, where the kind's own will not do
	Cause  error  // for the log alone
}

func (p *Problem) Error() string { return p.Detail }

// FieldProblem says what is wrong with one field of the body (Pointer, RFC 6901),
// one query parameter or one header.
type FieldProblem struct {
	Pointer   string `json:"pointer,omitempty"`
	Parameter string `json:"parameter,omitempty"`
	Header    string `json:"header,omitempty"`
	Detail    string `json:"detail"`
}

// ProblemDoc is application/problem+json (RFC 9457).
type ProblemDoc struct {
	Type    string         `json:"type"`
	Title   string         `json:"title"`
	Status  int            `json:"status"`
	Detail  string         `json:"detail,omitempty"`
	Errors  []FieldProblem `json:"errors,omitempty"`
	Request string         `json:"request,omitempty"` // the X-Request-Id
}

var kindOfCode = map[fleet.Code]Kind{
	fleet.Invalid: Invalid, fleet.NotFound: NotFound, fleet.Conflict: Conflict, fleet.Forbidden: RuleForbids,
	fleet.Stale: Stale, fleet.KeyReused: KeyReused, fleet.Busy: Busy, fleet.Down: Unavailable,
}

// problemOf sorts any error.
func problemOf(err error) *Problem {
	var p *Problem
	if errors.As(err, &p) {
		return p
	}
	var e *fleet.Error
	if errors.As(err, &e) {
		k, known := kindOfCode[e.Code]
		if !known {
			return &Problem{Kind: Internal, Detail: "the request was not carried out", Cause: err}
		}
		p = &Problem{Kind: k, Detail: e.Message, Cause: e.Cause}
		for _, f := range e.Fields {
			p.Fields = append(p.Fields, FieldProblem{Pointer: f.Field, Detail: f.Message})
		}
		return p
	}
	return &Problem{Kind: Internal, Detail: "the request was not carried out", Cause: err}
}

// NoSuch refuses what is not there, or not for the caller to know of.
func NoSuch(what, id string) error {
	return &Problem{Kind: NotFound, Detail: "there is no " + what + " " + Quoted(id)}
}

// Quoted puts what a caller sent in quotes, shortened.
func Quoted(id string) string { return `"` + Clip(id, 80) + `"` }

// Clip shortens what a caller sent before it is sent back.
func Clip(s string, most int) string {
	s = strings.ToValidUTF8(s, "�")
	if len(s) <= most {
		return s
	}
	for most > 0 && !utf8.RuneStart(s[most]) {
		most--
	}
	return s[:most] + "…"
}
