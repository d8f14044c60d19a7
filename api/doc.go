// Package api is the fleet's face to people and programs over HTTP: the JSON
// resources under /v1, the health, readiness and metrics endpoints, the OpenAPI
// document that describes them, and (in api/console) the pages.
//
// It owns the outer shapes: names and units in JSON, problem details, tags,
// cursors, roles. It decides nothing about the fleet: every write is a command
// that the fleet's desk decides, every read a look at its state.
//
// It never shows a secret twice, never lets a token see a rig outside its
// yards, and never answers a write before the ledger says durable.
//
// How a request passes: around (id, bounds, headers, log, metrics, recovery) →
// the route table's entry (who may, which query parameters there are) → the
// handler, which answers or returns an error → one place that turns any error
// into a problem (RFC 9457).
package api
