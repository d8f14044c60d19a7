// Package call has the manners of one request to the API, whatever it asks for.
//
// A Reception is what all requests pass; it lets in who may, holds each token to
// its rate, and waits for the commit that a caller wants to be seen. What it hands
// on is a Call: the handler of a room reads the body (Body) and the query (Query),
// looks at the fleet (View), finds what the caller may know of (Sees, Rig), has a
// command carried out once for each Idempotency-Key (Do) and answers (Answer,
// Resource, List) or returns an error. Every error becomes a problem (RFC 9457) in
// one place, Reception.Refuse.
//
// It owns: strict JSON with all that is wrong in one answer, filters, pages and
// their cursors, orders, members asked for, tags and If-Match, keys of repeated
// requests, lists kept while the ledger stands still, compression.
//
// It never knows a resource by name but the rig, by which yards hold tokens, never
// decides about the fleet, and never tells of a rig outside a token's yards.
package call
