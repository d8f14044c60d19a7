package command

import (
	"context"
	"encoding/csv"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"strconv"
	"strings"
	"time"

	"rigledger/events"
	"rigledger/fleet"
	"rigledger/fleet/meter"
)

// importMost bounds a file's rows, importBytes its size.
const (
	importMost  = 2_000_000
	importBytes = 1 << 30
)

// errRefusedRows ends an import whose rows were refused; what was wrong with
// each has been printed.
var errRefusedRows = errors.New("nothing was loaded")

// ImportFleet registers rigs from a JSON array, or from JSON Lines, of the
// objects that POST /v1/rigs takes. If one is refused, none is registered.
func ImportFleet(ctx context.Context, l Ledger, file string, out io.Writer) error {
	rows, err := readRigs(file)
	if err != nil {
		return err
	}
	f, done, err := l.fleet(ctx)
	if err != nil {
		return err
	}
	defer done()
	refused, known := 0, map[int]bool{}
	seen := map[string]int{}
	for i, r := range rows {
		err := f.Check(operator(), r)
		switch first, twice := seen[r.Rig]; {
		case twice:
			err = fmt.Errorf("rig %q stands in row %d already", r.Rig, first+1)
		case fleet.CodeOf(err) == fleet.Conflict && registered(f, r):
			known[i], err = true, nil
			fmt.Fprintf(out, "row %d: rig %s is registered already and stays as it is\n", i+1, r.Rig)
		}
		seen[r.Rig] = i
		if err != nil {
			refused++
			fmt.Fprintf(out, "row %d: refused: %v\n", i+1, err)
		}
	}
	if refused > 0 {
		return fmt.Errorf("%d of %d rows refused: %w", refused, len(rows), errRefusedRows)
	}
	for i, r := range rows {
		if known[i] {
			continue
		}
		if _, err := f.Do(ctx, operator(), r, nil); err != nil {
			return fmt.Errorf("row %d, after all rows had been found good: %w; import the file again", i+1, err)
		}
	}
	fmt.Fprintf(out, "%d rigs registered, %d known before\n", len(rows)-len(known), len(known))
	return nil
}

func registered(f *fleet.Fleet, r *fleet.RegisterRig) (same bool) {
	f.View(func(s *fleet.State) {
		known := s.Rigs[r.Rig]
		same = known != nil && known.Name == r.Name && known.Class == r.Class && known.WidthMM == int64(math.Round(r.WidthM*1000))
	})
	return same
}

func readRigs(file string) ([]*fleet.RegisterRig, error) {
	f, err := openBounded(file)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	return parseRigs(file, f)
}

func parseRigs(file string, r io.Reader) ([]*fleet.RegisterRig, error) {
	d := json.NewDecoder(r)
	var rows []*fleet.RegisterRig
	for {
		var raw json.RawMessage
		if err := d.Decode(&raw); errors.Is(err, io.EOF) {
			break
		} else if err != nil {
			return nil, fmt.Errorf("%s: after row %d: %w", file, len(rows), err)
		}
		some, err := rigsOf(raw)
		if err != nil {
			return nil, fmt.Errorf("%s: after row %d: %w", file, len(rows), err)
		}
		rows = append(rows, some...)
	}
	if len(rows) == 0 {
		return nil, fmt.Errorf("%s: holds no rigs", file)
	}
	return rows, nil
}

func rigsOf(raw json.RawMessage) ([]*fleet.RegisterRig, error) {
	d := json.NewDecoder(strings.NewReader(string(raw)))
	d.DisallowUnknownFields()
	var rows []*fleet.RegisterRig
	if len(raw) > 0 && raw[0] == '[' {
		if err := d.Decode(&rows); err != nil {
			return nil, err
		}
	} else {
		var r *fleet.RegisterRig
		if err := d.Decode(&r); err != nil {
			return nil, err
		}
		rows = append(rows, r)
	}
	for _, r := range rows {
		if r == nil {
			return nil, errors.New("null is not a rig")
		}
	}
	return rows, nil
}

// readingsHeader is the first line of a CSV of readings; id may be left out.
var readingsHeader = []string{"rig", "time", "meter", "value", "unit", "id"}

