package exchange

import (
	"bytes"
	"maps"
	"mime"
	"net/http"
	"slices"
	"strings"
	"time"

	"rigledger/api/call"
	"rigledger/api/exchange/sheet"
	"rigledger/api/shape"
	"rigledger/api/workshop"
	"rigledger/fleet"
	"rigledger/fleet/meter"
	"rigledger/fleet/plan"
)

const (
	csvType  = "text/csv; charset=utf-8"
	xlsxType = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"
)

// sheetWanted is what of a list goes into a sheet.
type sheetWanted struct {
	rigs, yards []string
	from, to    plan.Date // of usage; to is not in it
}

// sheets lists the tables there are, each with its columns.
var sheets = map[string]struct {
	columns []sheet.Column
	rows    func(c *call.Call, s *fleet.State, rigs []*fleet.Rig, w sheetWanted) ([][]any, error)
}{
	"rigs": {cols("rig", sheet.Text, "name", sheet.Text, "class", sheet.Text, "yard", sheet.Text, "width_m", sheet.Decimal, "tank_l", sheet.Decimal,
		"first_use", sheet.Date, "serial", sheet.Text, "hours", sheet.Decimal, "hectares", sheet.Decimal, "last_read", sheet.Time, "fitness", sheet.Text,
		"open_items", sheet.Whole, "open_defects", sheet.Whole, "retired", sheet.Yes), rigRows},
	"items": {cols("item", sheet.Text, "rig", sheet.Text, "yard", sheet.Text, "part", sheet.Text, "task", sheet.Text, "title", sheet.Text, "weight", sheet.Text,
		"stage", sheet.Text, "status", sheet.Text, "due_hours", sheet.Decimal, "due_hectares", sheet.Decimal, "due_date", sheet.Date, "raised", sheet.Time,
		"booked_on", sheet.Date, "booked_for", sheet.Text, "ended", sheet.Time, "ended_by", sheet.Text, "findings", sheet.Text, "worker", sheet.Text), itemRows},
	"parts": {cols("part", sheet.Text, "kind", sheet.Text, "name", sheet.Text, "rig", sheet.Text, "yard", sheet.Text, "position", sheet.Text, "serial", sheet.Text,
		"made", sheet.Text, "hours", sheet.Decimal, "hectares", sheet.Decimal), partRows},
	"defects": {cols("defect", sheet.Text, "rig", sheet.Text, "yard", sheet.Text, "part", sheet.Text, "code", sheet.Text, "text", sheet.Text, "safety", sheet.Yes,
		"reported", sheet.Time, "reported_by", sheet.Text, "cleared", sheet.Time, "cleared_by", sheet.Text, "action", sheet.Text), defectRows},
	"inspections": {cols("inspection", sheet.Text, "rig", sheet.Text, "yard", sheet.Text, "day", sheet.Date, "rule_set", sheet.Text, "edition", sheet.Text,
		"statutory", sheet.Yes, "tester", sheet.Text, "outcome", sheet.Text, "retest_by", sheet.Text), inspectionRows},
	"usage": {cols("day", sheet.Date, "rig", sheet.Text, "yard", sheet.Text, "meter", sheet.Text, "quantity", sheet.Text, "value", sheet.Decimal, "unit", sheet.Text), usageRows},
}

// cols makes columns of names and kinds by turns.
func cols(pairs ...any) []sheet.Column {
	out := make([]sheet.Column, 0, len(pairs)/2)
	for i := 0; i+1 < len(pairs); i += 2 {
		out = append(out, sheet.Column{Name: pairs[i].(string), Kind: pairs[i+1].(sheet.Kind)})
	}
	return out
}

