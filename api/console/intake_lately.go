package console

import (
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

// cameIn is a reading as it came and was taken.
type cameIn struct {
	Rig, Name, Yard string
	At, Recorded    time.Time
	Late            string
	Way             string
	Values          []readValue
	Commit          uint64
}

// readValue is one of its counters, with where it can be taken back.
type readValue struct {
	Meter, Text string
	At          int64 // Unix ms
	Held        bool  // still on record
}

// lately looks back in the ledger for the newest reading of each rig, or for the
// newest of one rig.
func (v *visit) lately(f intakeFilter) ([]cameIn, error) {
	var all []cameIn
	seen := map[string]bool{}
	err := v.backwards(v.fleet.Head().N, latelyCommits, latelyBytes, func(c *events.Commit) bool {
		v.fleet.View(func(s *fleet.State) {
			for i := len(c.Facts) - 1; i >= 0 && len(all) < latelyOnPage; i-- {
				e := &c.Facts[i]
				read, ok := e.Fact.(*events.MeterRead)
				if !ok || f.Rig == "" && seen[read.Rig] || f.Rig != "" && read.Rig != f.Rig {
					continue
				}
				r := s.Rigs[read.Rig]
				if r == nil || !v.who.MaySee(r.Yard) || f.Yard != "" && r.Yard != f.Yard {
					continue
				}
				seen[read.Rig] = true
				all = append(all, cameInOf(r, c, e, read))
			}
		})
		return len(all) < latelyOnPage
	})
	return all, err
}

func cameInOf(r *fleet.Rig, c *events.Commit, e *events.Entry, read *events.MeterRead) cameIn {
	in := cameIn{Rig: r.Rig, Name: r.Name, Yard: r.Yard, At: e.At, Recorded: c.Recorded, Late: lateness(e.At, c.Recorded), Way: wayOf(e.By, read), Commit: c.N}
	for _, k := range read.Counters {
		if m := r.Meter(k.Meter); m != nil {
			ms := e.At.UnixMilli()
			held := false
			for _, p := range m.Series.Points(ms, ms) {
				held = held || p.Value == k.Value
			}
			in.Values = append(in.Values, readValue{k.Meter, meterText(m.Series.Quantity, k.Value), ms, held})
		}
	}
	return in
}

// wayOf says who vouches for a reading and how it came, as far as the fact tells:
// a rig's own line is NATS, MQTT or its token.
func wayOf(by string, read *events.MeterRead) string {
	switch {
	case strings.HasPrefix(read.Event, "released:"):
		return word("released here")
	case strings.HasPrefix(read.Event, "taskdata-"):
		return word("task data from") + " " + by
	case strings.HasPrefix(read.Event, "fleet-"):
		return word("fleet document from") + " " + by
	case by == "rig:"+read.Rig:
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
