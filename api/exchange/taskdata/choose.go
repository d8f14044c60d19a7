package taskdata

import (
	"cmp"
	"fmt"
	"slices"
	"strconv"
	"time"
)

// report chooses among the samples and puts what they say per device.
func (r *reading) report() *Report {
	rep := &Report{Version: r.doc.version}
	index := map[Key]int{}
	groups := r.carriers()
	have := map[totalKey]int{}
	for _, d := range r.doc.devices {
		i, ok := index[d.key]
		if !ok {
			i = len(rep.Devices)
			index[d.key] = i
			rep.Devices = append(rep.Devices, Device{Key: d.key, Designator: d.designator, LocalID: d.id})
		}
		out := &rep.Devices[i]
		out.Readings = append(out.Readings, lifetime(d, groups[owner{d, -1}])...)
		for t := range r.doc.tasks {
			if !r.touched[t][d] {
				continue
			}
			src := r.origins(t, d)
			if g := groups[owner{d, t}]; len(g) > 0 {
				out.Totals = replaced(have, i, out.Totals, r.totals(t, g, src[0].Fingerprint))
			}
			out.Sources = append(out.Sources, src...)
		}
	}
	for i := range rep.Devices {
		d := &rep.Devices[i]
		slices.SortStableFunc(d.Readings, func(a, b Reading) int {
			return cmp.Or(cmp.Compare(a.Measure, b.Measure), a.At.Compare(b.At))
		})
		judgeReadings(d.Readings)
	}
	slices.SortStableFunc(rep.Devices, func(a, b Device) int {
		return cmp.Or(cmp.Compare(a.Name, b.Name), cmp.Compare(a.Serial, b.Serial))
	})
	rep.Skipped = r.skips.list
	return rep
}

// owner is a device in a task (−1: for life).
type owner struct {
	device *device
	task   int
}

// carriers are the counters by device and task, measure and element. Of two numbers for one measure on one element
// the finer is kept.
func (r *reading) carriers() map[owner]map[Measure]map[*element]carrier {
	groups := map[owner]map[Measure]map[*element]carrier{}
	for k, list := range r.samples {
		e, o := dictionary[k.ddi], owner{k.element.device, k.task}
		if groups[o] == nil {
			groups[o] = map[Measure]map[*element]carrier{}
		}
		if groups[o][e.measure] == nil {
			groups[o][e.measure] = map[*element]carrier{}
		}
		on := groups[o][e.measure]
		if other, ok := on[k.element]; !ok || e.fine > other.entry.fine {
			on[k.element] = carrier{k.element, e, inOrder(list)}
		}
	}
	return groups
}

// lifetime are the meter readings of a device.
func lifetime(d *device, measures map[Measure]map[*element]carrier) []Reading {
	var out []Reading
	for _, m := range inMeasureOrder(measures) {
		top := topmost(measures[m])
		places := map[int64]sample{} // by time
		for _, c := range top {
			for _, s := range c.list {
				if s.fix {
					places[s.at] = s
				}
			}
		}
		for _, p := range combined(m, top) {
			rd := Reading{Measure: m, Amount: Amount{m.Quantity(), p.base}, At: time.UnixMilli(p.at).UTC(), Elements: ids(top)}
			rd.ID = fingerprint("reading", d.key.Name, d.key.Serial, string(m), strconv.FormatInt(p.at, 10), strconv.FormatInt(p.base, 10))[:32]
			if n := len(out); n > 0 && out[n-1].ID == rd.ID {
				continue
			}
			if s, ok := places[p.at]; ok {
				rd.Fix, rd.Lat, rd.Lon = true, s.lat, s.lon
			}
			out = append(out, rd)
		}
	}
	return out
}

// slackMS is what a time counter may run ahead of the clock: 0.05 h, the coarsest step but one of those taken.
const slackMS = hourMS / 20

