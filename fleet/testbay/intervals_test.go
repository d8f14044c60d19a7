package testbay_test

import (
	"errors"
	"os"
	"slices"
	"strings"
	"testing"

	"rigledger/fleet/testbay"
)

func passed(t testing.TB, on string) testbay.Inspection {
	return testbay.Inspection{On: date(t, on), Passed: true}
}

func failed(t testing.TB, on string) testbay.Inspection {
	return testbay.Inspection{On: date(t, on)}
}

// Dates worked out by hand from the text of each rule. Sources: UK: SI 2012/1657
// reg. 11(4) "before the fifth anniversary of the date of first purchase" and
// (5)(b) "at least once every three years"; DE: Pflanzenschutz-Geräteverordnung
// §3(1) "in Zeitabständen von sechs Kalenderhalbjahren"; FR: arrêté of
// 18-12-2008 as amended; EU: Directive 2009/128/EC Art. 8 (from memory); IT:
// from memory; crop assurance: common practice.
func TestWhenTheNextInspectionIsDue(t *testing.T) {
	table := testbay.Intervals()
	for _, c := range []struct {
		name      string
		place     string
		schemes   []string
		bought    string
		used      string
		history   []testbay.Inspection
		contract  bool
		leased    bool
		on        string
		due       string
		strictest []string
		reason    string // part of the strictest rule's reason
	}{
		{name: "EU: a new machine within five years of purchase", place: "EU", bought: "2023-05-10", on: "2026-01-01", due: "2028-05-10", strictest: []string{"eu-base"}},
		{name: "EU: three years after a pass", place: "EU", bought: "2015-05-10", history: []testbay.Inspection{passed(t, "2025-03-01")}, on: "2026-01-01", due: "2028-03-01", strictest: []string{"eu-base"}},
		{name: "EU: five years after a pass, as asked in 2019", place: "EU", bought: "2010-05-10", history: []testbay.Inspection{passed(t, "2017-03-01")}, on: "2019-01-01", due: "2022-03-01", strictest: []string{"eu-base-to-2020"}},

		{name: "UK: the last day is the one before the fifth anniversary", place: "UK", bought: "2022-03-15", on: "2026-01-01", due: "2027-03-14", strictest: []string{"uk"}},
		{name: "UK: first purchase by an earlier owner counts, not ours", place: "UK", bought: "2018-06-01", used: "2024-04-01", on: "2024-05-01", due: "2023-05-31", strictest: []string{"uk"}, reason: "first bought on 2018-06-01"},
		{name: "UK: bought on 29 February", place: "UK", bought: "2024-02-29", on: "2026-01-01", due: "2029-02-27", strictest: []string{"uk"}},
		{name: "UK: older than five years, three years from the pass", place: "UK", bought: "2015-06-01", history: []testbay.Inspection{passed(t, "2024-02-29")}, on: "2026-01-01", due: "2027-02-28", strictest: []string{"uk"}},
		{name: "UK: an early pass does not bring the next before the fifth anniversary", place: "UK", bought: "2022-03-15", history: []testbay.Inspection{passed(t, "2023-03-01")}, on: "2026-01-01", due: "2027-03-14", strictest: []string{"uk"}, reason: "early pass"},
		{name: "UK: a late pass in the first five years counts three years", place: "UK", bought: "2022-03-15", history: []testbay.Inspection{passed(t, "2026-03-01")}, on: "2026-04-01", due: "2029-03-01", strictest: []string{"uk"}},
		{name: "UK: a leased machine binds the lessee", place: "UK", bought: "2022-03-15", leased: true, on: "2026-01-01", due: "2027-03-14", strictest: []string{"uk"}, reason: "lessee"},
		{name: "UK: the crop assurance scheme is stricter", place: "UK", schemes: []string{"uk-crop-assurance"}, bought: "2015-06-01", history: []testbay.Inspection{passed(t, "2025-06-10")}, on: "2026-01-01", due: "2026-06-10", strictest: []string{"uk-crop-assurance"}},
		{name: "UK: a failed machine is due on the day it failed", place: "UK", bought: "2015-06-01", history: []testbay.Inspection{passed(t, "2024-03-01"), failed(t, "2025-12-01")}, on: "2026-01-01", due: "2025-12-01", strictest: []string{"uk"}, reason: "not passed since"},
		{name: "UK: a pass after the failure heals it", place: "UK", bought: "2015-06-01", history: []testbay.Inspection{passed(t, "2025-12-20"), failed(t, "2025-12-01")}, on: "2026-01-01", due: "2028-12-20", strictest: []string{"uk"}},
		{name: "UK: repaired on the spot and passed the same day", place: "UK", bought: "2015-06-01", history: []testbay.Inspection{passed(t, "2025-12-01"), failed(t, "2025-12-01")}, on: "2026-01-01", due: "2028-12-01", strictest: []string{"uk"}},

		{name: "DE: passed on the first day of a half-year", place: "DE", bought: "2015-04-01", history: []testbay.Inspection{passed(t, "2023-01-01")}, on: "2026-01-01", due: "2026-06-30", strictest: []string{"de"}},
		{name: "DE: passed on the last day of a half-year", place: "DE", bought: "2015-04-01", history: []testbay.Inspection{passed(t, "2023-06-30")}, on: "2026-01-01", due: "2026-06-30", strictest: []string{"de"}},
		{name: "DE: passed on the day after", place: "DE", bought: "2015-04-01", history: []testbay.Inspection{passed(t, "2023-07-01")}, on: "2026-01-01", due: "2026-12-31", strictest: []string{"de"}},
		{name: "DE: passed on New Year's Eve", place: "DE", bought: "2015-04-01", history: []testbay.Inspection{passed(t, "2023-12-31")}, on: "2026-01-01", due: "2026-12-31", strictest: []string{"de"}},
		{name: "DE: a new machine within six months of first use", place: "DE", bought: "2025-11-20", used: "2026-03-10", on: "2026-04-01", due: "2026-09-10", strictest: []string{"de"}},
		{name: "DE: first used on 31 August, six months end with February", place: "DE", bought: "2025-08-01", used: "2025-08-31", on: "2026-01-01", due: "2026-02-28", strictest: []string{"de"}},
		{name: "DE: first used on 31 August before a leap year", place: "DE", bought: "2027-08-01", used: "2027-08-31", on: "2028-01-01", due: "2028-02-29", strictest: []string{"de"}},
		{name: "DE: first use unknown, the purchase is taken", place: "DE", bought: "2026-01-15", on: "2026-04-01", due: "2026-07-15", strictest: []string{"de"}, reason: "first bought"},

		{name: "FR: before the fifth anniversary of first use", place: "FR", bought: "2022-01-10", used: "2022-04-01", on: "2026-01-01", due: "2027-03-31", strictest: []string{"fr"}},
		{name: "FR: three years after a pass", place: "FR", bought: "2010-01-10", history: []testbay.Inspection{passed(t, "2024-05-02")}, on: "2026-01-01", due: "2027-05-02", strictest: []string{"fr"}},
		{name: "FR: re-test within four months of the failure", place: "FR", bought: "2010-01-10", history: []testbay.Inspection{passed(t, "2023-05-02"), failed(t, "2026-01-31")}, on: "2026-02-10", due: "2026-05-02", strictest: []string{"fr"}},
		{name: "FR: re-test where the old certificate runs longer", place: "FR", bought: "2010-01-10", history: []testbay.Inspection{passed(t, "2024-05-02"), failed(t, "2025-10-31")}, on: "2026-02-10", due: "2026-02-28", strictest: []string{"fr"}, reason: "re-test"},
		{name: "FR: failing again does not prolong the four months", place: "FR", bought: "2010-01-10", history: []testbay.Inspection{passed(t, "2024-05-02"), failed(t, "2026-01-20"), failed(t, "2025-10-15")}, on: "2026-02-10", due: "2026-02-15", strictest: []string{"fr"}},

		{name: "IT: own account, three years", place: "IT", bought: "2012-05-10", history: []testbay.Inspection{passed(t, "2024-03-01")}, on: "2026-01-01", due: "2027-03-01", strictest: []string{"it"}},
		{name: "IT: a contractor, two years", place: "IT", bought: "2012-05-10", history: []testbay.Inspection{passed(t, "2024-03-01")}, contract: true, on: "2026-01-01", due: "2026-03-01", strictest: []string{"it-contractor"}},
		{name: "IT: a contractor's new machine within two years", place: "IT", bought: "2025-05-10", contract: true, on: "2026-01-01", due: "2027-05-10", strictest: []string{"it-contractor"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			m := testbay.Machine{FirstPurchase: ptr(date(t, c.bought)), Inspections: c.history, Contractor: c.contract, Leased: c.leased, BoomM: 24}
			if c.used != "" {
				m.FirstUse = ptr(date(t, c.used))
			}
			got, err := testbay.NextInspection(table.For(c.place, c.schemes...), m, date(t, c.on))
			if err != nil {
				t.Fatal(err)
			}
			if got.On == nil {
				t.Fatalf("no rule applies: %+v", got.Skipped)
			}
			if *got.On != date(t, c.due) || !slices.Equal(got.Strictest, c.strictest) {
				t.Errorf("due %s by %v, want %s by %v (%s)", got.On, got.Strictest, c.due, c.strictest, got.Dates[0].Reason)
			}
			if !strings.Contains(got.Dates[0].Reason, c.reason) || got.Dates[0].Reason == "" || got.Dates[0].Source == "" {
				t.Errorf("reason %q (source %q), want one with %q", got.Dates[0].Reason, got.Dates[0].Source, c.reason)
			}
			if overdue := date(t, c.due).Before(date(t, c.on)); got.Overdue != overdue || got.Overdue != (got.DaysLeft < 0) {
				t.Errorf("overdue %v with %d days left", got.Overdue, got.DaysLeft)
			}
			if got.Notice != testbay.Notice {
				t.Error("the answer must carry the notice")
			}
		})
	}
}

