// Package taskdata reads what a terminal logged in the field: task data of
// ISO 11783-10 with the values of ISO 11783-11, as a folder or zipped.
//
// It owns the form of those files and the choice of what in them is a meter
// reading, what is a report of a task, and what is neither. It takes plain readers and
// gives plain values: it never writes, never asks the time, never keeps anything, and
// does not know which rig a device is; that is the caller's to say, by the device's
// NAME and serial number.
//
// # What comes out
//
// Per device, its lifetime counters as Readings (they are the service meters) and its task
// totals as Totals (they are reports). Whatever was passed over stands in Report.Skipped with
// the reason and how often; what was taken, in Device.Sources.
//
// # Rules
//
//   - A device is its NAME and serial number. Its id (DVC A) is local to one file.
//   - A task total is cumulative over the task: the last one counts, sums over intervals would
//     count twice. Of an interval (TIM) and a log (TLG) the later one counts.
//   - One level for each measure: the topmost elements that carry it, never a device and its
//     children both. Areas and volumes of elements side by side add up; times and distances do not
//     (both halves of a boom work in the same hour), there the largest counts.
//   - A measure that stands at zero on an element and above zero below it is taken from below.
//   - The clock of a log is local time; a satellite's time in the same record is UTC and wins.
//   - A record without satellite fix counts only when its time is within a day of the task's
//     intervals and of the records that have one; a date before 2000 never counts.
//   - Lifetime readings are thinned to the last of each quarter of an hour.
//   - Totals that fall, or claim more time than passed, are marked Suspect: they belong in
//     quarantine, where a person decides.
//
// Fields and layouts: ISO 11783-10 annexes D and F; numbers of the data dictionary: ISO 11783-11.
// Only the numbers used here are in the code.
package taskdata
