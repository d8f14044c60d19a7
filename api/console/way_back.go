package console

import (
	"cmp"
	"math"
	"net/url"
	"slices"
	"strconv"
	"time"

	"rigledger/fleet"
	"rigledger/fleet/meter"
)

// What takes a fact back where the way back is a request of the same kind: its
// fields, as a form keeps them (openForm, undo-with).

// Again gives the fields that make a cancelled booking anew.
func (b bookingRow) Again() string {
	q := url.Values{"s:/rig": {b.Rig}, "d:/from": {b.From}, "d:/to": {b.To}}
	if b.Rest {
		q.Set("b:/rest", "true")
	}
	for name, amount := range map[string]float64{"n:/hectares": b.Hectares, "n:/hours": b.Hours} {
		if amount > 0 {
			q.Set(name, strconv.FormatFloat(amount, 'f', -1, 64))
		}
	}
	if b.Note != "" {
		q.Set("s:/note", b.Note)
	}
	return q.Encode()
}

// PlanBack gives the fields that adopt the rig's plan again in the version it has.
func (d *rigPage) PlanBack() string {
	return url.Values{"s:/plan": {d.Plan.Plan}, "n:/version": {strconv.Itoa(d.Plan.Version)}}.Encode()
}

// PlanBackTo is the request for it, "" where there is no plan to go back to.
func (d *rigPage) PlanBackTo() string {
	if d.Plan.Plan == "" {
		return ""
	}
	return "/v1/rigs/" + d.Rig + "/plan"
}

// counterChanges are the swaps on record of a meter, the newest first: those that can
// be taken back, and when those were whose readings since do not go on from the old
// counter.
type counterChange struct {
	Back  []option
	Stuck []time.Time
}

func counterChanges(v *visit, r *fleet.Rig) map[string]*counterChange {
	all := map[string]*counterChange{}
	for _, m := range r.Meters {
		for _, e := range slices.Backward(m.Series.Epochs[1:]) {
			at := time.UnixMilli(e.At).UTC()
			q := m.Series.Quantity
			if all[m.Meter] == nil {
				all[m.Meter] = &counterChange{}
			}
			of := all[m.Meter]
			if !goesOn(m.Series, e.At) {
				of.Stuck = append(of.Stuck, at)
				continue
			}
			of.Back = append(of.Back, option{at.Format(time.RFC3339Nano), at.In(v.zone).Format("2006-01-02 15:04") + ", " + rigDecimal(q.FromBase(e.Start), 2) + " " + rigUnit(q.Field())})
		}
	}
	return all
}

// goesOn says whether the readings since a swap may be the old counter's.
func goesOn(s *meter.Series, swap int64) bool {
	old := s.Clone()
	if !old.Unswap(swap) {
		return false
	}
	readings := old.Points(math.MinInt64/2, math.MaxInt64/2)
	return slices.IsSortedFunc(readings, func(a, b meter.Reading) int { return cmp.Compare(a.Total, b.Total) })
}