func TestTwoRulesThatTieAreBothNamed(t *testing.T) {
	table := testbay.Intervals()
	rules := append(table.For("EU"), table.For("IT")...)
	m := testbay.Machine{FirstPurchase: ptr(date(t, "2012-05-10")), Inspections: []testbay.Inspection{passed(t, "2024-03-01")}, BoomM: 24}
	got, err := testbay.NextInspection(rules, m, date(t, "2026-01-01"))
	if err != nil {
		t.Fatal(err)
	}
	if !slices.Equal(got.Strictest, []string{"eu-base", "it"}) || *got.On != date(t, "2027-03-01") {
		t.Errorf("strictest %v on %s", got.Strictest, got.On)
	}
	if len(got.Skipped) != 2 { // the EU rule that ended in 2020, and the contractors'
		t.Errorf("skipped %+v", got.Skipped)
	}
}

func TestRulesThatDoNotApplyAreSkippedWithAReason(t *testing.T) {
	table := testbay.Intervals()
	m := testbay.Machine{FirstPurchase: ptr(date(t, "2022-05-10")), BoomM: 3}
	got, err := testbay.NextInspection(table.For("UK"), m, date(t, "2026-01-01"))
	if err != nil {
		t.Fatal(err)
	}
	if got.On != nil || got.Overdue || len(got.Skipped) != 1 || !strings.Contains(got.Skipped[0].Why, "3 m") {
		t.Errorf("a boom of 3 m is not over 3 m: %+v", got)
	}
}

