// Package sheet writes a table as CSV (RFC 4180) or as a spreadsheet (XLSX,
// ISO/IEC 29500), whole or row by row.
//
// It owns how a cell looks in either and the guard against cells that a
// spreadsheet would take for a formula. It does not read files, choose
// columns or know what is in them.
//
// # Cells
//
// A column has a kind, and each kind takes these Go values; nil is an empty cell in every kind.
//
//	Text    string
//	Whole   int, int64, uint64
//	Decimal float64, decimal.Decimal, int, int64; not NaN or infinite
//	Date    plain calendar date as "2006-01-02"
//	Time    time.Time; written in UTC
//	Yes     bool; written "yes" or "no"
//
// Anything else is an error that names row and column: a table is never written with a cell
// guessed.
//
// # Formulas
//
// A text cell that begins with = + - @, a tab or a carriage return is written with an apostrophe before it, so no
// program takes it for a formula (in CSV also after a semicolon, a tab or a line break inside the
// text, where programs of other countries begin a new cell). A text that is a plain number, such as -5 or +3.2,
// is left as it is.
package sheet

import (
	"errors"
	"fmt"
	"io"
	"iter"
	"math"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"github.com/shopspring/decimal"
)

// Kind is what the cells of a column hold.
type Kind int

// The kinds of column.
const (
	Text Kind = iota
	Whole
	Decimal
	Date
	Time
	Yes
)

// Column is one column: its heading and kind.
type Column struct {
	Name string
	Kind Kind
}

// Table is a named table that fits in memory.
type Table struct {
	Name    string
	Columns []Column
	Rows    [][]any
}

var (
	// ErrCell says that a value does not belong in its column.
	ErrCell = errors.New("cell does not fit its column")
	// ErrTooLarge says that a table is past what a spreadsheet holds.
	ErrTooLarge = errors.New("table is too large for a spreadsheet")
)

// Writer takes the rows of a table one by one. Close ends the table and must be called; it does not close what is
// written to.
type Writer interface {
	Row(cells ...any) error
	Close() error
}

// WriteCSV writes a table as CSV.
func WriteCSV(w io.Writer, t Table) error {
	return all(t, func() (Writer, error) { return NewCSV(w, t.Columns) })
}

// WriteXLSX writes a table as a spreadsheet with one sheet.
func WriteXLSX(w io.Writer, t Table) error {
	return all(t, func() (Writer, error) { return NewXLSX(w, t.Name, t.Columns) })
}

func all(t Table, open func() (Writer, error)) error {
	w, err := open()
	if err != nil {
		return err
	}
	return Stream(w, func(yield func([]any) bool) {
		for _, r := range t.Rows {
			if !yield(r) {
				return
			}
		}
	})
}

// Stream writes all rows of a sequence and closes the writer.
func Stream(w Writer, rows iter.Seq[[]any]) error {
	var err error
	for r := range rows {
		if err = w.Row(r...); err != nil {
			break
		}
	}
	return errors.Join(err, w.Close())
}

// cell is a value in its kind, ready to be written.
type cell struct {
	empty  bool
	text   string    // Text, Date, Yes and the CSV form of all
	number float64   // Whole, Decimal
	exact  bool      // number is text without loss
	at     time.Time // Date, Time
}

// cells checks a row against the columns.
func cells(columns []Column, row []any, number int) ([]cell, error) {
	if len(row) != len(columns) {
		return nil, fmt.Errorf("row %d has %d cells for %d columns: %w", number, len(row), len(columns), ErrCell)
	}
	out := make([]cell, len(row))
	for i, v := range row {
		c, ok := of(columns[i].Kind, v)
		if !ok {
			return nil, fmt.Errorf("row %d, column %q: %T %v: %w", number, columns[i].Name, v, v, ErrCell)
		}
		out[i] = c
	}
	return out, nil
}

func of(kind Kind, v any) (cell, bool) {
	if v == nil {
		return cell{empty: true}, true
	}
	switch kind {
	case Text:
		s, ok := v.(string)
		return cell{text: clean(s)}, ok
	case Whole:
		return integer(v)
	case Decimal:
		switch n := v.(type) {
		case float64:
			return cell{text: strconv.FormatFloat(n, 'f', -1, 64), number: n, exact: true}, !math.IsNaN(n) && !math.IsInf(n, 0)
		case decimal.Decimal:
			f, _ := n.Float64()
			return cell{text: n.String(), number: f, exact: decimal.NewFromFloat(f).Equal(n)}, true
		}
		return integer(v)
	case Date:
		s, ok := v.(string)
		at, err := time.Parse(time.DateOnly, s)
		return cell{text: s, at: at}, ok && err == nil
	case Time:
		at, ok := v.(time.Time)
		at = at.UTC()
		return cell{text: at.Format(time.RFC3339), at: at}, ok
	case Yes:
		yes, ok := v.(bool)
		return cell{text: map[bool]string{true: "yes", false: "no"}[yes]}, ok
	}
	return cell{}, false
}

// integer keeps whole numbers exact: a spreadsheet's numbers are doubles, whole up to 2⁵³.
func integer(v any) (cell, bool) {
	var n int64
	switch i := v.(type) {
	case int:
		n = int64(i)
	case int64:
		n = i
	case uint64:
		if i > math.MaxInt64 {
			return cell{text: strconv.FormatUint(i, 10)}, true
		}
		n = int64(i)
	default:
		return cell{}, false
	}
	return cell{text: strconv.FormatInt(n, 10), number: float64(n), exact: n <= 1<<53 && n >= -1<<53}, true
}

// clean drops what neither format can carry: control characters but tab and line breaks, and broken UTF-8.
func clean(s string) string {
	return strings.Map(func(r rune) rune {
		if r < ' ' && r != '\t' && r != '\n' && r != '\r' || r == 0xfffe || r == 0xffff {
			return -1
		}
		return r
	}, strings.ToValidUTF8(s, string(utf8.RuneError)))
}

// Neutral is a text that no spreadsheet takes for a formula: see the package's words on formulas. inside also
// guards what follows a semicolon, tab or line break in it.
func Neutral(s string, inside bool) string {
	if !strings.ContainsAny(s, triggers) {
		return s
	}
	if plainNumber(s) {
		return s
	}
	var b strings.Builder
	start := true
	for _, r := range s {
		if start && strings.ContainsRune(triggers, r) {
			b.WriteByte('\'')
		}
		b.WriteRune(r)
		start = inside && strings.ContainsRune(";\t\r\n", r)
	}
	return b.String()
}

// triggers begin a formula; the last four are the wide forms that East Asian versions take for the same.
const triggers = "=+-@\t\r＝＋－＠"

// plainNumber: a sign, digits, at most one point or comma between digits. Nothing that could be a name or a call.
func plainNumber(s string) bool {
	if s != "" && (s[0] == '+' || s[0] == '-') {
		s = s[1:]
	}
	digits, marks := 0, 0
	for i, r := range s {
		switch {
		case r >= '0' && r <= '9':
			digits++
		case (r == '.' || r == ',') && i > 0 && i < len(s)-1:
			marks++
		default:
			return false
		}
	}
	return digits > 0 && marks <= 1
}
