package console

import (
	"strconv"
	"strings"

	"rigledger/events"
	"rigledger/fleet"
	"rigledger/fleet/meter"
)

// Amounts in the words of facts. A page can put these into no other form, so the
// decimal point is as in the ledger.

// meterSymbol is the unit in which a meter's total is shown.
func meterSymbol(q meter.Quantity) string { return rigUnit(q.Field()) }

// meterText writes a counter's value in base units with its unit.
func meterText(q meter.Quantity, base int64) string {
	return rigDecimal(q.FromBase(base), meterDecimals(q)) + " " + meterSymbol(q)
}

// meterDecimals is how exactly a meter's value is shown: as far as its tolerance goes.
func meterDecimals(q meter.Quantity) int {
	switch q {
	case meter.Hours, meter.Area:
		return 2
	case meter.Distance:
		return 1
	}
	return 0
}

// countersText writes the counters of a reading. Within View.
func countersText(rig *fleet.Rig, counters []events.Counter) string {
	var all []string
	for _, c := range counters {
		if m := metersOf(rig, c.Meter); m != nil {
			all = append(all, c.Meter+" "+meterText(m.Series.Quantity, c.Value))
		}
	}
	return strings.Join(all, ", ")
}

// heldText writes counters as they were sent: one whose meter is unknown or that
// came in a unit of another kind keeps its code.
func heldText(rig *fleet.Rig, counters []events.HeldCounter) string {
	var all []string
	for _, c := range counters {
		text := c.Meter + " " + figure(c.Value) + " " + c.Unit
		if m := metersOf(rig, c.Meter); m != nil {
			if base, err := meter.ToBase(m.Series.Quantity, c.Value, c.Unit); err == nil {
				text = c.Meter + " " + meterText(m.Series.Quantity, base)
			}
		}
		all = append(all, text)
	}
	return strings.Join(all, ", ")
}

func amountsText(list events.Amounts) string {
	var all []string
	for _, a := range list {
		all = append(all, meterText(meter.Quantity(a.Quantity), a.Value))
	}
	return strings.Join(all, ", ")
}

// figure writes a number with at most four decimals, as on the sheet.
func figure(x float64) string {
	return strings.TrimSuffix(strings.TrimRight(strconv.FormatFloat(x, 'f', 4, 64), "0"), ".")
}

func metersOf(rig *fleet.Rig, name string) *fleet.Meter {
	if rig == nil {
		return nil
	}
	return rig.Meter(name)
}
