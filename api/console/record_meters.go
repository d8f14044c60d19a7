package console

import (
	"slices"
	"strconv"
	"strings"

	"rigledger/events"
	"rigledger/fleet"
	"rigledger/fleet/meter"
	"rigledger/fleet/plan"
)

// What the counters showed, in the words of a record.

// amountsWords writes quantities as facts write them.
func amountsWords(a plan.Amounts) string {
	var all []string
	for _, q := range []meter.Quantity{meter.Hours, meter.Area, meter.Volume, meter.Distance, meter.Loads} {
		if of, ok := plan.QuantityOf(q); ok {
			if v, has := a.Get(of); has {
				all = append(all, meterText(q, v))
			}
		}
	}
	return strings.Join(all, ", ")
}

func (p recordPage) meter(m *fleet.RecordMeter) recordMeter {
	one := recordMeter{Meter: m.Meter, Total: amountsWords(m.Total), Counter: amountsWords(m.Counter), Start: amountsWords(m.Start), Rests: word("never read")}
	if on := m.RestsOn; on != nil {
		one.Rests, one.Commit = p.Short(on.At)+", "+p.cameBy(on), on.Commit
	}
	for _, w := range m.Swaps {
		last := amountsWords(w.Last)
		if !w.Given {
			last += " (" + word("its last reading") + ")"
		}
		one.Swaps = append(one.Swaps, recordSwap{w.At, last, amountsWords(w.Start), amountsWords(w.Total), w.Commit})
	}
	return one
}

// cameBy says how a reading came.
func (p recordPage) cameBy(on *fleet.RecordReading) string {
	if on.Commit == 0 {
		return word("drawn between readings")
	}
	return wayOfReading(p.R.Rig.Rig, on.By, on.Event)
}

// thenWords says what the meters showed when something was done, and between
// which readings that lies. Meters that were read together are told together.
func (p recordPage) thenWords(f *fleet.RecordFact) (lines []string) {
	var totals, rests []string
	for i := range f.Meters {
		m := &f.Meters[i]
		total := m.Meter + " " + amountsWords(m.Total)
		rest := p.read(word("read before"), m.Before, f.Meters, func(m *fleet.MeterThen) *fleet.RecordReading { return m.Before })
		for _, w := range m.Swaps {
			rest = inARow(rest, word("counter changed")+" "+p.Short(w.At)+", "+word("the old one ended at")+" "+amountsWords(w.Last)+", "+word("in all")+" "+amountsWords(w.Total))
		}
		rest = inARow(rest, p.read(word("read after"), m.After, f.Meters, func(m *fleet.MeterThen) *fleet.RecordReading { return m.After }))
		if rest == "" {
			rest = word("never read")
		}
		if at := slices.Index(rests, rest); at >= 0 {
			totals[at] += ", " + total
			continue
		}
		totals, rests = append(totals, total), append(rests, rest)
	}
	when := ""
	if _, ok := f.Entry.Fact.(*events.CertificateIssued); ok {
		when = word("when the day of its inspection began:") + " "
	}
	for i := range totals {
		lines = append(lines, when+totals[i]+" ("+rests[i]+")")
	}
	return lines
}

// read tells of a reading, with what the other meters showed in it.
func (p recordPage) read(which string, on *fleet.RecordReading, meters []fleet.MeterThen, side func(*fleet.MeterThen) *fleet.RecordReading) string {
	if on == nil {
		return ""
	}
	text := which + " " + p.Short(on.At)
	for i := range meters {
		if other := side(&meters[i]); other != nil && other.At.Equal(on.At) && other.Commit == on.Commit && other.Event == on.Event {
			text += ", " + amountsWords(other.Total)
		}
	}
	if came := p.cameBy(on); on.By != "rig:"+p.R.Rig.Rig || came != word("the rig itself") {
		text += ", " + came
	}
	if on.Commit > 0 {
		text += ", " + word("commit") + " " + strconv.FormatUint(on.Commit, 10)
	}
	return text
}

// sinceWords says how much had run since a job was last done. Within View.
func sinceWords(s *fleet.State, rig *fleet.Rig, f *fleet.RecordFact) (lines []string) {
	for i, run := range f.Since {
		line := ""
		if i > 0 {
			line = rigTaskTitle(s, rig, run.Task) + " (" + partName(s, run.Part) + "): "
		}
		since := word("since it was done before, on")
		if run.First {
			since = word("and never done before; it counts from")
		}
		lines = append(lines, line+amountsWords(run.Ran)+" "+since+" "+plan.Of(run.From, s.Zone()).String())
	}
	return lines
}
