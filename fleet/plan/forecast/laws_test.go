package forecast_test

import (
	"math/rand/v2"
	"reflect"
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"

	"rigledger/fleet/meter"
	"rigledger/fleet/plan"
	"rigledger/fleet/plan/forecast"
)

func date(text string) plan.Date {
	d, err := plan.ParseDate(text)
	if err != nil {
		panic(err)
	}
	return d
}

func season(from, to string) plan.Season {
	f, err := plan.ParseMonthDay(from)
	if err != nil {
		panic(err)
	}
	t, err := plan.ParseMonthDay(to)
	if err != nil {
		panic(err)
	}
	return plan.Season{From: f, To: t}
}

// drawn is a random rig with everything that a forecast asks for.
type drawn struct {
	history  forecast.History
	pool     *forecast.Pool
	season   plan.Season
	today    plan.Date
	bookings []forecast.Booking
	horizon  int
}

func (d drawn) outlook() *forecast.Outlook { return d.with(d.bookings...) }

func (d drawn) with(bookings ...forecast.Booking) *forecast.Outlook {
	return forecast.NewModel(d.history, d.pool, d.season, d.today).Curves(d.today, bookings, d.horizon)
}

func drawHistory(t *rapid.T, today plan.Date, label string) forecast.History {
	days := rapid.SampledFrom([]int{0, 1, 20, 200, 400, 900, 1500}).Draw(t, label+" days")
	h := forecast.History{From: today.AddDays(-days - rapid.IntRange(0, 20).Draw(t, label+" silent"))}
	r := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, label+" use"), 1))
	most := rapid.Int64Range(0, 60_000).Draw(t, label+" most")
	for range days {
		v := int64(0)
		if r.IntN(3) == 0 {
			v = r.Int64N(most + 1)
		}
		h.Use = append(h.Use, v)
	}
	if rapid.IntRange(0, 3).Draw(t, label+" changed") == 0 {
		h.Changed = today.AddDays(-rapid.IntRange(-30, 800).Draw(t, label+" ago"))
	}
	return h
}

func drawRig(t *rapid.T) drawn {
	d := drawn{today: date("2023-06-01").AddDays(rapid.IntRange(0, 1500).Draw(t, "today"))}
	d.season = rapid.SampledFrom([]plan.Season{
		season("03-01", "10-31"), season("09-01", "04-30"), season("02-29", "02-29"), season("01-01", "12-31"), {},
	}).Draw(t, "season")
	d.history = drawHistory(t, d.today, "own")
	if rapid.Bool().Draw(t, "has class") {
		var members []forecast.Member
		for range rapid.IntRange(0, 4).Draw(t, "members") {
			members = append(members, forecast.Member{History: drawHistory(t, d.today, "class"), Season: d.season})
		}
		d.pool = forecast.NewPool(members, d.today)
	}
	for range rapid.IntRange(0, 6).Draw(t, "bookings") {
		d.bookings = append(d.bookings, drawBooking(t, d.today))
	}
	d.horizon = rapid.SampledFrom([]int{0, 1, 30, 57, 200, 5000}).Draw(t, "horizon")
	return d
}

func drawBooking(t *rapid.T, today plan.Date) forecast.Booking {
	b := forecast.Booking{Day: today.AddDays(rapid.IntRange(-3, 150).Draw(t, "booked ahead"))}
	if rapid.IntRange(0, 3).Draw(t, "rest") == 0 {
		b.Rest = true
	} else {
		b.Amount = rapid.Int64Range(-5, 80_000).Draw(t, "booked")
	}
	return b
}

func drawRemaining(t *rapid.T) int64 {
	return rapid.Int64Range(-10, 3_000_000).Draw(t, "remaining")
}

func three(b forecast.Band) []forecast.Day { return []forecast.Day{b.P10, b.P50, b.P90} }

// notLater tells that a comes no later than b; past the horizon is later than all.
func notLater(a, b forecast.Day) bool { return !b.OK || a.OK && !a.Date.After(b.Date) }

func TestTheBandIsInOrderAndInsideTheHorizon(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		o := drawRig(t).outlook()
		b := o.Passage(drawRemaining(t))
		if !notLater(b.P10, b.P50) || !notLater(b.P50, b.P90) {
			t.Fatalf("band out of order: %+v", b)
		}
		for _, d := range three(b) {
			if d.OK && (d.Date.Before(o.Today()) || d.Date.After(o.Last())) {
				t.Fatalf("%s lies outside %s to %s", d.Date, o.Today(), o.Last())
			}
			if d.OK == d.Date.IsZero() {
				t.Fatalf("day %+v is neither a date nor none", d)
			}
		}
	})
}