// judgeReadings marks counters that fall, and time counters that gain more than passed. One device's readings, in
// order of measure and time.
func judgeReadings(list []Reading) {
	good := -1
	for i := range list {
		rd := &list[i]
		if good >= 0 && list[good].Measure == rd.Measure {
			prior := list[good]
			gain, passed := rd.Base-prior.Base, rd.At.Sub(prior.At).Milliseconds()
			switch {
			case gain < 0:
				rd.Suspect = fmt.Sprintf("falls from %d to %d %s", prior.Base, rd.Base, rd.Quantity.Unit())
			case rd.Quantity == Hours && gain*1000 > passed+slackOf(rd.Measure):
				rd.Suspect = fmt.Sprintf("gains %d s in %d s", gain, passed/1000)
			}
		}
		if rd.Suspect == "" {
			good = i
		}
	}
}

// slackOf is a step of the counter and the slack: a counter of 0.1 h steps may show 0.1 h after a second.
func slackOf(m Measure) int64 {
	switch m {
	case FrontPTOTime, RearPTOTime, EngineTime:
		return 2 * slackMS
	}
	return slackMS
}

// totals are what a device's counters say of a task.
func (r *reading) totals(index int, measures map[Measure]map[*element]carrier, print string) []Total {
	t := r.doc.tasks[index]
	ref := Task{ID: t.id, Designator: t.designator, Field: cmp.Or(r.doc.fields[t.field], t.field), Status: t.status}
	from := r.spans[index].first
	if from != 0 {
		ref.From = time.UnixMilli(from).UTC()
	}
	var out []Total
	gains := map[Measure]int64{}
	for _, m := range inMeasureOrder(measures) {
		top := topmost(measures[m])
		course := combined(m, top)
		if len(course) == 0 {
			continue
		}
		last := course[len(course)-1]
		tot := Total{Task: ref, Measure: m, Amount: Amount{m.Quantity(), last.base}, At: time.UnixMilli(last.at).UTC(),
			Elements: ids(top), Fingerprint: print}
		opening := carriedIn(course)
		tot.Days = r.byDay(course, opening)
		if opening > 0 {
			tot.Notes = append(tot.Notes, fmt.Sprintf("%d %s were on the counter when the file begins", opening, tot.Quantity.Unit()))
		}
		for _, c := range top {
			tot.Notes = append(tot.Notes, restarts(c)...)
			if why := falls(c); why != "" {
				tot.Suspect = why
			}
		}
		gains[m] = last.base - opening
		if passed := (last.at - from) / 1000; tot.Quantity == Hours && gains[m] > passed+slackMS/1000 {
			tot.Suspect = fmt.Sprintf("claims %d s of %s while %d s passed", gains[m], m, passed)
		}
		out = append(out, tot)
	}
	r.judgePair(out, gains, from)
	return out
}

// judgePair marks effective and ineffective time that together claim more than passed: one excludes the other.
func (r *reading) judgePair(list []Total, gains map[Measure]int64, from int64) {
	const a, b = EffectiveTime, IneffectiveTime
	var last int64
	for _, t := range list {
		if t.Measure == a || t.Measure == b {
			last = max(last, t.At.UnixMilli())
		}
	}
	sum, passed := gains[a]+gains[b], (last-from)/1000
	if sum <= passed+slackMS/1000 {
		return
	}
	for i := range list {
		if t := &list[i]; (t.Measure == a || t.Measure == b) && t.Suspect == "" {
			t.Suspect = fmt.Sprintf("%s and %s together claim %d s while %d s passed", a, b, sum, passed)
		}
	}
}

// carriedIn is what was on a counter before the file begins: its very first sample is that of the first record of a log that
// then goes on for more than a minute. A log written only at the end of the work has counted all of it.
func carriedIn(course []point) int64 {
	if len(course) > 1 && course[0].carried && course[1].log == course[0].log && course[1].at-course[0].at >= 60_000 {
		return course[0].base
	}
	return 0
}

