// Package exchange answers other farm software under /v1/exchange: the fleet in the
// shape of ISO/TS 15143-3, readings from such documents and from ISO 11783-10 task
// data, whole lists as sheets, positions as GeoJSON, calendars to subscribe to.
//
// It owns these resources; the formats are in the rooms below, each without HTTP and
// (but for receive) without the fleet. What is sent goes the way of any reading
// (receive): lifetime counters only, the same file twice changes nothing, what
// contradicts itself waits in quarantine.
//
// It never adds totals of tasks to a meter, and never shows a calendar's secret
// address again.
package exchange