func TestMoreRemainingIsNeverEarlier(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		o, less := drawRig(t).outlook(), drawRemaining(t)
		more := less + rapid.Int64Range(0, 500_000).Draw(t, "more")
		a, b := three(o.Passage(less)), three(o.Passage(more))
		for i := range a {
			if !notLater(a[i], b[i]) {
				t.Fatalf("limit %d: %+v, but %d: %+v", less, a, more, b)
			}
		}
	})
}

func TestMoreBookedWorkIsNeverLaterAndRestNeverEarlier(t *testing.T) {
	moved := 0
	rapid.Check(t, func(t *rapid.T) {
		d := drawRig(t)
		extra := drawBooking(t, d.today)
		before, after := d.outlook(), d.with(append(slices.Clone(d.bookings), extra)...)
		// Limits that the use reaches around the day in question.
		for ahead := range 15 {
			p10, p50, p90 := before.UseBy(extra.Day.AddDays(ahead))
			for _, remaining := range []int64{p10, p50, p90, drawRemaining(t)} {
				was, is := three(before.Passage(remaining)), three(after.Passage(remaining))
				for i := range was {
					first, second := is[i], was[i]
					if extra.Rest {
						first, second = second, first
					}
					if !notLater(first, second) {
						t.Fatalf("booking %+v moved %+v to %+v, with %d remaining", extra, was, is, remaining)
					}
					if first != second {
						moved++
					}
				}
			}
		}
	})
	if moved == 0 {
		t.Error("no booking ever moved a date: this test looks in the wrong place")
	}
}

func TestGettingThroughIsLessLikelyWithLessRoomAndMoreWork(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d, remaining := drawRig(t), drawRemaining(t)
		o := d.outlook()
		b := forecast.Booking{Day: d.today.AddDays(rapid.IntRange(0, 100).Draw(t, "ahead")), Amount: rapid.Int64Range(0, 80_000).Draw(t, "work")}
		p := o.Through(b, remaining)
		if p < 0 || p > 1 {
			t.Fatalf("chance %v", p)
		}
		if q := o.Through(b, remaining+5000); q < p {
			t.Fatalf("more room: %v, was %v", q, p)
		}
		more := b
		more.Amount += 5000
		if q := o.Through(more, remaining); q > p {
			t.Fatalf("more work: %v, was %v", q, p)
		}
		later := b
		later.Day = b.Day.AddDays(3)
		if q := o.Through(later, remaining); q > p {
			t.Fatalf("later day: %v, was %v", q, p)
		}
		// Near ahead, where curves are held day by day, it must agree with the band: if nine
		// of ten futures reach the limit before the day, at most one in ten gets through.
		if p90 := o.Passage(remaining).P90; p90.OK && p90.Date.Before(b.Day) && d.today.DaysUntil(b.Day) < 40 && p > 0.11 {
			t.Fatalf("limit by %s at P90, and yet %v get through work on %s", p90.Date, p, b.Day)
		}
	})
}

func TestTheCalendarTakesTheEarlierDate(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := drawRig(t)
		b := d.outlook().Passage(drawRemaining(t))
		limit := d.today.AddDays(rapid.IntRange(-30, 1500).Draw(t, "limit"))
		got := three(b.Before(limit))
		for i, was := range three(b) {
			want := forecast.Day{Date: limit, OK: true}
			if was.OK && was.Date.Before(limit) {
				want = was
			}
			if got[i] != want {
				t.Fatalf("%+v with limit %s: got %+v, want %+v", was, limit, got[i], want)
			}
		}
		if b.Before(plan.Date{}) != b {
			t.Fatal("no calendar limit changed the band")
		}
	})
}

func TestTheSameInputGivesTheSameForecast(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := drawRig(t)
		before := slices.Clone(d.history.Use)
		a, b := d.outlook(), d.outlook()
		slices.Reverse(d.bookings) // order does not matter
		c := d.outlook()
		if !reflect.DeepEqual(before, d.history.Use) {
			t.Fatal("the history was changed")
		}
		for range 5 {
			r := drawRemaining(t)
			if a.Passage(r) != b.Passage(r) || a.Passage(r) != c.Passage(r) {
				t.Fatalf("limit %d: %+v, %+v, %+v", r, a.Passage(r), b.Passage(r), c.Passage(r))
			}
		}
	})
}

