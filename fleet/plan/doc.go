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
// A run-in may have several steps (2, 10, 50 km), each measured from the start;
// doing the job ends the step that the reading lies nearest to. A task "before
// the first use of a season" is due from the season's first day and overdue once
// the rig has worked in it; a job within 60 days before a season or a date counts
// for it (own decision). Months and days of a task held to the season
// (in_season) that run out between seasons wait for the first day of the next.
//
// # A plan's text
//
//	plan: trailed-boom
//	version: 1
//	title: Trailed boom sprayer
//	classes: [trailed]            # of those embedded here
//	notice: The maker's handbook comes first.
//	daily:                        # looked at each day, never raised
//	  - {text: Oil level, part: diaphragm-pump, source: common practice}
//	tasks:
//	  - task: pump-oil            # unique in the plan
//	    title: Pump oil change
//	    part: diaphragm-pump      # kind of part, or "rig" for the whole machine
//	    every: {hours: 500, hectares: 9000, litres: 1, kilometres: 1, loads: 1, months: 12, days: 400}
//	    on: ["11-01"]             # dates of every year
//	    season_start: true
//	    in_season: true
//	    condition: {code: play, above: 2, unit: mm}   # or below
//	    run_in: {hours: 40}       # or a list of steps
//	    run_in_after: new         # or fitting
//	    lead: {hours: 50}
//	    grace: {hours: 0}
//	    count: done               # or grid, made
//	    includes: [pump-look]     # tasks of the same part
//	    weight: routine           # or safety, statutory
//	    by: workshop              # or operator
//	    calibrate_after: true     # the work changes what the rig applies: calibrate before it sprays
//	    minutes: 40
//	    parts: [{sku: OIL-1, name: Pump oil, count: 2}]
//	    caution: [pump-pto]       # kinds of job, see cautions.yaml
//	    checklist: [Drain warm]
//	    source: common practice   # never left out
//
// # Never
//
// The package reads no clock and no file but those embedded in it, never
// raises or closes an item, and never decides whether a rig may spray. A plan
// is editable data: the maker's handbook, the law of the place and licensed
// practice come before anything written here.
package plan