// ImportReadings loads readings from a CSV file with the columns rig, time
// (RFC 3339), meter, value, unit (UN/ECE Rec 20) and, if wanted, id. Rows that
// cannot be understood, or name an unknown rig or meter, refuse the whole file.
// Rows that do not fit the meter's history go to quarantine and are named. The
// same file again changes nothing.
func ImportReadings(ctx context.Context, l Ledger, file string, out io.Writer) error {
	rows, err := readCSV(file)
	if err != nil {
		return err
	}
	f, done, err := l.fleet(ctx)
	if err != nil {
		return err
	}
	defer done()
	arrivals := make([]events.Arrival, 0, len(rows))
	refused := 0
	for i, row := range rows {
		a, err := row.arrival(f)
		if err != nil {
			refused++
			if refused <= 1000 {
				fmt.Fprintf(out, "line %d: refused: %v\n", rows[i].line, err)
			}
			continue
		}
		arrivals = append(arrivals, a)
	}
	if refused > 0 {
		return fmt.Errorf("%d of %d rows refused: %w", refused, len(rows), errRefusedRows)
	}
	var applied, repeated, held int
	const portion = 4000
	for start := 0; start < len(arrivals); start += portion {
		outcomes, _, err := f.TakeReport(ctx, arrivals[start:min(start+portion, len(arrivals))])
		if err != nil {
			return fmt.Errorf("stopped after line %d: %w; import the file again, what is in will not be counted twice", rows[start].line, err)
		}
		for i, o := range outcomes {
			switch {
			case len(o.Quarantined) > 0:
				held++
				fmt.Fprintf(out, "line %d: held in quarantine as %s: %s: %s\n", rows[start+i].line, o.Quarantined[0], o.Reason, o.Detail)
			case o.Repeat:
				repeated++
			default:
				applied++
			}
		}
	}
	fmt.Fprintf(out, "%d readings loaded, %d known before, %d held in quarantine\n", applied, repeated, held)
	return nil
}

type csvRow struct {
	line   int
	fields map[string]string
}

func readCSV(file string) ([]csvRow, error) {
	f, err := openBounded(file)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	return parseCSV(file, f)
}

func parseCSV(file string, text io.Reader) ([]csvRow, error) {
	r := csv.NewReader(text)
	r.FieldsPerRecord = -1
	r.TrimLeadingSpace = true
	header, err := r.Read()
	if err != nil {
		return nil, fmt.Errorf("%s: no header line: %w", file, err)
	}
	header[0] = strings.TrimPrefix(header[0], "\ufeff")
	for i := range header {
		header[i] = strings.ToLower(strings.TrimSpace(header[i]))
		if !contains(readingsHeader, header[i]) {
			return nil, fmt.Errorf("%s: line 1: unknown column %q; the columns are %s", file, header[i], strings.Join(readingsHeader, ", "))
		}
		if contains(header[:i], header[i]) {
			return nil, fmt.Errorf("%s: line 1: the column %q stands twice", file, header[i])
		}
	}
	for _, must := range readingsHeader[:5] {
		if !contains(header, must) {
			return nil, fmt.Errorf("%s: line 1: the column %q is missing", file, must)
		}
	}
	var rows []csvRow
	for {
		record, err := r.Read()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return nil, fmt.Errorf("%s: %w", file, err)
		}
		line, _ := r.FieldPos(0)
		if len(record) != len(header) {
			return nil, fmt.Errorf("%s: line %d: %d fields, the header has %d", file, line, len(record), len(header))
		}
		if len(rows) == importMost {
			return nil, fmt.Errorf("%s: more than %d rows; split it", file, importMost)
		}
		row := csvRow{line: line, fields: make(map[string]string, len(header))}
		for i, v := range record {
			row.fields[header[i]] = strings.TrimSpace(v)
		}
		rows = append(rows, row)
	}
	if len(rows) == 0 {
		return nil, fmt.Errorf("%s: holds no readings", file)
	}
	return rows, nil
}

func (r csvRow) arrival(f *fleet.Fleet) (events.Arrival, error) {
	a := events.Arrival{Via: "import", By: operator(), Rig: r.fields["rig"], Event: r.fields["id"], Kind: events.KindReading}
	at, err := time.Parse(time.RFC3339, r.fields["time"])
	if err != nil {
		return a, fmt.Errorf("time: %q is not like 2026-05-04T09:31:12Z", r.fields["time"])
	}
	a.Time = at
	value, err := strconv.ParseFloat(r.fields["value"], 64)
	if err != nil {
		return a, fmt.Errorf("value: %q is not a number", r.fields["value"])
	}
	c := events.RawCounter{Meter: r.fields["meter"], Value: value, Unit: r.fields["unit"]}
	f.View(func(s *fleet.State) {
		rig := s.Rigs[a.Rig]
		if rig == nil {
			err = fmt.Errorf("rig: there is no rig %q", a.Rig)
			return
		}
		m := rig.Meter(c.Meter)
		if m == nil {
			err = fmt.Errorf("meter: rig %s has no meter %q", a.Rig, c.Meter)
			return
		}
		if _, bad := meter.ToBase(m.Series.Quantity, value, c.Unit); bad != nil {
			err = fmt.Errorf("value, unit: %w", bad)
		}
	})
	a.Counters = []events.RawCounter{c}
	a.Payload = fmt.Appendf(nil, "%s,%s,%s,%s,%s", a.Rig, r.fields["time"], c.Meter, r.fields["value"], c.Unit)
	return a, err
}

func openBounded(file string) (*os.File, error) {
	f, err := os.Open(file)
	if err != nil {
		return nil, err
	}
	if info, err := f.Stat(); err == nil && info.Size() > importBytes {
		_ = f.Close()
		return nil, fmt.Errorf("%s: larger than %d MiB; split it", file, importBytes>>20)
	}
	return f, nil
}

func contains(list []string, s string) bool {
	for _, x := range list {
		if x == s {
			return true
		}
	}
	return false
}
