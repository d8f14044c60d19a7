// Package fieldusage lists what was sprayed where and when, rig by rig, field by
// field and day by day, for the farm's own records.
//
// It owns the rows made from task data reports: area, volume and time per rig, task and day. It never
// writes to the ledger: rows are records of work, not meter readings. They say how much was
// applied, not what: products, weather and the applicator are the farm's to add, and what must be kept, and
// for how long, is for the law of the place.
package fieldusage

import (
	"cmp"
	"slices"
	"time"

	"github.com/shopspring/decimal"

	"rigledger/api/exchange/sheet"
	"rigledger/api/exchange/taskdata"
)

// Row is what a rig did in a task on a day.
type Row struct {
	Rig  string // the fleet's code; empty when the device is not one of its rigs
	Key  taskdata.Key
	Day  string // 2026-05-04, in the zone the reports were read in
	Task string // designator of the task, else its id
	// Field is the field's name as the terminal has it; may be empty.
	Field string

	SquareMetres int64
	Millilitres  int64
	Seconds      int64 // effective time
	Counted      Counted
	Suspect      string // why a total behind the row belongs in quarantine
}

// Counted says which of the amounts the device counts at all: nothing counted is not zero.
type Counted struct{ Area, Volume, Time bool }

// slot is what tells rows apart.
type slot struct {
	job     job
	measure taskdata.Measure
}

// job is a task of a device.
type job struct {
	key  taskdata.Key
	task string
	from int64
}

// named is what a task was called, and when.
type named struct {
	at   time.Time
	task taskdata.Task
}

// Rows lists the usage in reports, in order of day, rig, field and task. A task that stands in several reports counts once: the
// latest state of each of its totals replaces the earlier ones, day by day. Tasks are the same when device, id and start
// are. rigOf gives a device's rig.
func Rows(reports []*taskdata.Report, rigOf func(taskdata.Key) (rig string, ok bool)) []Row {
	newest := map[slot]map[string]claim{}
	tasks := map[job]named{}
	for _, rep := range reports {
		for _, d := range rep.Devices {
			for _, t := range d.Totals {
				if !wanted(t.Measure) {
					continue
				}
				s := slot{job{d.Key, t.Task.ID, t.Task.From.UnixMilli()}, t.Measure}
				if newest[s] == nil {
					newest[s] = map[string]claim{}
				}
				if n, ok := tasks[s.job]; !ok || t.At.After(n.at) {
					tasks[s.job] = named{t.At, t.Task}
				}
				for _, day := range t.Days {
					if c, ok := newest[s][day.Date]; !ok || t.At.After(c.at) || t.At.Equal(c.at) && day.Base > c.base {
						newest[s][day.Date] = claim{t.At, day.Base, t.Suspect}
					}
				}
			}
		}
	}
	return gather(newest, tasks, rigOf)
}

// claim is what a total says of a day, and when it was said.
type claim struct {
	at      time.Time
	base    int64
	suspect string
}

func wanted(m taskdata.Measure) bool {
	return m == taskdata.Area || m == taskdata.AppliedVolume || m == taskdata.EffectiveTime
}

func gather(newest map[slot]map[string]claim, tasks map[job]named, rigOf func(taskdata.Key) (string, bool)) []Row {
	type line struct {
		job job
		day string
	}
	rows := map[line]*Row{}
	for s, days := range newest {
		for day, c := range days {
			at := line{s.job, day}
			r := rows[at]
			if r == nil {
				t := tasks[s.job].task
				r = &Row{Key: s.job.key, Day: day, Task: cmp.Or(t.Designator, t.ID), Field: t.Field}
				r.Rig, _ = rigOf(s.job.key)
				rows[at] = r
			}
			switch s.measure {
			case taskdata.Area:
				r.SquareMetres, r.Counted.Area = c.base, true
			case taskdata.AppliedVolume:
				r.Millilitres, r.Counted.Volume = c.base, true
			case taskdata.EffectiveTime:
				r.Seconds, r.Counted.Time = c.base, true
			}
			if c.suspect != "" && (r.Suspect == "" || c.suspect < r.Suspect) {
				r.Suspect = c.suspect
			}
		}
	}
	out := make([]Row, 0, len(rows))
	for _, r := range rows {
		out = append(out, *r)
	}
	slices.SortFunc(out, func(a, b Row) int {
		return cmp.Or(cmp.Compare(a.Day, b.Day), cmp.Compare(a.Rig, b.Rig), cmp.Compare(a.Key.String(), b.Key.String()),
			cmp.Compare(a.Field, b.Field), cmp.Compare(a.Task, b.Task), cmp.Compare(a.SquareMetres, b.SquareMetres),
			cmp.Compare(a.Millilitres, b.Millilitres), cmp.Compare(a.Seconds, b.Seconds), cmp.Compare(a.Suspect, b.Suspect))
	})
	return out
}

// Columns of the table, for writing row by row.
var Columns = []sheet.Column{{Name: "day", Kind: sheet.Date}, {Name: "rig", Kind: sheet.Text}, {Name: "device", Kind: sheet.Text},
	{Name: "field", Kind: sheet.Text}, {Name: "task", Kind: sheet.Text}, {Name: "hectares", Kind: sheet.Decimal}, {Name: "litres", Kind: sheet.Decimal},
	{Name: "l_ha", Kind: sheet.Decimal}, {Name: "hours", Kind: sheet.Decimal}, {Name: "suspect", Kind: sheet.Text}}

// Table is the rows as a plain table. Cells of what was not counted are empty.
func Table(rows []Row) sheet.Table {
	t := sheet.Table{Name: "field usage", Columns: Columns}
	for _, r := range rows {
		t.Rows = append(t.Rows, Cells(r))
	}
	return t
}

// Cells is one row under Columns: ha to a square metre, l to a millilitre, l/ha and h to two places.
func Cells(r Row) []any {
	cells := []any{r.Day, r.Rig, r.Key.String(), r.Field, r.Task, nil, nil, nil, nil, r.Suspect}
	if r.Counted.Area {
		cells[5] = decimal.New(r.SquareMetres, -4)
	}
	if r.Counted.Volume {
		cells[6] = decimal.New(r.Millilitres, -3)
	}
	if r.Counted.Area && r.Counted.Volume && r.SquareMetres > 0 {
		// ml/m² × 10 = l/ha
		cells[7] = decimal.NewFromInt(r.Millilitres).Mul(decimal.NewFromInt(10)).DivRound(decimal.NewFromInt(r.SquareMetres), 2)
	}
	if r.Counted.Time {
		cells[8] = decimal.NewFromInt(r.Seconds).DivRound(decimal.NewFromInt(3600), 2)
	}
	return cells
}
