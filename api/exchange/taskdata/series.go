package taskdata

import (
	"cmp"
	"slices"
)

// quarter is how close lifetime readings and day rows are kept: the last of each quarter of an hour.
const quarter = hourMS / 4

// slot says of which counter a sample is: one number of one element, in a task or for life (task −1).
type slot struct {
	task    int
	element *element
	ddi     uint16
}

// sample is a raw counter at a time. A log that goes on at its very first record carries what was counted before.
type sample struct {
	at      int64 // Unix ms
	raw     int64
	order   int // position in the file, to part what has the same time
	log     int // −1 for an interval
	carried bool

	fix      bool // the row has a place
	lat, lon float64
}

// samples of the counters of a file.
type samples map[slot][]sample

// put adds a sample, in place of one of the same log and quarter.
func (m samples) put(k slot, s sample) {
	list := m[k]
	if n := len(list); n > 0 && s.log >= 0 {
		last := &list[n-1]
		if last.log == s.log && !last.carried && last.at/quarter == s.at/quarter {
			if s.at >= last.at {
				*last = s
			}
			return
		}
	}
	m[k] = append(list, s)
}

// merge takes over the samples of another map.
func (m samples) merge(o samples) {
	for k, list := range o {
		m[k] = append(m[k], list...)
	}
}

// inOrder sorts by time. Of an interval and a log that end in the same millisecond the larger value is the later:
// counters do not fall.
func inOrder(list []sample) []sample {
	list = slices.Clone(list)
	slices.SortStableFunc(list, func(a, b sample) int {
		c := cmp.Compare(a.at, b.at)
		if c == 0 && (a.log < 0) != (b.log < 0) {
			c = cmp.Compare(a.raw, b.raw)
		}
		if c == 0 {
			c = cmp.Compare(a.order, b.order)
		}
		return c
	})
	for i := range list {
		list[i].carried = list[i].carried && i == 0
	}
	return list
}

// carrier is an element with its counter of one measure.
type carrier struct {
	element *element
	entry   entry
	list    []sample // in order
}

func (c carrier) last() sample { return c.list[len(c.list)-1] }

// topmost picks the carriers that have none above them. One that ends at zero gives way to those below it that do not.
func topmost(all map[*element]carrier) []carrier {
	live := map[*element]bool{} // has a count on it, or below it
	for e, c := range all {
		if c.last().raw == 0 {
			continue
		}
		for up, n := e, 0; up != nil && n < maxLevels; up, n = up.parent(), n+1 {
			live[up] = true
		}
	}
	usable := func(e *element) bool { c, ok := all[e]; return ok && (c.last().raw != 0 || !live[e]) }
	var top []carrier
	for e, c := range all {
		if !usable(e) {
			continue
		}
		covered := false
		for up, n := e.parent(), 0; up != nil && n < maxLevels; up, n = up.parent(), n+1 {
			covered = covered || usable(up)
		}
		if !covered {
			top = append(top, c)
		}
	}
	slices.SortFunc(top, func(a, b carrier) int { return cmp.Compare(a.element.id, b.element.id) })
	return top
}

// maxLevels guards against parents that go in circles.
const maxLevels = 16

// combined is the course of a measure over its carriers, in base units: one point for each quarter of an hour, once
// every carrier has spoken.
func combined(m Measure, carriers []carrier) []point {
	type next struct{ carrier, index int }
	var all []next
	for c, car := range carriers {
		for i := range car.list {
			all = append(all, next{c, i})
		}
	}
	slices.SortStableFunc(all, func(a, b next) int {
		return cmp.Compare(carriers[a.carrier].list[a.index].at, carriers[b.carrier].list[b.index].at)
	})
	now, spoken, silent := make([]int64, len(carriers)), make([]bool, len(carriers)), len(carriers)
	var course []point
	for i, n := range all {
		s := carriers[n.carrier].list[n.index]
		if !spoken[n.carrier] {
			spoken[n.carrier] = true
			silent--
		}
		now[n.carrier] = s.raw
		together := i+1 < len(all) && len(carriers) > 1 &&
			carriers[all[i+1].carrier].list[all[i+1].index].at/quarter == s.at/quarter
		if together && !s.carried || silent > 0 {
			continue
		}
		p := point{s.at, level(m, carriers, now), s.log, s.carried}
		if k := len(course); k > 0 && course[k-1].at == p.at {
			course[k-1] = p // several records in one millisecond: the last is what stood there in the end
			continue
		}
		course = append(course, p)
	}
	return course
}

// point is a combined counter at a time.
type point struct {
	at, base int64
	log      int
	carried  bool
}

// level is the measure over its carriers: the sum of shares, or the largest of what each saw whole. Raw values of the
// same resolution are added before they are rounded.
func level(m Measure, carriers []carrier, raw []int64) int64 {
	var total int64
	for i, c := range carriers {
		v := c.entry.base(raw[i])
		if m.addsUp() {
			total += v
		} else {
			total = max(total, v)
		}
	}
	return total
}
