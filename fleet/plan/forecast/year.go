package forecast

import "rigledger/fleet/plan"

// yearDays is the length of the longest season year.
const yearDays = 366

// frame cuts the calendar into season years: twelve months that begin in the
// middle of the time between two seasons, so that a season is never cut in two,
// whichever half of the world it is in. Days are told by their index in the season
// year; years with and without a leap day differ by one day at the end.
type frame struct {
	start plan.MonthDay // first day of the season
	lead  int           // days from the beginning of the season year to start
	whole bool          // no season: the year begins with the calendar's
	days  int           // length of the season
}

func frameOf(s plan.Season) frame {
	if s.From.Month < 1 || s.From.Month > 12 || s.To.Month < 1 || s.To.Month > 12 {
		return frame{start: plan.MonthDay{Month: 1, Day: 1}, whole: true, days: 365}
	}
	from := s.From.In(2025) // any year without a leap day
	to := s.To.OnOrAfter(from)
	days := from.DaysUntil(to) + 1
	return frame{start: s.From, lead: max(0, (365-days)/2), days: min(days, 365)}
}

// begin is the first day of the season year that has its season start in a year.
func (f frame) begin(year int) plan.Date { return f.start.In(year).AddDays(-f.lead) }

// of gives the season year of a day and the day's index in it.
func (f frame) of(day plan.Date) (year, index int) {
	year = day.Year + 1
	for f.begin(year).After(day) {
		year--
	}
	return year, f.begin(year).DaysUntil(day)
}

// length is the number of days of a season year: 365 or 366.
func (f frame) length(year int) int { return f.begin(year).DaysUntil(f.begin(year + 1)) }

// inSeason tells whether the day of an index lies in the season.
func (f frame) inSeason(index int) bool {
	return f.whole || index >= f.lead && index < f.lead+f.days
}