func TestTheLastDayIsStillInTime(t *testing.T) {
	rules := testbay.Intervals().For("DE")
	m := testbay.Machine{FirstPurchase: ptr(date(t, "2015-04-01")), Inspections: []testbay.Inspection{passed(t, "2023-03-10")}, BoomM: 24}
	for on, want := range map[string]int{"2026-06-29": 1, "2026-06-30": 0, "2026-07-01": -1} {
		got, err := testbay.NextInspection(rules, m, date(t, on))
		if err != nil {
			t.Fatal(err)
		}
		if got.DaysLeft != want || got.Overdue != (want < 0) {
			t.Errorf("on %s: %d days left, overdue %v", on, got.DaysLeft, got.Overdue)
		}
	}
}

func TestACertificateThatEndsInMidSeason(t *testing.T) {
	spring := testbay.Season{FromMonth: 3, FromDay: 1, UntilMonth: 7, UntilDay: 31}
	overNewYear := testbay.Season{FromMonth: 10, FromDay: 15, UntilMonth: 2, UntilDay: 29}
	for _, c := range []struct {
		name   string
		season testbay.Season
		due    string
		book   string
		in     bool
	}{
		{"in the middle", spring, "2026-05-20", "2026-02-28", true},
		{"on the first day", spring, "2026-03-01", "2026-02-28", true},
		{"on the day before", spring, "2026-02-28", "2026-02-28", false},
		{"on the last day, the season is covered", spring, "2026-07-31", "2026-07-31", false},
		{"in a leap year", spring, "2028-05-20", "2028-02-29", true},
		{"a season over the new year, before it", overNewYear, "2026-12-20", "2026-10-14", true},
		{"a season over the new year, after it", overNewYear, "2027-01-20", "2026-10-14", true},
		{"a season that ends on 29 February in a common year", overNewYear, "2027-02-28", "2027-02-28", false},
	} {
		t.Run(c.name, func(t *testing.T) {
			book, in, err := c.season.BookBy(date(t, c.due))
			if err != nil {
				t.Fatal(err)
			}
			if book != date(t, c.book) || in != c.in {
				t.Errorf("book by %s, in season %v; want %s, %v", book, in, c.book, c.in)
			}
		})
	}
	_, _, err := testbay.Season{FromMonth: 2, FromDay: 30, UntilMonth: 3, UntilDay: 1}.BookBy(date(t, "2026-01-01"))
	refused(t, err, "season")
}

