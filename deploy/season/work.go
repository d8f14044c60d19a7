package season

import (
	"math"
	"math/rand/v2"
	"time"
)

// Sprays is one stretch of work on a day: when a rig read its counters, and
// what they showed.
type Sprays struct {
	At    time.Time
	Pump  float64 // hours on the counter
	Area  float64 // hectares on the counter
	Noted string  // "" or what is odd about this reading
}

// Work draws a rig's work on each day of a season, from the seed and nothing
// else. Between 40 and 70 % of the days are fit for spraying in a good month, fewer in
// the wet ones; a rig works 3 to 11 hours on such a day at 9 to 16 km/h, with some
// time for filling and turning. All these figures are common practice.
func Work(rig Rig, first, last time.Time, seed uint64) map[string][]Sprays {
	rnd := rand.New(rand.NewPCG(seed, uint64(len(rig.Code))*7919+hash(rig.Code)))
	days := map[string][]Sprays{}
	pump, area := rig.PumpHours, rig.Hectares
	length := last.Sub(first).Hours() / 24
	wet := 0
	for day := first; !day.After(last); day = day.AddDate(0, 0, 1) {
		if wet > 0 {
			wet--
			continue
		}
		if rnd.Float64() < 0.06 {
			wet = 2 + rnd.IntN(6) // a week of rain
			continue
		}
		// Busy in spring and early summer, quieter after harvest.
		through := day.Sub(first).Hours() / 24 / length
		chance := 0.35 + 0.35*math.Sin(math.Pi*math.Min(1, through*1.35))
		if day.Weekday() == time.Sunday || rnd.Float64() > chance {
			continue
		}
		hours := 3 + 8*rnd.Float64()
		speed := 9 + 7*rnd.Float64()                                 // km/h
		rate := speed * rig.WidthM * (0.55 + 0.2*rnd.Float64()) / 10 // ha/h, ASABE EP496.3
		at := day.Add(time.Duration(5*60+rnd.IntN(120)) * time.Minute)
		const stretches = 5
		for range stretches {
			at = at.Add(time.Duration(hours / stretches * 1.15 * float64(time.Hour)))
			pump += hours / stretches
			area += rate * hours / stretches * 0.9
			days[day.Format(time.DateOnly)] = append(days[day.Format(time.DateOnly)], Sprays{
				At: at, Pump: math.Round(pump*100) / 100, Area: math.Round(area*100) / 100,
			})
		}
	}
	return days
}

func hash(s string) uint64 {
	h := uint64(14695981039346656037)
	for i := range len(s) {
		h = (h ^ uint64(s[i])) * 1099511628211
	}
	return h
}
