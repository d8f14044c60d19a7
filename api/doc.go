// Package api is the fleet's face to people and programs over HTTP: the JSON
// resources under /v1, the health, readiness and metrics endpoints, the documents
// that describe them, and the pages. This room is the wiring and the table of routes
// (routes.go); the rooms below answer.
//
//	call         the manners of one request, whatever it asks for
//	shape        how quantities, times, due lines and facts look in JSON
//	rigs         rigs, their parts, meters, readings, quarantine, usage, timeline
//	workshop     items, visits, the day's list, defects
//	planning     plans, classes, bookings, forecasts
//	bay          inspections, calibrations, certificates, places, rules, records, files
//	calculators  what can be worked out without a rig
//	exchange     other farm software; the formats are below it
//	feed, hooks  the facts in order, read or sent
//	access       who is let in; openid is the issuer's side of it
//	document     openapi.yaml, asyncapi.yaml, schemas, the page /docs
//	console      the pages
//	apitest      the house that tests live in; fuzz asks all that openapi.yaml has
//
// How a request passes: around (id, bounds, headers, log, metrics, recovery) →
// call.Reception with the table's line (who may, which query parameters there are)
// → the room's handler, which answers or returns an error → Reception.Refuse, which
// turns any error into a problem (RFC 9457).
//
// It decides nothing about the fleet: every write is a command that the fleet's desk
// decides, every read a look at its state. It never shows a secret twice, never lets
// a token see a rig outside its yards, and never answers a write before the ledger
// says durable.
package api