func TestHistoriesThatCannotBeAreRefused(t *testing.T) {
	bought, on := date(t, "2022-05-10"), date(t, "2026-01-01")
	good := testbay.Machine{FirstPurchase: &bought, BoomM: 24}
	for _, c := range []struct {
		name, field string
		change      func(*testbay.Machine)
	}{
		{"neither bought nor used", "first_purchase", func(m *testbay.Machine) { m.FirstPurchase = nil }},
		{"bought in the future", "first_purchase", func(m *testbay.Machine) { m.FirstPurchase = ptr(date(t, "2026-01-02")) }},
		{"bought on no day", "first_purchase", func(m *testbay.Machine) { m.FirstPurchase = &testbay.Date{Year: 2025, Month: 2, Day: 29} }},
		{"used before it was bought", "first_use", func(m *testbay.Machine) { m.FirstUse = ptr(date(t, "2022-05-09")) }},
		{"inspected before it was bought", "inspections[0].on", func(m *testbay.Machine) { m.Inspections = []testbay.Inspection{passed(t, "2022-05-09")} }},
		{"inspected in the future", "inspections[1].on", func(m *testbay.Machine) {
			m.Inspections = []testbay.Inspection{passed(t, "2024-05-09"), passed(t, "2026-01-02")}
		}},
		{"no boom", "boom_m", func(m *testbay.Machine) { m.BoomM = 0 }},
		{"only used, where the purchase counts", "first_purchase", func(m *testbay.Machine) { m.FirstPurchase, m.FirstUse = nil, &bought }},
	} {
		t.Run(c.name, func(t *testing.T) {
			m := good
			c.change(&m)
			_, err := testbay.NextInspection(testbay.Intervals().For("UK"), m, on)
			refused(t, err, c.field)
		})
	}
	_, err := testbay.NextInspection(nil, good, testbay.Date{})
	refused(t, err, "on")
}

