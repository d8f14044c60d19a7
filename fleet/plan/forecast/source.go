package forecast

import "math"

// source is one finished season year of one rig, scaled to a total of 1. cum[i]
// is the share of the year's use that lay before the day of index i.
type source struct {
	cum [yearDays + 1]float64
}

// upTo is the share before a day, held to the year.
func (s *source) upTo(index int) float64 { return s.cum[min(max(index, 0), yearDays)] }

// fewestDays is how many days of work make a season year fit to learn from (own
// decision): with fewer it is a rig that stood still.
const fewestDays = 8

// known is what a history says of one season year.
type known struct {
	year     int
	from, to int     // indexes of the days known, to exclusive
	total    float64 // base units
	worked   int     // days with use
	first    int     // day of the history at index from
	since    int     // index from which the rig does the work it does now
	changed  bool    // it was given other work this year
}

func (k known) finished(f frame) bool {
	return k.from <= f.lead && k.to >= f.length(k.year) && k.worked >= fewestDays
}

// years splits a history, already cut off before today, into season years; the
// days between its end and today count as days without work.
func (f frame) years(h History, todayYear, todayIndex int) []known {
	if len(h.Use) == 0 {
		return nil
	}
	var out []known
	at := 0
	for year, from := f.of(h.From); year <= todayYear; year, from = year+1, 0 {
		to := f.length(year)
		if year == todayYear {
			to = todayIndex
		}
		k := known{year: year, from: from, to: to, first: at, since: from}
		for i := from; i < to; i++ {
			if v := h.on(at); v > 0 {
				k.total += v
				k.worked++
			}
			at++
		}
		out = append(out, k)
	}
	if h.Changed.IsZero() || h.Changed.After(f.begin(todayYear).AddDays(todayIndex)) {
		return out
	}
	year, index := f.of(h.Changed)
	for i := range out {
		switch k := &out[i]; {
		case k.year < year:
			k.since = k.to
		case k.year == year:
			k.since, k.changed = min(max(k.from, index), k.to), true
		}
	}
	return out
}

// asNow tells whether all the season's work is of the kind the rig does now.
func (k known) asNow(f frame) bool { return k.since <= max(k.from, f.lead) }

// between is the use from one index of a season year to before another.
func (h History) between(k known, from, to int) float64 {
	sum := 0.0
	for i := k.first + from - k.from; i < k.first+to-k.from; i++ {
		sum += h.on(i)
	}
	return sum
}

// sourceOf scales a finished season year.
func sourceOf(h History, k known) *source {
	s := &source{}
	sum := 0.0
	for i := range yearDays {
		s.cum[i] = sum / k.total
		if i >= k.from && i < k.to {
			sum += h.on(k.first + i - k.from)
		}
	}
	s.cum[yearDays] = 1
	return s
}

// shape is how a year's use is expected to spread over its days: shape.cum[i] is the
// expected share before the day of index i.
type shape = source

// smoothing is the half width, in days, over which seasons are averaged into a
// shape: what is left of the weather after averaging a few seasons is not a shape.
const smoothing = 14

func shapeOf(sources []*source) *shape {
	out := &shape{}
	if len(sources) == 0 {
		return out
	}
	var mean [yearDays + 1]float64
	for _, s := range sources {
		for i, v := range s.cum {
			mean[i] += v
		}
	}
	for i := range mean {
		mean[i] /= float64(len(sources))
	}
	// A running mean of the cumulative curve is the curve of the running mean.
	run := 0.0
	at := func(i int) float64 { return mean[min(max(i, 0), yearDays)] }
	for i := -smoothing; i <= smoothing; i++ {
		run += at(i)
	}
	for i := range out.cum {
		out.cum[i] = run / (2*smoothing + 1)
		run += at(i+smoothing+1) - at(i-smoothing)
	}
	first, last := out.cum[0], out.cum[yearDays]
	for i := range out.cum {
		out.cum[i] = (out.cum[i] - first) / (last - first)
	}
	return out
}

// window is the length in days over which spread is measured: long enough that the
// wet and the dry spells in it are counted as one.
const window = 28

// dispersion is the variance of a window's share of the year over its expected
// share (index of dispersion, in shares of a year), of several sources around the
// shape made of them, drawn towards startDispersion.
func dispersion(sources []*source, expected *shape) float64 {
	sum, weight := 0.0, 0.0
	for _, s := range sources {
		for i := 0; i+window <= yearDays; i += window {
			e := expected.cum[i+window] - expected.cum[i]
			u := s.cum[i+window] - s.cum[i]
			sum += (u - e) * (u - e)
			weight += e
		}
	}
	if n := float64(len(sources)); n > 1 {
		sum *= n / (n - 1) // the shape was made of the same seasons
	}
	return (sum + startDispersion*priorCount) / (weight + priorCount)
}

// blend is a·w + b·(1−w).
func blend(a, b *shape, w float64) *shape {
	out := &shape{}
	for i := range out.cum {
		out.cum[i] = w*a.cum[i] + (1-w)*b.cum[i]
	}
	return out
}

// moments gives mean and sample variance.
func moments(values []float64) (mean, variance float64) {
	for _, v := range values {
		mean += v
	}
	mean /= float64(len(values))
	if len(values) < 2 {
		return mean, math.NaN()
	}
	for _, v := range values {
		variance += (v - mean) * (v - mean)
	}
	return mean, variance / float64(len(values)-1)
}
