package testbay

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"sync"
)

// IntervalKind says who asks for an inspection.
type IntervalKind string

// The two kinds of interval rules.
const (
	Law    IntervalKind = "law"
	Scheme IntervalKind = "scheme" // a buyer's or assurance scheme, on top of the law
)

// Who a rule is about.
const (
	OnlyContractors = "contractor"
	NotContractors  = "not_contractor"
)

// What a first inspection is counted from.
const (
	FromFirstPurchase = "first_purchase"
	FromFirstUse      = "first_use"
)

// Term is a period: months to the day, or calendar half-years to their end.
type Term struct {
	Months    int    `json:"months,omitempty"`
	HalfYears int    `json:"half_years,omitempty"`
	From      string `json:"from,omitempty"` // first terms only
	DayBefore bool   `json:"day_before,omitempty"`
	// NotBeforeFirst (terms after a pass): not due before the first term would be.
	NotBeforeFirst bool `json:"not_before_first,omitempty"`
}

// end gives the last day of the term that starts on d.
func (t Term) end(d Date) Date {
	if t.HalfYears > 0 {
		return d.EndOfHalfYear(t.HalfYears)
	}
	end := d.AddMonths(t.Months)
	if t.DayBefore {
		end = end.AddDays(-1)
	}
	return end
}

func (t Term) String() string {
	if t.HalfYears > 0 {
		return fmt.Sprintf("%d calendar half-years, to the end of the half-year", t.HalfYears)
	}
	length := fmt.Sprintf("%d months", t.Months)
	if t.Months%12 == 0 {
		length = fmt.Sprintf("%d years", t.Months/12)
	}
	if t.Months == 12 {
		length = "1 year"
	}
	if t.DayBefore {
		return "before " + length + " are over"
	}
	return length
}

// IntervalRule is one place's or scheme's rule, dated.
type IntervalRule struct {
	ID         string       `json:"id"`
	Place      string       `json:"place"`
	Name       string       `json:"name"`
	Kind       IntervalKind `json:"kind"`
	ValidFrom  Date         `json:"valid_from"`
	ValidUntil *Date        `json:"valid_until,omitempty"`
	BoomOverM  float64      `json:"boom_over_m,omitempty"` // 0: every boom
	Who        string       `json:"who,omitempty"`         // empty: everybody
	// LesseeLiable: the law names the lessee beside the owner.
	LesseeLiable bool   `json:"lessee_liable,omitempty"`
	First        Term   `json:"first"`
	Then         Term   `json:"then"`
	Retest       *Term  `json:"retest,omitempty"`
	Source       string `json:"source"`
	Note         string `json:"note,omitempty"`
}

func (r IntervalRule) on(day Date) bool {
	return !day.Before(r.ValidFrom) && (r.ValidUntil == nil || !r.ValidUntil.Before(day))
}

// IntervalTable is a set of interval rules.
type IntervalTable []IntervalRule

// For gives the rules of a place: its laws, and of its schemes those named.
func (t IntervalTable) For(place string, schemes ...string) []IntervalRule {
	var out []IntervalRule
	for _, r := range t {
		if strings.EqualFold(r.Place, place) && (r.Kind == Law || slices.Contains(schemes, r.ID)) {
			out = append(out, r)
		}
	}
	return out
}

var builtInIntervals = sync.OnceValues(func() (IntervalTable, error) {
	data, err := ruleFiles.ReadFile("rules/inspection-intervals.yaml")
	if err != nil {
		return nil, fmt.Errorf("reading the interval table: %w", err)
	}
	return ParseIntervals(data)
})

// Intervals returns the built-in interval table. The caller owns the copy.
func Intervals() IntervalTable {
	t, err := builtInIntervals()
	if err != nil {
		panic(err) // the embedded file is wrong: no test of this package passes then
	}
	return slices.Clone(t)
}

type termFile struct {
	Months         int    `yaml:"months"`
	HalfYears      int    `yaml:"half_years"`
	From           string `yaml:"from"`
	DayBefore      bool   `yaml:"day_before"`
	NotBeforeFirst bool   `yaml:"not_before_first"`
}

