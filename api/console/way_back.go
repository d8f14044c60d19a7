package console

import (
	"net/url"
	"slices"
	"strconv"
	"time"

	"rigledger/fleet"
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

// counterChanges lists the swaps on record of each of a rig's meters, the newest first.
func counterChanges(v *visit, r *fleet.Rig) map[string][]option {
	all := map[string][]option{}
	for _, m := range r.Meters {
		for _, e := range slices.Backward(m.Series.Epochs[1:]) {
			at := time.UnixMilli(e.At).UTC()
			q := m.Series.Quantity
			all[m.Meter] = append(all[m.Meter], option{at.Format(time.RFC3339Nano), at.In(v.zone).Format("2006-01-02 15:04") + ", " + rigDecimal(q.FromBase(e.Start), 2) + " " + rigUnit(q.Field())})
		}
	}
	return all
}
