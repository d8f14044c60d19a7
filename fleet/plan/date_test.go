package plan_test

import (
	"encoding/json"
	"testing"
	"time"

	"pgregory.net/rapid"

	"rigledger/fleet/plan"
)

func date(text string) plan.Date {
	d, err := plan.ParseDate(text)
	if err != nil {
		panic(err)
	}
	return d
}

func TestMonthsAreClampedToTheMonthsLastDay(t *testing.T) {
	for _, c := range []struct {
		from   string
		months int
		want   string
	}{
		{"2025-01-31", 1, "2025-02-28"},
		{"2024-01-31", 1, "2024-02-29"},
		{"2024-02-29", 12, "2025-02-28"},
		{"2024-02-29", 48, "2028-02-29"},
		{"2026-03-31", 1, "2026-04-30"},
		{"2026-08-31", 6, "2027-02-28"},
		{"2026-12-31", 2, "2027-02-28"},
		{"2026-12-15", 1, "2027-01-15"},
		{"2026-03-31", -1, "2026-02-28"},
		{"2026-01-15", -1, "2025-12-15"},
		{"2026-01-15", -13, "2024-12-15"},
		{"2100-01-30", 1, "2100-02-28"}, // 2100 is no leap year
	} {
		if got := date(c.from).AddMonths(c.months); got != date(c.want) {
			t.Errorf("%s and %d months: got %s, want %s", c.from, c.months, got, c.want)
		}
	}
}

// The judge is the standard library's calendar.
func TestDatesAgreeWithTheStandardLibrary(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		at := time.Date(rapid.IntRange(1, 9000).Draw(t, "year"), 1, 1, 0, 0, 0, 0, time.UTC).
			AddDate(0, 0, rapid.IntRange(0, 365).Draw(t, "day"))
		d := plan.Of(at, time.UTC)
		n := rapid.IntRange(-40_000, 40_000).Draw(t, "n")
		moved := at.AddDate(0, 0, n)
		if got := d.AddDays(n); got != plan.Of(moved, time.UTC) {
			t.Fatalf("%s and %d days: got %s, want %s", d, n, got, moved.Format(time.DateOnly))
		}
		if got := d.DaysUntil(plan.Of(moved, time.UTC)); got != n {
			t.Fatalf("days from %s to %s: got %d, want %d", d, moved.Format(time.DateOnly), got, n)
		}
		if d.Weekday() != at.Weekday() {
			t.Fatalf("%s: got %s, want %s", d, d.Weekday(), at.Weekday())
		}
		if got, want := d.Compare(plan.Of(moved, time.UTC)), at.Compare(moved); got != want {
			t.Fatalf("comparing %s and %s: got %d, want %d", d, moved.Format(time.DateOnly), got, want)
		}
		months := rapid.IntRange(-1300, 1300).Draw(t, "months")
		later := d.AddMonths(months)
		first := time.Date(d.Year, d.Month, 1, 0, 0, 0, 0, time.UTC).AddDate(0, months, 0)
		last := first.AddDate(0, 1, -1).Day()
		if later.Year != first.Year() || later.Month != first.Month() || later.Day != min(d.Day, last) {
			t.Fatalf("%s and %d months: got %s", d, months, later)
		}
	})
}

func TestADateIsTheDayInItsZone(t *testing.T) {
	zone := time.FixedZone("east", 2*3600)
	at := time.Date(2026, 5, 3, 23, 30, 0, 0, time.UTC)
	if got := plan.Of(at, zone); got != date("2026-05-04") {
		t.Errorf("got %s, want 2026-05-04", got)
	}
}

func TestDatesInJSON(t *testing.T) {
	text, err := json.Marshal(map[string]plan.Date{"a": date("2026-05-04"), "b": {}})
	if err != nil || string(text) != `{"a":"2026-05-04","b":""}` {
		t.Fatalf("got %s, %v", text, err)
	}
	var back map[string]plan.Date
	if err := json.Unmarshal(text, &back); err != nil || back["a"] != date("2026-05-04") || !back["b"].IsZero() {
		t.Errorf("read back %v, %v", back, err)
	}
	for _, bad := range []string{`"2026-02-30"`, `"2026-2-3"`, `"04.05.2026"`, `"2026-05-04T00:00:00Z"`} {
		var d plan.Date
		if json.Unmarshal([]byte(bad), &d) == nil {
			t.Errorf("%s was read as %s", bad, d)
		}
	}
}

func TestTheSeasonThatCounts(t *testing.T) {
	day := func(text string) plan.MonthDay {
		m, err := plan.ParseMonthDay(text)
		if err != nil {
			t.Fatal(err)
		}
		return m
	}
	north := plan.Season{From: day("03-01"), To: day("10-31")}
	south := plan.Season{From: day("09-01"), To: day("04-30")}
	for _, c := range []struct {
		name   string
		season plan.Season
		today  string
		start  string
		in     bool
	}{
		{"in mid-season", north, "2026-06-10", "2026-03-01", true},
		{"on the first day", north, "2026-03-01", "2026-03-01", true},
		{"on the last day", north, "2026-10-31", "2026-03-01", true},
		{"the day after, the next one counts", north, "2026-11-01", "2027-03-01", false},
		{"before it in spring", north, "2026-02-28", "2026-03-01", false},
		{"a season over the new year, before it", south, "2026-12-31", "2026-09-01", true},
		{"a season over the new year, after it", south, "2027-01-01", "2026-09-01", true},
		{"a season over the new year, between", south, "2027-06-01", "2027-09-01", false},
	} {
		if got := c.season.StartFor(date(c.today)); got != date(c.start) {
			t.Errorf("%s: got %s, want %s", c.name, got, c.start)
		}
		if got := c.season.Contains(date(c.today)); got != c.in {
			t.Errorf("%s: in the season: got %v, want %v", c.name, got, c.in)
		}
	}
	if got := day("02-29").In(2027); got != date("2027-02-28") {
		t.Errorf("29 February in 2027: got %s", got)
	}
}