// GetSheet is a list as CSV or spreadsheet, by the address's ending.
func (res *Resources) GetSheet(c *call.Call) error {
	name, form, _ := strings.Cut(c.Param("sheet"), ".")
	table, known := sheets[name]
	if !known || form != "csv" && form != "xlsx" {
		return call.NoSuch("sheet", c.Param("sheet"))
	}
	w := sheetWanted{rigs: c.Query.Words("rig"), yards: c.Query.Words("yard"), from: c.Query.Date("from"), to: c.Query.Date("to")}
	if name != "usage" && (c.Query.Text("from") != "" || c.Query.Text("to") != "") {
		c.Query.Fail("from", "and to go with usage only")
	}
	if err := c.Query.Err(); err != nil {
		return err
	}
	var rows [][]any
	var tag string
	err := c.View(func(s *fleet.State) (err error) {
		today := c.Today(s)
		if w.to.IsZero() {
			w.to = today.AddDays(1)
		}
		if w.from.IsZero() {
			w.from = w.to.AddDays(-31)
		}
		if !w.from.Before(w.to) || w.from.DaysUntil(w.to) > sheetDays {
			c.Query.Fail("to", "must be a date after from, at most 4000 days later")
			return c.Query.Err()
		}
		tag = call.Tag(s.Head.N, today)
		rows, err = table.rows(c, s, rigsFor(c, s, w), w)
		return err
	})
	if err != nil {
		return err
	}
	if c.Unchanged(tag) {
		return nil
	}
	var out bytes.Buffer
	t := sheet.Table{Name: name, Columns: table.columns, Rows: rows}
	kind, write := csvType, sheet.WriteCSV
	if form == "xlsx" {
		kind, write = xlsxType, sheet.WriteXLSX
	}
	if err := write(&out, t); err != nil {
		return err
	}
	c.SetHeader("Content-Disposition", mime.FormatMediaType("attachment", map[string]string{"filename": name + "." + form}))
	return c.Bytes(http.StatusOK, kind, out.Bytes())
}

func rigsFor(c *call.Call, s *fleet.State, w sheetWanted) (rigs []*fleet.Rig) {
	for _, code := range slices.Sorted(maps.Keys(s.Rigs)) {
		if r := s.Rigs[code]; c.Sees(r) && call.Wants(w.rigs, code) && call.Wants(w.yards, r.Yard) {
			rigs = append(rigs, r)
		}
	}
	return rigs
}

// cell makes an empty cell of a zero value.
func cell[T comparable](v T) any {
	var zero T
	if v == zero {
		return nil
	}
	return v
}

func timeCell(t time.Time) any {
	if t.IsZero() {
		return nil
	}
	return t
}

func rigTotal(r *fleet.Rig, q meter.Quantity) any {
	if m := r.MeterOf(q, ""); m != nil {
		v, _ := m.Series.Total()
		return shape.FourDecimals(q.FromBase(v))
	}
	return nil
}

func rigRows(c *call.Call, s *fleet.State, rigs []*fleet.Rig, _ sheetWanted) (rows [][]any, err error) {
	for _, r := range rigs {
		rows = append(rows, []any{r.Rig, r.Name, r.Class, r.Yard, float64(r.WidthMM) / 1000, float64(r.TankML) / 1000, cell(r.FirstUse), cell(r.Serial),
			rigTotal(r, meter.Hours), rigTotal(r, meter.Area), timeCell(r.LastRead()), c.Fleet.FitnessOf(s, r, c.Now).State,
			len(r.Open), len(r.Defects), r.Retired})
	}
	return rows, nil
}

