package command

import (
	"bufio"
	"context"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"io"
	"sort"
	"strconv"
	"strings"
	"time"

	"rigledger/events"
	"rigledger/fleet"
	"rigledger/fleet/meter"
	"rigledger/fleet/plan"
)

// Exports lists what Export can write.
var Exports = []string{"ledger", "rigs", "parts", "items"}

// Export writes the whole ledger as JSON Lines, one commit a line, or a read
// model as CSV.
func Export(ctx context.Context, l Ledger, what string, out io.Writer) error {
	w := bufio.NewWriter(out)
	var err error
	switch what {
	case "ledger":
		err = exportLedger(ctx, l, w)
	case "rigs", "parts", "items":
		err = exportTable(ctx, l, what, w)
	default:
		return fmt.Errorf("there is no export %q; there are %s", what, strings.Join(Exports, ", "))
	}
	if err != nil {
		return err
	}
	return w.Flush()
}

func exportLedger(ctx context.Context, l Ledger, w io.Writer) error {
	store, err := l.open(ctx)
	if err != nil {
		return err
	}
	defer store.Close()
	lines := json.NewEncoder(w)
	lines.SetEscapeHTML(false)
	return store.Read(ctx, 1, func(c *events.Commit) error { return lines.Encode(c) })
}

func exportTable(ctx context.Context, l Ledger, what string, w io.Writer) error {
	f, done, err := l.fleet(ctx)
	if err != nil {
		return err
	}
	defer done()
	table := csv.NewWriter(w)
	now := f.Now()
	f.View(func(s *fleet.State) {
		switch what {
		case "rigs":
			rigsTable(f, s, now, table)
		case "parts":
			partsTable(s, table)
		case "items":
			itemsTable(f, s, now, table)
		}
	})
	table.Flush()
	return table.Error()
}

func rigsTable(f *fleet.Fleet, s *fleet.State, now time.Time, w *csv.Writer) {
	row(w, "rig", "name", "class", "yard", "width_m", "tank_l", "first_use", "hours", "hectares", "last_read", "fitness", "open_items", "retired")
	for _, code := range sorted(s.Rigs) {
		r := s.Rigs[code]
		total := func(q meter.Quantity) string {
			if m := r.MeterOf(q, ""); m != nil {
				v, _ := m.Series.Total()
				return number(q.FromBase(v))
			}
			return ""
		}
		read := ""
		if at := r.LastRead(); !at.IsZero() {
			read = at.Format(time.RFC3339)
		}
		row(w, r.Rig, r.Name, r.Class, r.Yard, number(float64(r.WidthMM)/1000), number(float64(r.TankML)/1000), r.FirstUse,
			total(meter.Hours), total(meter.Area), read, f.FitnessOf(s, r, now).State, strconv.Itoa(len(r.Open)), strconv.FormatBool(r.Retired))
	}
}

func partsTable(s *fleet.State, w *csv.Writer) {
	row(w, "part", "kind", "name", "rig", "position", "serial", "made", "hours", "hectares", "scrapped")
	for _, id := range sorted(s.Parts) {
		p := s.Parts[id]
		usage := func(q meter.Quantity) string {
			if v, ok := s.PartUsage(p, q, 1<<60); ok {
				return number(q.FromBase(v))
			}
			return ""
		}
		row(w, p.Part, p.Kind, p.Name, p.Rig(), p.Position, p.Serial, p.Made, usage(meter.Hours), usage(meter.Area), strconv.FormatBool(p.Scrapped))
	}
}

func itemsTable(f *fleet.Fleet, s *fleet.State, now time.Time, w *csv.Writer) {
	row(w, "item", "rig", "part", "task", "cycle", "plan", "version", "stage", "status", "due_hours", "due_hectares", "due_date", "booked_on", "ended_at", "ended_by", "worker")
	standing := map[string]plan.Status{}
	for _, r := range s.Rigs {
		for _, line := range f.DueOf(s, r, now) {
			if line.Item != "" {
				standing[line.Item] = line.Due.Status
			}
		}
	}
	for _, id := range sorted(s.Items) {
		it := s.Items[id]
		due := func(q meter.Quantity) string {
			if v, ok := it.Due.Get(string(q)); ok {
				return number(q.FromBase(v))
			}
			return ""
		}
		ended := ""
		if !it.EndedAt.IsZero() {
			ended = it.EndedAt.Format(time.RFC3339)
		}
		row(w, it.Item, it.Rig, it.Part, it.Task, strconv.Itoa(it.Cycle), it.Plan, strconv.Itoa(it.Version), string(it.Stage), string(standing[id]),
			due(meter.Hours), due(meter.Area), it.DueDate, it.BookedOn, ended, it.EndedBy, it.DoneBy())
	}
}

// row writes a line; a cell that a spreadsheet would take for a formula gets an
// apostrophe in front.
func row(w *csv.Writer, cells ...string) {
	for i, c := range cells {
		if c != "" && strings.ContainsRune("=+-@\t\r", rune(c[0])) {
			if _, err := strconv.ParseFloat(c, 64); err != nil {
				cells[i] = "'" + c
			}
		}
	}
	_ = w.Write(cells) // the error stays in the writer until it is asked for
}

func number(v float64) string {
	text := strconv.FormatFloat(v, 'f', 4, 64)
	return strings.TrimSuffix(strings.TrimRight(text, "0"), ".")
}

func sorted[V any](m map[string]V) []string {
	keys := make([]string, 0, len(m))
	for k := range m {
		keys = append(keys, k)
	}
	sort.Strings(keys)
	return keys
}
