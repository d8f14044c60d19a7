package console

import (
	"cmp"
	"math"
	"slices"
	"strings"
	"time"

	"rigledger/events"
	"rigledger/fleet"
)

// Bounds of the look back for what came in lately.
const (
	latelyOnPage  = 40
	latelyCommits = 768     // how far back
	latelyBytes   = 2 << 20 // of the ledger, likewise
	latelyStep    = 16      // commits read at a time
)

// cameIn is a reading that counts, and how it came.
type cameIn struct {
	Rig, Name, Yard string
	At              time.Time
	Values          []readValue
	Commit          uint64 // 0: it came longer ago than is looked back here
	Recorded        time.Time
	Late            string
	Way             string
}

// readValue is one of its counters, with where it can be taken back.
type readValue struct {
	Meter, Unit string
	Value       float64
	Decimals    int
	At          int64 // Unix ms

	base int64
}

// lately gives the newest reading of each rig, or the newest of one rig, by when
// they were measured. The state knows them; in which commit they came is looked
// up in the ledger.
func (v *visit) lately(f intakeFilter) ([]cameIn, error) {
	var all []cameIn
	v.fleet.View(func(s *fleet.State) {
		for code, r := range s.Rigs {
			if !v.who.MaySee(r.Yard) || f.Yard != "" && r.Yard != f.Yard || f.Rig != "" && code != f.Rig {
				continue
			}
			most := 1
			if f.Rig != "" {
				most = latelyOnPage
			}
			all = append(all, newestReadings(r, most)...)
		}
	})
	slices.SortFunc(all, func(a, b cameIn) int { return cmp.Or(b.At.Compare(a.At), strings.Compare(a.Rig, b.Rig)) })
	all = all[:min(len(all), latelyOnPage)]
	return all, v.cameWith(all)
}

// newestReadings gives the newest readings of a rig, its meters' of one time together.
func newestReadings(r *fleet.Rig, most int) []cameIn {
	var all []cameIn
	for before := int64(math.MaxInt64); len(all) < most; {
		at, found := int64(0), false
		for _, m := range r.Meters {
			if last, ok := m.Series.ReadBefore(before); ok && (!found || last > at) {
				at, found = last, true
			}
		}
		if !found {
			break
		}
		in := cameIn{Rig: r.Rig, Name: r.Name, Yard: r.Yard, At: time.UnixMilli(at).UTC()}
		for _, m := range r.Meters {
			for _, p := range m.Series.Points(at, at) {
				q := m.Series.Quantity
				in.Values = append(in.Values, readValue{m.Meter, meterSymbol(q), q.FromBase(p.Value), meterDecimals(q), at, p.Value})
			}
		}
		all = append(all, in)
		before = at
	}
	return all
}

// cameWith looks back in the ledger for the commits in which readings came.
func (v *visit) cameWith(all []cameIn) error {
	type key struct {
		rig string
		at  int64
	}
	missing := map[key]*cameIn{}
	for i := range all {
		missing[key{all[i].Rig, all[i].At.UnixMilli()}] = &all[i]
	}
	return v.backwards(v.fleet.Head().N, latelyCommits, latelyBytes, func(c *events.Commit) bool {
		for i := range c.Facts {
			e := &c.Facts[i]
			read, ok := e.Fact.(*events.MeterRead)
			if !ok {
				continue
			}
			k := key{read.Rig, e.At.UnixMilli()}
			if in := missing[k]; in != nil && in.isOf(read) {
				in.Commit, in.Recorded, in.Late, in.Way = c.N, c.Recorded, lateness(e.At, c.Recorded), wayOf(e.By, read)
				delete(missing, k)
			}
		}
		return len(missing) > 0
	})
}

// isOf says whether a fact holds one of the values that count.
func (in *cameIn) isOf(read *events.MeterRead) bool {
	return slices.ContainsFunc(in.Values, func(x readValue) bool {
		return slices.Contains(read.Counters, events.Counter{Meter: x.Meter, Value: x.base})
	})
}

// wayOf says who vouches for a reading and how it came, as far as the fact tells:
// a rig's own line is NATS, MQTT or its token.
func wayOf(by string, read *events.MeterRead) string { return wayOfReading(read.Rig, by, read.Event) }

func wayOfReading(rig, by, event string) string {
	switch {
	case strings.HasPrefix(event, "released:"):
		return word("released here")
	case strings.HasPrefix(event, "taskdata-"):
		return word("task data from") + " " + by
	case strings.HasPrefix(event, "fleet-"):
		return word("fleet document from") + " " + by
	case by == "rig:"+rig:
		return word("the rig itself")
	}
	return by
}

// backwards looks at commits from number n down, at most so many and so many
// bytes, until look gives false.
func (v *visit) backwards(n uint64, most, bytes int, look func(c *events.Commit) bool) error {
	for n > 0 && most > 0 && bytes > 0 {
		step := uint64(min(latelyStep, most))
		from := uint64(1)
		if n > step {
			from = n - step + 1
		}
		var stretch []*events.Commit
		err := v.fleet.ReadCommits(v.r.Context(), from, func(c *events.Commit) error {
			if c.N > n {
				return fleet.ErrEnough
			}
			stretch = append(stretch, c)
			bytes -= c.Size()
			return nil
		})
		if err != nil {
			return err
		}
		for i := len(stretch) - 1; i >= 0; i-- {
			if !look(stretch[i]) {
				return nil
			}
		}
		most -= int(n - from + 1)
		n = from - 1
	}
	return nil
}
