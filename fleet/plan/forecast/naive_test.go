package forecast_test

import (
	"math"
	"sort"
)

// naive fills in the naive methods.
func (c *backtest) naive(o *outcome, remaining float64) {
	use := c.history.Use
	mean := func(days []int64) float64 {
		sum := 0.0
		for _, v := range days {
			sum += float64(v)
		}
		return sum / max(1, float64(len(days)))
	}
	yearly := c.classDaily
	if n := len(use); n >= 365 {
		yearly = mean(use[n-n/365*365:])
	} else if n > 0 && (c.alone || n >= 180) {
		yearly = mean(use)
	}
	last := yearly
	if n := len(use); n > 0 {
		last = mean(use[max(0, n-28):])
	}
	dispersion := 10 * 3600.0
	var sums []float64
	for n := len(use); n >= 28 && len(sums) < 26; n -= 28 {
		sums = append(sums, 28*mean(use[n-28:n]))
	}
	if len(sums) >= 6 {
		m, v := 0.0, 0.0
		for _, s := range sums {
			m += s / float64(len(sums))
		}
		for _, s := range sums {
			v += (s - m) * (s - m) / float64(len(sums)-1)
		}
		if m > 0 {
			dispersion = max(v/m, 3600)
		}
	}
	for i, rate := range []float64{yearly, last} {
		flat := float64(horizon)
		if rate > 0 {
			flat = min(horizon, math.Max(0, math.Ceil(remaining/rate)-1))
		}
		o.by[1+i] = guess{flat, flat, flat}
		for j, q := range quantiles {
			o.by[3+i][j] = spread(rate, dispersion, remaining, q)
		}
	}
}

// classDaily is the mean daily use in the year before of the class's rigs that were there all of it.
func classDaily(worked [][]int64, rigs []*machine, origin int) float64 {
	sum, days := 0.0, 0.0
	for i, m := range rigs {
		if origin-m.born >= 365 {
			for _, v := range worked[i][origin-365 : origin] {
				sum, days = sum+float64(v), days+1
			}
		}
	}
	return sum / max(1, days)
}

// spread is the first day on which gamma use has passed the limit with chance q; the
// gamma's distribution by the cube root (Wilson and Hilferty 1931, from memory).
func spread(rate, dispersion, remaining, q float64) float64 {
	passed := func(days float64) bool {
		shape := rate * days / dispersion
		if shape <= 0 {
			return false
		}
		z := (math.Cbrt(remaining/(rate*days)) - (1 - 1/(9*shape))) * math.Sqrt(9*shape)
		return 0.5*math.Erfc(z/math.Sqrt2) >= q
	}
	return float64(sort.Search(horizon, func(d int) bool { return passed(float64(d + 1)) }))
}