// Use before the day tells how much is used by a day and when an amount is reached: the
// two must be inverse to one another.
func TestPassageIsTheInverseOfUse(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		o, remaining := drawRig(t).outlook(), rapid.Int64Range(1, 3_000_000).Draw(t, "remaining")
		for i, d := range three(o.Passage(remaining)) {
			if !d.OK {
				continue
			}
			use := func(day plan.Date) int64 {
				p10, p50, p90 := o.UseBy(day)
				return [...]int64{p90, p50, p10}[i]
			}
			if got := use(d.Date.AddDays(1)); got < remaining-1 {
				t.Fatalf("curve %d: limit %d reached on %s, but by its evening only %d are used", i, remaining, d.Date, got)
			}
			if got := use(d.Date); got > remaining+1 {
				t.Fatalf("curve %d: limit %d reached on %s, but by its morning %d are used", i, remaining, d.Date, got)
			}
		}
	})
}

func TestWithoutHistoryOrClassOnlyBookingsCount(t *testing.T) {
	today := date("2026-05-04")
	m := forecast.NewModel(forecast.History{}, nil, season("03-01", "10-31"), today)
	if m.Basis() != forecast.OnBookings {
		t.Fatalf("basis is %q", m.Basis())
	}
	if b := m.Curves(today, nil, 0).Passage(1); b.P10.OK || b.P90.OK {
		t.Fatalf("something will be used, from nothing known: %+v", b)
	}
	booked := []forecast.Booking{{Day: date("2026-05-10"), Amount: 20 * 3600}, {Day: date("2026-05-12"), Amount: 15 * 3600}}
	o := m.Curves(today, booked, 0)
	for _, c := range []struct {
		hours int64
		want  string
	}{{0, "2026-05-04"}, {20, "2026-05-10"}, {21, "2026-05-12"}, {35, "2026-05-12"}, {36, ""}} {
		for _, d := range three(o.Passage(c.hours * 3600)) {
			if d.Date.String() != c.want {
				t.Errorf("%d h: got %q, want %q", c.hours, d.Date, c.want)
			}
		}
	}
	if got := o.Through(booked[1], 35*3600); got != 0 {
		t.Errorf("reaching the limit in the work is not getting through: %v", got)
	}
	if got := o.Through(booked[1], 35*3600+1); got != 1 {
		t.Errorf("35 h booked in all, a second more to go: %v", got)
	}
}

// steady is a rig that does exactly 2 h on each day of its season, for some years.
func steady(s plan.Season, from, to plan.Date) forecast.History {
	h := forecast.History{From: from}
	for day := from; day.Before(to); day = day.AddDays(1) {
		use := int64(0)
		if s.Contains(day) {
			use = 2 * 3600
		}
		h.Use = append(h.Use, use)
	}
	return h
}

// A steady rig's future can be reckoned by hand: the days of season left, times 2 h.
func TestASteadyRigIsForecastAcrossNewYearAndLeapDay(t *testing.T) {
	for _, c := range []struct {
		name, from, to, today string
		hours                 int64
		want                  string // reckoned by hand
	}{
		{"in a northern season", "03-01", "10-31", "2026-05-01", 100, "2026-06-19"},
		{"before a northern season", "03-01", "10-31", "2026-01-10", 100, "2026-04-19"},
		{"from one northern season into the next", "03-01", "10-31", "2026-10-22", 100, "2027-04-09"},
		{"in a southern season over the new year", "09-01", "04-30", "2026-12-15", 100, "2027-02-02"},
		{"over a leap day", "09-01", "04-30", "2028-02-10", 100, "2028-03-30"},
		{"from one southern season into the next", "09-01", "04-30", "2027-04-21", 100, "2027-10-10"},
	} {
		t.Run(c.name, func(t *testing.T) {
			s, today := season(c.from, c.to), date(c.today)
			h := steady(s, today.AddMonths(-60), today)
			o := forecast.NewModel(h, nil, s, today).Curves(today, nil, 0)
			b := o.Passage(c.hours * 3600)
			want := date(c.want)
			if !b.P50.OK || abs(want.DaysUntil(b.P50.Date)) > 12 {
				t.Errorf("P50 is %s, want about %s", b.P50.Date, want)
			}
			if !b.P10.OK || !b.P90.OK || b.P10.Date.After(want) || b.P90.Date.Before(want) {
				t.Errorf("band %s to %s does not hold %s", b.P10.Date, b.P90.Date, want)
			}
		})
	}
}

func abs(n int) int { return max(n, -n) }

func TestAnOldModelStillLooksAheadFromToday(t *testing.T) {
	s, made := season("09-01", "04-30"), date("2010-06-01")
	m := forecast.NewModel(steady(s, date("2005-01-01"), made), nil, s, made)
	for _, today := range []string{"2010-01-01", "2010-10-01", "2014-10-01", "2026-10-01"} {
		b := m.Curves(date(today), nil, forecast.MostHorizon).Passage(3600)
		if !b.P90.OK || b.P10.Date.Before(date(today)) {
			t.Errorf("from %s: %+v", today, b)
		}
	}
}

