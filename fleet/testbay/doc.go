// Package testbay owns the arithmetic of the test bay: what a sprayer was
// measured to do, what a rule set allows, and when it must be inspected again.
//
// It holds four things:
//
//   - arithmetic: flow and pressure, application rate, speed, field capacity,
//     specific gravity, rinsing, unit conversions (metric and US);
//   - checks: one function per test of the bay, each taking readings and a
//     [RuleSet] and giving [Verdict] values with the limit, the margin and the
//     source of the limit;
//   - rule sets, nozzle sizes and inspection intervals as dated data (YAML in
//     rules/): no limit that decides a verdict is written in Go code;
//   - the inspection sheet by the headings of Directive 2009/128/EC Annex II,
//     and [Judge], which turns a filled sheet into a result.
//
// It never reads a clock, a file outside the embedded rules, a store or the
// network, and it imports nothing else of this project. "On" is a parameter.
//
// # Numbers
//
// Readings are float64 in the unit their JSON name carries (bar, l_min, l_ha,
// km_h, m, cm, mm, l, seconds, percent). Verdicts compare unrounded numbers
// with the relative tolerance [Epsilon], so that exactly 10.0 % passes although
// 1.32 against 1.20 is +10.000000000000009 % in binary arithmetic. Means and
// deviations are taken over sorted copies: the order in which nozzles were
// caught cannot change a result.
//
// Impossible input (negative, zero, not a number, infinite, wrong count, or
// absurd for a field sprayer) is an [*InputError] that names the JSON field. It
// is never answered with a number.
//
// # What it is not
//
// Everything here is advice to a competent person: see [Notice], which every
// result carries.
package testbay

// Notice goes with every verdict, list and screen built on this package.
const Notice = "Advice to a competent person. Local law, the maker's handbook and a licensed tester come first."

// CalibrationCaution is shown before any measuring at the machine.
// Source: Ohio State University Extension, Bulletin 817 (water instead of
// chemical when calibrating); clothing and clear boom: common practice.
const CalibrationCaution = "Clean water only, protective clothing, nobody near a moving boom."

// RinsingCaution is shown with any rinsing plan. Source: common practice.
const RinsingCaution = "The formula assumes full mixing of every portion; pipes, boom ends and filters hold more. " +
	"Follow the product label; spray the rinsings out on the treated field, never into a drain."
