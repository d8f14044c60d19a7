// Package calculators answers what can be worked out without a rig: rates, flows,
// catch tests, rinsing, units, and the checks of an inspection one by one.
//
// It owns the bodies and answers under /v1/testbay and the bounds of their numbers.
// The arithmetic is fleet/testbay's, where each formula has its source; answers are
// rounded to four decimals, verdicts come of the unrounded numbers.
//
// It never keeps anything, and looks at the fleet for its rule sets alone.
package calculators