func TestARigThatOnlyWorkedOutsideItsSeasonIsForecastAllTheSame(t *testing.T) {
	for _, c := range []struct {
		name   string
		season plan.Season
	}{
		{"a season of one day", season("02-29", "02-29")},
		{"a season not reached yet", season("09-01", "10-31")},
	} {
		today := date("2026-06-01")
		h := forecast.History{From: today.AddDays(-20), Use: []int64{0, 0, 9000, 0, 0, 0, 9000}}
		m := forecast.NewModel(h, nil, c.season, today)
		if b := m.Curves(today, nil, 0).Passage(3600); m.Basis() != forecast.OnOwnDays || !b.P50.OK {
			t.Errorf("%s: on %s: %+v", c.name, m.Basis(), b)
		}
	}
}

func TestNoWorkIsForecastInTheMiddleOfTheRest(t *testing.T) {
	s, today := season("09-01", "04-30"), date("2026-06-01")
	o := forecast.NewModel(steady(s, date("2020-01-01"), today), nil, s, today).Curves(today, nil, 0)
	if _, _, p90 := o.UseBy(date("2026-08-01")); p90 != 0 {
		t.Errorf("%d s used by 1 August, outside the season", p90)
	}
}

func TestModelDayFollowsTheSeason(t *testing.T) {
	s, today := season("03-01", "10-31"), date("2026-05-01")
	m := forecast.NewModel(steady(s, date("2020-01-01"), today), nil, s, today)
	if mean, spread := m.Day(date("2026-07-01")); mean < 0.8*7200 || mean > 1.3*7200 || spread > 0.2*7200 {
		t.Errorf("in season: mean %.0f s, spread %.0f s, want about 7200 and little", mean, spread)
	}
	if mean, _ := m.Day(date("2026-12-24")); mean != 0 {
		t.Errorf("between seasons: mean %.0f s", mean)
	}
}

func TestANewRigTakesItsClass(t *testing.T) {
	s, today := season("03-01", "10-31"), date("2026-04-01")
	var members []forecast.Member
	for range 4 {
		members = append(members, forecast.Member{History: steady(s, date("2022-01-01"), today), Season: s})
	}
	m := forecast.NewModel(forecast.History{}, forecast.NewPool(members, today), s, today)
	if m.Basis() != forecast.OnClass {
		t.Fatalf("basis is %q", m.Basis())
	}
	b := m.Curves(today, nil, 0).Passage(200 * 3600) // 100 days at 2 h: 9 July
	if b.P10.Date.After(date("2026-07-09")) || b.P90.Date.Before(date("2026-07-09")) {
		t.Errorf("band %s to %s", b.P10.Date, b.P90.Date)
	}
	if known := forecast.NewModel(members[0].History, forecast.NewPool(members, today), s, today).Curves(today, nil, 0).Passage(200 * 3600); known.P10.Date.DaysUntil(known.P90.Date) >= b.P10.Date.DaysUntil(b.P90.Date) {
		t.Errorf("a rig with four seasons is no better known than one with none")
	}
}

func TestHistoryComesFromAMapAndFromASeries(t *testing.T) {
	today := date("2024-03-03")
	use := map[plan.Date]int64{date("2024-02-28"): 5, date("2024-03-01"): 7, today: 100}
	want := forecast.History{From: date("2024-02-28"), Use: []int64{5, 0, 7, 0}} // 29 February is a day
	if got := forecast.HistoryOf(use, today); !reflect.DeepEqual(got, want) {
		t.Errorf("from a map: %+v", got)
	}
	if got := forecast.HistoryOf(nil, today); len(got.Use) != 0 {
		t.Errorf("from nothing: %+v", got)
	}
	zone := time.FixedZone("east", 3*3600)
	at := func(text string) int64 { return date(text).Time(zone).UnixMilli() }
	series := meter.New(meter.Hours, meter.Point{At: at("2024-02-28"), Value: 1000})
	series.Insert(meter.Point{At: at("2024-02-29"), Value: 1005})
	series.Insert(meter.Point{At: at("2024-03-01"), Value: 1005})
	series.Insert(meter.Point{At: at("2024-03-02"), Value: 1012})
	got, err := forecast.HistoryFrom(series, zone, date("2024-02-28"), today)
	if err != nil || !reflect.DeepEqual(got, want) {
		t.Errorf("from a series: %+v, %v", got, err)
	}
	if got, err := forecast.HistoryFrom(series, zone, today, today); err != nil || len(got.Use) != 0 {
		t.Errorf("from no days: %+v, %v", got, err)
	}
}
