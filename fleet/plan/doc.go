// Package plan owns service plans: reading and checking the YAML in which they
// are written, the classes of sprayer they are written for, the cautions that a
// job must show, and the arithmetic of when a task falls due.
//
// # Due
//
// A task has one trigger or several: every so many hours, hectares, litres,
// kilometres or loads of the part's own usage, every so many months or days, on
// calendar dates, before the first use of a season, or when a measured
// condition passes its limit. The task is as urgent as the most urgent of them.
//
//   - ok: not yet inside any lead.
//   - soon: inside the lead of a trigger.
//   - due: at the limit or past it, within the grace.
//   - overdue: past the grace.
//
// Lead, where a plan says nothing: 10 % of the interval; for hours 10 h where
// that is more; in no case more than half the interval (the last is our own
// bound, so that a 10 h task is not "soon" from the moment it was done).
// Calendar intervals: 10 % of the days, rounded up. Dates and seasons: 14 days.
//
// Grace, where a plan says nothing: routine tasks 10 % of the interval (7 days
// for dates and seasons), safety and statutory tasks none, so that for these
// one second or one day past the limit is overdue. Common practice.
//
// Counting starts from the reading at which the task was last done ("done"),
// or stays on fixed multiples from the fitting ("grid"), where doing it early
// or late counts for the nearest line, or, for ageing alone, from the part's
// date of manufacture ("made"). A run-in comes once in a new part's life, or,
// where the task says so, after every fitting. The regular interval runs beside
// the run-in; the first reached counts.
//
// # Never
//
// The package reads no clock and no file but those embedded in it, never
// raises or closes an item, and never decides whether a rig may spray. A plan
// is editable data: the maker's handbook, the law of the place and licensed
// practice come before anything written here.
package plan
