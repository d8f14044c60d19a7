package meter_test

import (
	"testing"
	"time"
	_ "time/tzdata" // the zones are the test's matter, not the machine's

	"rigledger/fleet/meter"

	"pgregory.net/rapid"
)

func zone(t interface{ Fatal(...any) }, name string) *time.Location {
	loc, err := time.LoadLocation(name)
	if err != nil {
		t.Fatal(err)
	}
	return loc
}

// clockwork is an hour meter that runs all the time: usage in seconds is elapsed time.
func clockwork(from, to time.Time) *meter.Series {
	s := meter.New(meter.Hours, meter.Point{At: from.UnixMilli(), Value: 0})
	s.Insert(meter.Point{At: to.UnixMilli(), Value: to.Unix() - from.Unix()})
	return s
}

// Clock changes by the IANA time zone database: Berlin 2026-03-29 and 2026-10-25, Sydney 2026-04-05 and
// 2026-10-04; Havana shows 2026-11-01 00:00 twice, Amman 2020-10-30; São Paulo skipped 2018-11-04 00:00.
func TestBucketsFollowCalendarDatesInTheZone(t *testing.T) {
	for _, c := range []struct {
		name, zone, from, to string
		by                   meter.Period
		seasonStart          int
		hours                []int64
	}{
		{"a spring day in Berlin has 23 hours", "Europe/Berlin", "2026-03-28", "2026-03-31", meter.Day, 0, []int64{24, 23, 24}},
		{"an autumn day in Berlin has 25", "Europe/Berlin", "2026-10-24", "2026-10-27", meter.Day, 0, []int64{24, 25, 24}},
		{"an autumn day in Sydney has 25", "Australia/Sydney", "2026-04-04", "2026-04-07", meter.Day, 0, []int64{24, 25, 24}},
		{"a spring day in Sydney has 23", "Australia/Sydney", "2026-10-03", "2026-10-06", meter.Day, 0, []int64{24, 23, 24}},
		{"midnight twice in Havana", "America/Havana", "2026-10-31", "2026-11-03", meter.Day, 0, []int64{24, 25, 24}},
		{"midnight twice in Amman", "Asia/Amman", "2020-10-29", "2020-11-01", meter.Day, 0, []int64{24, 25, 24}},
		{"no midnight in São Paulo", "America/Sao_Paulo", "2018-11-03", "2018-11-06", meter.Day, 0, []int64{24, 23, 24}},
		{"a leap year has 29 February", "Europe/Berlin", "2028-02-28", "2028-03-02", meter.Day, 0, []int64{24, 24, 24}},
		{"February of a leap year", "UTC", "2028-01-01", "2028-04-01", meter.Month, 0, []int64{31 * 24, 29 * 24, 31 * 24}},
		{"February of another year", "UTC", "2027-01-31", "2027-03-02", meter.Month, 0, []int64{24, 28 * 24, 24}},
		{"weeks begin on Monday", "Europe/Berlin", "2026-10-22", "2026-11-03", meter.Week, 0, []int64{4*24 + 1, 7 * 24, 24}},
		{"1 January 2027 is a Friday of 2026's last week", "UTC", "2026-12-28", "2027-01-05", meter.Week, 0, []int64{7 * 24, 24}},
		{"seasons from September", "UTC", "2026-08-30", "2027-09-02", meter.Season, 9, []int64{48, 365 * 24, 24}},
		{"a season over 29 February", "UTC", "2027-09-01", "2028-09-01", meter.Season, 9, []int64{366 * 24}},
		{"seasons from January", "Australia/Sydney", "2026-12-31", "2028-01-01", meter.Season, 1, []int64{24, 365 * 24}},
	} {
		t.Run(c.name, func(t *testing.T) {
			loc := zone(t, c.zone)
			day := func(text string) time.Time {
				d, err := time.Parse(time.DateOnly, text)
				if err != nil {
					t.Fatal(err)
				}
				return meter.FirstInstant(d.Year(), d.Month(), d.Day(), loc)
			}
			from, to := day(c.from), day(c.to)
			got, err := clockwork(from, to).Buckets(loc, from, to, c.by, c.seasonStart)
			if err != nil {
				t.Fatal(err)
			}
			if len(got) != len(c.hours) {
				t.Fatalf("%d buckets %v, want %d", len(got), got, len(c.hours))
			}
			for i, b := range got {
				if b.Usage != c.hours[i]*3600 {
					t.Errorf("%v to %v has %d s, want %d h", b.From, b.To, b.Usage, c.hours[i])
				}
			}
		})
	}
}

func TestBucketsCoverTheTimeOnceInEveryZone(t *testing.T) {
	zones := []string{"UTC", "Europe/Berlin", "Australia/Sydney", "America/Havana", "America/Sao_Paulo", "Australia/Lord_Howe", "Africa/Cairo", "Asia/Amman", "Asia/Beirut", "Pacific/Apia", "Asia/Kathmandu"}
	rapid.Check(t, func(t *rapid.T) {
		loc := zone(t, rapid.SampledFrom(zones).Draw(t, "zone"))
		from := time.Unix(rapid.Int64Range(1_200_000_000, 1_900_000_000).Draw(t, "from"), 0)
		to := from.Add(time.Duration(rapid.Int64Range(1, 800*86_400).Draw(t, "long")) * time.Second)
		by := rapid.SampledFrom([]meter.Period{meter.Day, meter.Week, meter.Month, meter.Season}).Draw(t, "by")
		s := clockwork(from, to)
		got, err := s.Buckets(loc, from, to, by, rapid.IntRange(1, 12).Draw(t, "start"))
		if err != nil {
			t.Fatal(err)
		}
		at, sum := from, int64(0)
		for i, b := range got {
			if !b.From.Equal(at) || !b.To.After(b.From) {
				t.Fatalf("bucket %d runs from %v to %v, after %v", i, b.From, b.To, at)
			}
			if i > 0 {
				before := b.From.Add(-time.Nanosecond)
				if before.Format(time.DateOnly) == b.From.Format(time.DateOnly) {
					t.Fatalf("edge %v is in the middle of a date", b.From)
				}
				if by == meter.Week && b.From.Weekday() != time.Monday {
					t.Fatalf("a week begins on %v", b.From)
				}
			}
			at, sum = b.To, sum+b.Usage
		}
		if !at.Equal(to) || sum != s.Usage(from.UnixMilli(), to.UnixMilli()) {
			t.Fatalf("buckets end at %v with %d s", at, sum)
		}
	})
}

func TestBucketsRefuseNonsense(t *testing.T) {
	s := meter.New(meter.Hours, meter.Point{})
	from := time.Unix(1_700_000_000, 0)
	for name, call := range map[string]func() ([]meter.Bucket, error){
		"no zone":            func() ([]meter.Bucket, error) { return s.Buckets(nil, from, from.Add(1), meter.Day, 0) },
		"an unknown period":  func() ([]meter.Bucket, error) { return s.Buckets(time.UTC, from, from.Add(1), "year", 0) },
		"a thirteenth month": func() ([]meter.Bucket, error) { return s.Buckets(time.UTC, from, from.Add(1), meter.Season, 13) },
		"two hundred years": func() ([]meter.Bucket, error) {
			return s.Buckets(time.UTC, from, from.AddDate(200, 0, 0), meter.Day, 0)
		},
	} {
		if got, err := call(); err == nil {
			t.Errorf("%s is answered with %d buckets", name, len(got))
		}
	}
	if got, err := s.Buckets(time.UTC, from, from, meter.Day, 0); err != nil || len(got) != 0 {
		t.Errorf("no time has %v, %v", got, err)
	}
}
