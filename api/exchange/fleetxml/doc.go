// Package fleetxml writes and reads fleet data shaped like ISO/TS 15143-3
// (AEMP 2.0): the snapshot of a fleet and the time series of one machine.
//
// It owns the form of the XML: element and attribute names, units, dates, the
// links between pages. The specification is written for earth-moving machinery, so the
// documents are in its shape and not certified against it. It never asks
// the time, opens no connection and follows no link.
//
// # Written
//
// Namespace http://standards.iso.org/iso/15143/-3; each datum with a datetime attribute in UTC
// to the second; hours as decimals with four places, so that whole seconds survive the way out
// and back; distance in kilometres with three. Hectares have no element there: they
// stand in CumulativeArea of our own namespace.
//
// # Read
//
// Any namespace (two are seen: of 2016 and of 2019), matched by local name; datetime or
// dateTime; decimal hours or an ISO 8601 duration in weeks, days, hours, minutes, seconds (years and
// months have no fixed length and are refused); kilometres, miles or metres. What cannot be
// read is a Problem with its place, and the rest is still read. A document type declaration, and
// anything past the bounds of package xmlguard, refuses the whole.
package fleetxml