func itemRows(c *call.Call, s *fleet.State, rigs []*fleet.Rig, _ sheetWanted) (rows [][]any, err error) {
	lines := map[string]*fleet.DueLine{}
	byCode := map[string]*fleet.Rig{}
	for _, r := range rigs {
		byCode[r.Rig] = r
		due := c.Fleet.DueOf(s, r, c.Now)
		for i := range due {
			if due[i].Item != "" {
				lines[due[i].Item] = &due[i]
			}
		}
	}
	for _, id := range slices.Sorted(maps.Keys(s.Items)) {
		it := s.Items[id]
		r := byCode[it.Rig]
		if r == nil {
			continue
		}
		l := workshop.LineOf(s, it, r, lines[id])
		amount := func(q meter.Quantity) any {
			if v, ok := it.Due.Get(string(q)); ok {
				return shape.FourDecimals(q.FromBase(v))
			}
			return nil
		}
		findings := ""
		if it.Finish != nil {
			findings = it.Finish.Findings
		}
		rows = append(rows, []any{id, it.Rig, r.Yard, it.Part, it.Task, l.Title, l.Weight, l.Stage, cell(l.Status), amount(meter.Hours), amount(meter.Area),
			cell(it.DueDate), timeCell(it.RaisedAt), cell(it.BookedOn), cell(it.BookedFor), timeCell(it.EndedAt), cell(it.EndedBy), cell(findings), cell(it.DoneBy())})
	}
	return rows, nil
}

func partRows(_ *call.Call, s *fleet.State, rigs []*fleet.Rig, _ sheetWanted) (rows [][]any, err error) {
	for _, r := range rigs {
		for _, id := range append([]string{r.Rig}, r.Fitted...) {
			p := s.Parts[id]
			usage := func(q meter.Quantity) any {
				if v, ok := s.PartUsage(p, q, 1<<60); ok {
					return shape.FourDecimals(q.FromBase(v))
				}
				return nil
			}
			rows = append(rows, []any{id, p.Kind, p.Name, r.Rig, r.Yard, p.Position, cell(p.Serial), cell(p.Made), usage(meter.Hours), usage(meter.Area)})
		}
	}
	return rows, nil
}

func defectRows(_ *call.Call, s *fleet.State, rigs []*fleet.Rig, _ sheetWanted) (rows [][]any, err error) {
	yard := map[string]string{}
	for _, r := range rigs {
		yard[r.Rig] = r.Yard
	}
	for _, id := range slices.Sorted(maps.Keys(s.Defects)) {
		d := s.Defects[id]
		if y, ok := yard[d.Rig]; ok {
			rows = append(rows, []any{id, d.Rig, y, cell(d.Part), cell(d.Code), cell(d.Text), d.Safety, timeCell(d.ReportedAt), d.ReportedBy,
				timeCell(d.ClearedAt), cell(d.ClearedBy), cell(d.Action)})
		}
	}
	return rows, nil
}

func inspectionRows(_ *call.Call, s *fleet.State, rigs []*fleet.Rig, _ sheetWanted) (rows [][]any, err error) {
	for _, r := range rigs {
		for _, id := range r.Bay.Inspections {
			i := s.Bay.Inspections[id]
			rows = append(rows, []any{id, r.Rig, r.Yard, plan.Of(i.At, s.Zone()).String(), i.RuleSet, i.Edition, i.Statutory, i.Tester, i.Outcome, cell(i.RetestBy)})
		}
	}
	return rows, nil
}

// sheetDays is how many days of usage one sheet has at most.
const sheetDays = 4000

// usageSheetMost bounds the rows of a sheet of usage.
const usageSheetMost = 500_000

func usageRows(c *call.Call, s *fleet.State, rigs []*fleet.Rig, w sheetWanted) (rows [][]any, err error) {
	begin, end := shape.Begin(s, w.from), shape.Begin(s, w.to)
	for _, r := range rigs {
		for _, m := range r.Meters {
			q := m.Series.Quantity
			buckets, err := m.Series.Buckets(s.Zone(), begin, end, meter.Day, 1)
			if err != nil {
				return nil, err
			}
			for _, b := range buckets {
				if b.Usage != 0 {
					rows = append(rows, []any{plan.Of(b.From, s.Zone()).String(), r.Rig, r.Yard, m.Meter, string(q), shape.FourDecimals(q.FromBase(b.Usage)), q.Unit()})
				}
			}
			if len(rows) > usageSheetMost {
				c.Query.Fail("to", "makes more than 500000 rows; ask for less time or a yard")
				return nil, c.Query.Err()
			}
		}
	}
	return rows, nil
}
