// Package workshop answers for the work there is: service items and their steps,
// several of them on one day (a visit), the day's list of a yard with parts to pick,
// cautions and check lists, and defects.
//
// It owns the documents of these and an index from an item to its due line. The
// day's list puts the status first, then what is binding, then how far through its
// interval a task is.
//
// It never works out what is due (fleet/plan does), and never lets an operator's
// token move what the plan gives to the workshop.
package workshop
