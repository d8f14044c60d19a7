package fleet

import (
	"cmp"
	"slices"

	"rigledger/fleet/meter"
	"rigledger/fleet/plan"
)

// Fan is what one counter of a rig is expected to show over the coming days,
// beside the limits of the tasks that count on it. Amounts are in the
// quantity's base units; those of Days and Limits are totals of the counter.
type Fan struct {
	Quantity meter.Quantity
	Meter    string // "" where the quantity is estimated, for want of a meter
	Total    int64  // as it stands
	Days     []FanDay
	Limits   []FanLimit // the nearest first
}

// FanDay is the total on the morning of a day, which 10, 50 and 90 % of the
// futures stay below. The first is today, where all three are the total.
type FanDay struct {
	Day           plan.Date
	P10, P50, P90 int64
}

// FanLimit is the total at which a task falls due; below Total when it is past.
type FanLimit struct {
	Key string // of the forecast's task, "<part>.<task>"
	At  int64
}

// Fans is Forecast with the curves behind its bands, as far as so many days
// ahead: one fan for every counter that a task counts on. It writes nothing.
func (f *Fleet) Fans(rig string, suppose WhatIf, days int) ([]Fan, RigForecast, error) {
	in, ahead, out, err := f.forecast(rig, suppose)
	if err != nil {
		return nil, out, err
	}
	type counter struct {
		quantity meter.Quantity
		meter    string
	}
	at := map[counter]int{}
	var fans []Fan
	for _, key := range sortedKeys(in.ways) { // several ways may lead to one counter
		way := in.ways[key]
		if _, known := at[counter{way.quantity, way.meter}]; known {
			continue
		}
		fan := Fan{Quantity: way.quantity, Meter: way.meter, Total: way.total}
		for n := range days + 1 {
			day := in.today.AddDays(n)
			p10, p50, p90 := ahead[key].UseBy(day)
			fan.Days = append(fan.Days, FanDay{day, way.total + p10, way.total + p50, way.total + p90})
		}
		at[counter{way.quantity, way.meter}] = len(fans)
		fans = append(fans, fan)
	}
	for i := range in.lines {
		for _, c := range in.lines[i].counted {
			way := in.ways[c.way]
			fan := &fans[at[counter{way.quantity, way.meter}]]
			fan.Limits = append(fan.Limits, FanLimit{in.lines[i].shown.Key, fan.Total + c.remaining})
		}
	}
	for i := range fans {
		slices.SortStableFunc(fans[i].Limits, func(a, b FanLimit) int { return cmp.Compare(a.At, b.At) })
	}
	return fans, out, nil
}

func sortedKeys[V any](m map[string]V) []string {
	keys := make([]string, 0, len(m))
	for k := range m {
		keys = append(keys, k)
	}
	slices.Sort(keys)
	return keys
}

// nameOf names the rig's meter that a run is had from, "" for an estimate.
func nameOf(rig *Rig, r run) string {
	if r.estimated() {
		return ""
	}
	for _, m := range rig.Meters {
		if m.Series == r.series {
			return m.Meter
		}
	}
	return ""
}
