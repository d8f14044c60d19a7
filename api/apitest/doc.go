// Package apitest is the house that tests of the API live in: a real ledger, a fleet
// and an API over HTTP, with a clock that the test sets.
//
// It holds every request and answer of every test to the OpenAPI document: what was
// taken must have been right by it, and every answer must be one that it has.
//
// Tests may change fleet and ledger behind the API's back; the API itself is asked
// as any client asks it, and never reached into.
package apitest
