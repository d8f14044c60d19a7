// Package bay answers for the test bay: inspections, calibrations, certificates and
// hand-overs, the law of a yard's or rig's place with its intervals and rule sets,
// records to hand over, and files that belong to any of them.
//
// It owns the documents of these. Verdicts and flows are worked out by the commands,
// with fleet/testbay, when they are put on record; here they are shown as recorded.
//
// It never judges, never changes what was recorded, and never serves a file as
// anything but something to save.
package bay
