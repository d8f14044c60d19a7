package api

import (
	"net/url"
	"slices"
	"sort"
	"strconv"
	"strings"
	"time"

	"rigledger/fleet/plan"
)

// query reads the query's parameters and gathers everything that is wrong with
// them.
type query struct {
	values url.Values
	bad    []fieldProblem
}

func (q *query) fail(name, detail string) {
	q.bad = append(q.bad, fieldProblem{Parameter: name, Detail: detail})
}

func (q *query) err() error {
	if len(q.bad) == 0 {
		return nil
	}
	return &problem{kind: kindInvalid, detail: "the query does not hold together", fields: q.bad}
}

// known refuses parameters that the route does not have: a filter misspelt
// would otherwise show everything.
func (q *query) known(names []string) {
	var odd []string
	for name, values := range q.values {
		switch {
		case name != "after_commit" && !slices.Contains(names, name):
			odd = append(odd, name)
		case len(values) > 1:
			q.fail(name, "is given more than once; separate values by commas")
		}
	}
	sort.Strings(odd)
	for _, name := range odd {
		q.fail(clip(name, 80), "is not a parameter here")
	}
}

func (q *query) text(name string) string { return q.values.Get(name) }

// words reads a list separated by commas; allowed empty means any word.
func (q *query) words(name string, allowed ...string) []string {
	text := q.values.Get(name)
	if text == "" {
		return nil
	}
	words := strings.Split(text, ",")
	if len(words) > 100 {
		q.fail(name, "lists more than 100 values")
		return nil
	}
	for i, w := range words {
		words[i] = strings.TrimSpace(w)
		if len(allowed) > 0 && !slices.Contains(allowed, words[i]) {
			q.fail(name, quoted(words[i])+" is not one of "+strings.Join(allowed, ", "))
			return nil
		}
	}
	return words
}

func (q *query) number(name string, least, most, otherwise int) int {
	text := q.values.Get(name)
	if text == "" {
		return otherwise
	}
	n, err := strconv.Atoi(text)
	if err != nil || n < least || n > most {
		q.fail(name, "must be a whole number from "+strconv.Itoa(least)+" to "+strconv.Itoa(most))
		return otherwise
	}
	return n
}

// date reads a calendar date, zero when absent.
func (q *query) date(name string) plan.Date {
	text := q.values.Get(name)
	if text == "" {
		return plan.Date{}
	}
	d, err := plan.ParseDate(text)
	if err != nil || d.Year < 1950 || d.Year > 2200 {
		q.fail(name, "must be a date like 2026-04-01")
		return plan.Date{}
	}
	return d
}

// instant reads a time, or a date, which stands for its first instant.
func (q *query) instant(name string, zone *time.Location) (t time.Time, given bool) {
	text := q.values.Get(name)
	if text == "" {
		return t, false
	}
	if d, err := plan.ParseDate(text); err == nil {
		return d.Time(zone), true
	}
	t, err := time.Parse(time.RFC3339, text)
	if err != nil {
		q.fail(name, "must be a date like 2026-04-01 or a time like 2026-04-01T06:00:00Z")
		return t, false
	}
	return t, true
}

// has says whether a list of wanted words is empty or holds the word.
func has(wanted []string, word string) bool { return len(wanted) == 0 || slices.Contains(wanted, word) }