func TestIntervalFilesThatAreWrongSayWhere(t *testing.T) {
	good, err := os.ReadFile("rules/inspection-intervals.yaml")
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct{ name, old, new, field string }{
		{"no rules", string(good), "rules: []\n", "rules"},
		{"the same id twice", "id: eu-base\n", "id: eu-base-to-2020\n", "rules[1].id"},
		{"an unknown kind", "kind: law", "kind: custom", "rules[0].kind"},
		{"no source", "source: \"common practice\"", "source: \"\"", "rules[3].source"},
		{"a term of nothing", "then: {half_years: 6}", "then: {}", "rules[4].then"},
		{"months and half-years", "then: {half_years: 6}", "then: {half_years: 6, months: 36}", "rules[4].then"},
		{"a negative term", "then: {months: 60}", "then: {months: -60}", "rules[0].then"},
		{"counted from nothing", "first: {months: 6, from: first_use}", "first: {months: 6}", "rules[4].first.from"},
		{"a bad boom", "boom_over_m: 3", "boom_over_m: .nan", "rules[0].boom_over_m"},
		{"a bad day", "valid_from: 2016-11-26", "valid_from: 26.11.2016", "rules[0].valid_from"},
		{"an end before the start", "valid_until: 2020-11-25", "valid_until: 2015-11-25", "rules[0].valid_until"},
		{"a person nobody knows", "who: contractor", "who: lodger", "rules[7].who"},
		{"a re-test counted from a purchase", "retest: {months: 4}", "retest: {months: 4, from: first_use}", "rules[5].retest"},
		{"an unknown field", "place: EU", "place: EU\n    town: none", "file"},
	} {
		t.Run(c.name, func(t *testing.T) {
			if !strings.Contains(string(good), c.old) {
				t.Fatalf("the file does not hold %q", c.old)
			}
			_, err := testbay.ParseIntervals([]byte(strings.Replace(string(good), c.old, c.new, 1)))
			var pe *testbay.ParseError
			if !errors.As(err, &pe) || pe.Field != c.field {
				t.Errorf("error %v, want a ParseError of %s", err, c.field)
			}
		})
	}
}

func TestDates(t *testing.T) {
	for _, c := range []struct {
		from   string
		months int
		want   string
	}{
		{"2024-02-29", 12, "2025-02-28"}, {"2024-02-29", 48, "2028-02-29"}, {"2024-02-29", 60, "2029-02-28"},
		{"2026-01-31", 1, "2026-02-28"}, {"2026-08-31", 6, "2027-02-28"}, {"2026-12-15", 1, "2027-01-15"}, {"2026-03-31", -1, "2026-02-28"},
	} {
		if got := date(t, c.from).AddMonths(c.months); got != date(t, c.want) {
			t.Errorf("%s + %d months = %s, want %s", c.from, c.months, got, c.want)
		}
	}
	for _, text := range []string{"", "2026-02-29", "2026-13-01", "26-01-01", "2026-1-1", "1899-12-31", "2201-01-01", "2026-01-01T00:00:00Z"} {
		if d, err := testbay.ParseDate(text); err == nil {
			t.Errorf("%q was read as %s", text, d)
		}
	}
	if _, err := testbay.NewDate(2026, 2, 29); err == nil {
		t.Error("29 February 2026 is no day")
	}
	if _, err := (testbay.Date{}).MarshalText(); err == nil {
		t.Error("the zero date must not be written")
	}
	if n := date(t, "2024-02-28").DaysUntil(date(t, "2024-03-01")); n != 2 {
		t.Errorf("%d days from 28 February to 1 March 2024", n)
	}
}
