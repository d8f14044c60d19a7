// Package forecast owns the forecast of a meter's use and of the dates on which
// tasks will fall due: with a band, not a single day, and honest about it.
//
// # How
//
// What a rig did is cut into season years, which begin between two seasons in
// whichever half of the world. The finished ones of the rig, and of its class's Pool, are
// scaled to a total of 1 and are what futures are drawn from. The level, use in a
// year, is learned apart from them (see learn): it starts at the class's, moves with the
// rig's own seasons and with the last weeks of this one, shrunk towards what was known,
// and keeps a spread.
//
// Curves draws 99 futures of three years: each season put together from blocks of four
// weeks of drawn seasons, moved by a few days (by weeks, when the last weeks do not look
// like the seasons known, or the rig was given other work), times a drawn level. Bookings
// then change single days: booked work is a floor under the day's use, a rest day is
// 0. The draws come from fixed, evenly spread numbers and a hash of the season and
// the block, so the same input always gives the same forecast, and tomorrow's draws are
// today's with one day gone.
//
// The 10th, 50th and 90th of the 99 sums are three curves of use over time. When a
// limit is reached is a look-up in them: P10 in the highest curve, P90 in the
// lowest. Since every future's use only grows, P10 ≤ P50 ≤ P90, a higher limit never comes
// earlier, and more booked work never makes a date later.
//
// # What it promises
//
// The band P10 to P90 is to hold the truth in 75 to 85 % of cases, and its pinball
// loss is to lie at least 15 % below that of the flat yearly mean and of the
// mean of the last 28 days (design, section 6). The backtest prints and holds it to
// both, on simulated work that shares no formula with the forecast.
//
// # What it does not know
//
// It forecasts work like that of the seasons it has seen. A move to other work that
// nobody told of (History.Changed) is noticed only by its effects, after some weeks;
// until then the band is too narrow. Days on which a rig was silent count as days without
// work. A booking is taken to be done on its day, rain or not. Beyond six weeks
// the curves are held by weeks, beyond a year by fortnights, with straight lines
// between: there a date can be some days off.
//
// # Never
//
// The package reads no clock, no store and no random source. Use inside a future is a
// floating-point estimate; totals and limits stay integers in base units, and
// nothing here is ever added to a total. A forecast is no permission: the task's
// limit, the maker's handbook and the law of the place come before any date given here.
package forecast