// byDay parts the gains of a course by calendar day. A fall gains nothing, and nothing is gained past what the course ends at, so
// the days never sum to more than the total.
func (r *reading) byDay(course []point, opening int64) []Day {
	var days []Day
	high, end := opening, course[len(course)-1].base
	for _, p := range course {
		gain := min(p.base, end) - high
		if gain <= 0 {
			continue
		}
		high += gain
		date := r.clock.date(p.at)
		if n := len(days); n == 0 || days[n-1].Date != date {
			days = append(days, Day{Date: date})
		}
		days[len(days)-1].Base += gain
	}
	return days
}

// falls says when a counter of an element falls within a task. Among the intervals, and within the logs, it may not fall
// at all; an interval may be a little behind a log, and a log behind an interval.
func falls(c carrier) string {
	q := c.entry.measure.Quantity()
	prior := map[bool]int64{}
	for _, s := range c.list {
		v := c.entry.base(s.raw)
		same, ok := prior[s.log < 0]
		if other := prior[s.log >= 0]; !ok || v >= same && v < other {
			same, ok = other-behind[q], true
		}
		if ok && v < same {
			return fmt.Sprintf("falls within the task, to %d %s on %s", v, q.Unit(), c.element.id)
		}
		prior[s.log < 0] = v
	}
	return ""
}

// behind is how far an interval and a log may be apart, in base units: the tolerances of the fleet's meters (0.05 h, 0.05 ha, 50 l,
// 0.5 km; house figures).
var behind = map[Quantity]int64{Hours: 180, Surface: 500, Volume: 50_000, Distance: 500}

// restarts notes where a log begins higher than the counter was last seen: it went on while nothing was written. The
// cumulative counter has that in it, so nothing is added or taken off.
func restarts(c carrier) []string {
	var notes []string
	for i := 1; i < len(c.list); i++ {
		a, b := c.list[i-1], c.list[i]
		if b.log >= 0 && b.log != a.log && b.raw > a.raw && b.at > a.at && len(notes) < 20 {
			notes = append(notes, fmt.Sprintf("%s restarts %d %s higher than it ended", c.element.id, c.entry.base(b.raw)-c.entry.base(a.raw), c.entry.measure.Quantity().Unit()))
		}
	}
	return notes
}

// origins are the sources of a device in a task that has something of it: the task first, then its logs.
func (r *reading) origins(index int, d *device) []Source {
	t := r.doc.tasks[index]
	parts := []string{"task", d.key.Name, d.key.Serial, t.id, t.designator}
	intervals := 0
	for _, i := range t.times {
		mine := false
		for _, v := range i.values {
			if v.on != nil && v.on.device == d {
				if !mine {
					parts = append(parts, i.start, i.stop, i.duration, i.kind)
				}
				mine = true
				parts = append(parts, v.ddi, v.raw, strconv.Itoa(v.on.object))
			}
		}
		if mine {
			intervals++
		}
	}
	var logs []Source
	for _, o := range r.sources[index] {
		if o.devices[d] {
			print := fingerprint("log", d.key.Name, d.key.Serial, o.print)
			parts = append(parts, print)
			logs = append(logs, Source{Task: t.id, Log: o.log, Records: o.records, Fingerprint: print})
		}
	}
	return append([]Source{{Task: t.id, Records: intervals, Fingerprint: fingerprint(parts...)}}, logs...)
}

// totalKey is a total's place in the report.
type totalKey struct {
	device  int
	task    string
	measure Measure
}

// replaced adds totals; where the same device stands twice in a file (its description changed on the way) the later total
// of a task and measure stays.
func replaced(at map[totalKey]int, device int, have, more []Total) []Total {
	for _, t := range more {
		k := totalKey{device, t.Task.ID, t.Measure}
		i, ok := at[k]
		switch {
		case !ok:
			at[k] = len(have)
			have = append(have, t)
		case have[i].At.Before(t.At):
			have[i] = t
		}
	}
	return have
}

func inMeasureOrder(measures map[Measure]map[*element]carrier) []Measure {
	var out []Measure
	for m := range measures {
		out = append(out, m)
	}
	slices.Sort(out)
	return out
}

func ids(list []carrier) []string {
	var out []string
	for _, c := range list {
		out = append(out, c.element.id)
	}
	return out
}
