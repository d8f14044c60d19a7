package call

import (
	"net/url"
	"slices"
	"sort"
	"strconv"
	"strings"
	"time"

	"rigledger/fleet/plan"
)

// Query reads the query's parameters and gathers everything that is wrong with
// them.
type Query struct {
	values url.Values
	bad    []FieldProblem
}

// Fail says that a parameter is wrong.
func (q *Query) Fail(name, detail string) {
	q.bad = append(q.bad, FieldProblem{Parameter: name, Detail: detail})
}

// FailHeader says that a header that stands for a parameter is wrong.
func (q *Query) FailHeader(name, detail string) {
	q.bad = append(q.bad, FieldProblem{Header: name, Detail: detail})
}

// Err refuses the query when anything was wrong with it.
func (q *Query) Err() error {
	if len(q.bad) == 0 {
		return nil
	}
	return &Problem{Kind: Invalid, Detail: "the query does not hold together", Fields: q.bad}
}

// known refuses parameters that the route does not have: a filter misspelt
// would otherwise show everything.
func (q *Query) known(names []string) {
	var odd []string
	for name, values := range q.values {
		switch {
		case name != "after_commit" && !slices.Contains(names, name):
			odd = append(odd, name)
		case len(values) > 1:
			q.Fail(name, "is given more than once; separate values by commas")
		}
	}
	sort.Strings(odd)
	for _, name := range odd {
		q.Fail(Clip(name, 80), "is not a parameter here")
	}
}

// Text reads a parameter as it is, "" when absent.
func (q *Query) Text(name string) string { return q.values.Get(name) }

// Words reads a list separated by commas; allowed empty means any word.
func (q *Query) Words(name string, allowed ...string) []string {
	text := q.values.Get(name)
	if text == "" {
		return nil
	}
	words := strings.Split(text, ",")
	if len(words) > 100 {
		q.Fail(name, "lists more than 100 values")
		return nil
	}
	for i, w := range words {
		words[i] = strings.TrimSpace(w)
		if len(allowed) > 0 && !slices.Contains(allowed, words[i]) {
			q.Fail(name, Quoted(words[i])+" is not one of "+strings.Join(allowed, ", "))
			return nil
		}
	}
	return words
}

// Number reads a whole number between two bounds.
func (q *Query) Number(name string, least, most, otherwise int) int {
	text := q.values.Get(name)
	if text == "" {
		return otherwise
	}
	n, err := strconv.Atoi(text)
	if err != nil || n < least || n > most {
		q.Fail(name, "must be a whole number from "+strconv.Itoa(least)+" to "+strconv.Itoa(most))
		return otherwise
	}
	return n
}

// Date reads a calendar date, zero when absent.
func (q *Query) Date(name string) plan.Date {
	text := q.values.Get(name)
	if text == "" {
		return plan.Date{}
	}
	d, err := plan.ParseDate(text)
	if err != nil || d.Year < 1950 || d.Year > 2200 {
		q.Fail(name, "must be a date like 2026-04-01")
		return plan.Date{}
	}
	return d
}

// Instant reads a time, or a date, which stands for its first instant.
func (q *Query) Instant(name string, zone *time.Location) (t time.Time, given bool) {
	text := q.values.Get(name)
	if text == "" {
		return t, false
	}
	if d, err := plan.ParseDate(text); err == nil {
		return d.Time(zone), true
	}
	t, err := ParseTime(text)
	if err != nil {
		q.Fail(name, "must be a date like 2026-04-01 or a time like 2026-04-01T06:00:00Z")
		return t, false
	}
	return t, true
}

// Wants says whether a list of wanted words is empty or holds the word.
func Wants(wanted []string, word string) bool {
	return len(wanted) == 0 || slices.Contains(wanted, word)
}