type intervalFile struct {
	Rules []struct {
		ID           string    `yaml:"id"`
		Place        string    `yaml:"place"`
		Name         string    `yaml:"name"`
		Kind         string    `yaml:"kind"`
		ValidFrom    string    `yaml:"valid_from"`
		ValidUntil   string    `yaml:"valid_until"`
		BoomOverM    float64   `yaml:"boom_over_m"`
		Who          string    `yaml:"who"`
		LesseeLiable bool      `yaml:"lessee_liable"`
		First        termFile  `yaml:"first"`
		Then         termFile  `yaml:"then"`
		Retest       *termFile `yaml:"retest"`
		Source       string    `yaml:"source"`
		Note         string    `yaml:"note"`
	} `yaml:"rules"`
}

// ParseIntervals reads an interval table from YAML. Errors are *[ParseError].
func ParseIntervals(data []byte) (IntervalTable, error) {
	var file intervalFile
	if err := decodeRules(data, &file); err != nil {
		return nil, err
	}
	if len(file.Rules) == 0 {
		return nil, &ParseError{Field: "rules", Reason: "is empty"}
	}
	var table IntervalTable
	for i, f := range file.Rules {
		wrong := func(field, format string, args ...any) (IntervalTable, error) {
			return nil, &ParseError{Field: fmt.Sprintf("rules[%d].%s", i, field), Reason: fmt.Sprintf(format, args...)}
		}
		r := IntervalRule{ID: f.ID, Place: f.Place, Name: f.Name, Kind: IntervalKind(f.Kind), BoomOverM: f.BoomOverM,
			Who: f.Who, LesseeLiable: f.LesseeLiable, Source: f.Source, Note: f.Note,
			First: Term(f.First), Then: Term(f.Then)}
		switch {
		case !identifier.MatchString(f.ID):
			return wrong("id", "%q is not a lower-case identifier", f.ID)
		case slices.ContainsFunc(table, func(o IntervalRule) bool { return o.ID == f.ID }):
			return wrong("id", "%q is there twice", f.ID)
		case strings.TrimSpace(f.Place) == "":
			return wrong("place", "is missing")
		case strings.TrimSpace(f.Name) == "":
			return wrong("name", "is missing")
		case r.Kind != Law && r.Kind != Scheme:
			return wrong("kind", "%q is neither %q nor %q", f.Kind, Law, Scheme)
		case f.Who != "" && f.Who != OnlyContractors && f.Who != NotContractors:
			return wrong("who", "%q is neither %q nor %q", f.Who, OnlyContractors, NotContractors)
		case !(f.BoomOverM >= 0 && f.BoomOverM <= spanSwath.most):
			return wrong("boom_over_m", "%v is not between 0 and %v", f.BoomOverM, spanSwath.most)
		case strings.TrimSpace(f.Source) == "":
			return wrong("source", "is missing: give the source, or \"common practice\", or \"from memory\"")
		case f.First.From != FromFirstPurchase && f.First.From != FromFirstUse:
			return wrong("first.from", "%q is neither %q nor %q", f.First.From, FromFirstPurchase, FromFirstUse)
		case f.First.NotBeforeFirst:
			return wrong("first.not_before_first", "makes no sense here")
		case f.Then.From != "":
			return wrong("then.from", "is always the last passed inspection: leave it out")
		}
		if why := f.First.wrong(); why != "" {
			return wrong("first", "%s", why)
		}
		if why := f.Then.wrong(); why != "" {
			return wrong("then", "%s", why)
		}
		if f.Retest != nil {
			if why := f.Retest.wrong(); why != "" || f.Retest.From != "" || f.Retest.NotBeforeFirst {
				return wrong("retest", "%s", cmp.Or(why, "takes months or half_years only"))
			}
			t := Term(*f.Retest)
			r.Retest = &t
		}
		var err error
		if r.ValidFrom, err = ParseDate(f.ValidFrom); err != nil {
			return wrong("valid_from", "%s", err)
		}
		if f.ValidUntil != "" {
			until, err := ParseDate(f.ValidUntil)
			if err != nil {
				return wrong("valid_until", "%s", err)
			}
			if until.Before(r.ValidFrom) {
				return wrong("valid_until", "is before valid_from")
			}
			r.ValidUntil = &until
		}
		table = append(table, r)
	}
	return table, nil
}

// wrong says what is wrong with a term, or nothing.
func (t termFile) wrong() string {
	switch {
	case (t.Months > 0) == (t.HalfYears > 0):
		return "needs months or half_years, one of them above zero"
	case t.Months < 0 || t.HalfYears < 0 || t.Months > 240 || t.HalfYears > 40:
		return "is not between 1 month and 20 years"
	case t.HalfYears > 0 && t.DayBefore:
		return "half-years end with the half-year: day_before does not apply"
	}
	return ""
}
