package sheet_test

import (
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"strings"
	"testing"
	"time"

	"github.com/shopspring/decimal"
	"github.com/xuri/excelize/v2"
	"pgregory.net/rapid"

	"rigledger/api/exchange/sheet"
)

var at = time.Date(2026, 5, 4, 14, 30, 15, 0, time.FixedZone("", 7200))

func sample() sheet.Table {
	return sheet.Table{Name: "Use: 2026/05", Columns: []sheet.Column{{"rig", sheet.Text}, {"loads", sheet.Whole}, {"hectares", sheet.Decimal},
		{"price", sheet.Decimal}, {"day", sheet.Date}, {"at", sheet.Time}, {"fit", sheet.Yes}},
		Rows: [][]any{
			{"S07, \"Süd\" 🚜\nzwei", 12, 5617.8, decimal.RequireFromString("1234.50"), "2026-05-04", at, true},
			{"=1+1", int64(-3), -0.5, decimal.RequireFromString("-0.10"), nil, nil, false},
			{nil, nil, nil, nil, nil, nil, nil},
		}}
}

func TestCSVIsReadBack(t *testing.T) {
	var b bytes.Buffer
	if err := sheet.WriteCSV(&b, sample()); err != nil {
		t.Fatal(err)
	}
	// RFC 4180: CRLF after every line, quotes doubled, the quoted cell keeps its line break.
	want := "rig,loads,hectares,price,day,at,fit\r\n" +
		"\"S07, \"\"Süd\"\" 🚜\r\nzwei\",12,5617.8,1234.5,2026-05-04,2026-05-04T12:30:15Z,yes\r\n" +
		"'=1+1,-3,-0.5,-0.1,,,no\r\n" +
		",,,,,,\r\n"
	if b.String() != want {
		t.Fatalf("got\n%q\nwant\n%q", b.String(), want)
	}
}

func TestXLSXIsReadBack(t *testing.T) {
	var b bytes.Buffer
	if err := sheet.WriteXLSX(&b, sample()); err != nil {
		t.Fatal(err)
	}
	f, err := excelize.OpenReader(&b)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	if got := f.GetSheetList(); len(got) != 1 || got[0] != "Use  2026 05" {
		t.Fatalf("sheets %q", got)
	}
	for cell, want := range map[string]string{"A1": "rig", "E1": "day", "F1": "at (UTC)", "A2": "S07, \"Süd\" 🚜\nzwei", "B2": "12", "C2": "5617.8", "D2": "1234.5",
		"E2": "2026-05-04", "F2": "2026-05-04 12:30:15", "G2": "yes", "A3": "'=1+1", "B3": "-3", "C3": "-0.5", "A4": "", "G4": ""} {
		got, err := f.GetCellValue("Use  2026 05", cell)
		if err != nil || got != want {
			t.Errorf("%s: %q, %v; want %q", cell, got, err, want)
		}
		if formula, _ := f.GetCellFormula("Use  2026 05", cell); formula != "" {
			t.Errorf("%s is a formula: %q", cell, formula)
		}
	}
	// Numbers and dates are numbers, not text.
	for _, cell := range []string{"B2", "C2", "D2", "E2", "F2"} {
		if kind, err := f.GetCellType("Use  2026 05", cell); err != nil || kind != excelize.CellTypeUnset && kind != excelize.CellTypeNumber {
			t.Errorf("%s has type %v, %v", cell, kind, err)
		}
	}
	for _, cell := range []string{"A4", "B4", "E3"} {
		if kind, err := f.GetCellType("Use  2026 05", cell); err != nil || kind != excelize.CellTypeUnset {
			t.Errorf("empty %s has type %v, %v", cell, kind, err)
		}
	}
	// 2026-05-04 is day 46,146 of 1900's count: 2026-01-01 is 46,023 (45,658 for 2025-01-01 + 365), and 123 days on.
	if raw, _ := f.GetCellValue("Use  2026 05", "E2", excelize.Options{RawCellValue: true}); raw != "46146" {
		t.Errorf("date is %s", raw)
	}
}

func TestFormulasAreNeutralised(t *testing.T) {
	for in, want := range map[string]string{
		"=1+1": "'=1+1", "+cmd": "'+cmd", "-2+3": "'-2+3", "@SUM(1)": "'@SUM(1)", "\t=1": "'\t'=1", "\r=1": "'\r'=1", "＝1+1": "'＝1+1",
		"-5": "-5", "+3.2": "+3.2", "-3,5": "-3,5", "-": "'-", "+": "'+", "--5": "'--5", "-1e5": "'-1e5", "-1.": "'-1.", "+-5": "'+-5",
		"a=b": "a=b", "": "", "S07": "S07", "x;=1+1": "x;'=1+1", "x\n=1": "x\n'=1", "x;-5": "x;'-5", "1-2": "1-2",
	} {
		if got := sheet.Neutral(in, true); got != want {
			t.Errorf("%q: %q, want %q", in, got, want)
		}
	}
	if got := sheet.Neutral("x;=1+1", false); got != "x;=1+1" {
		t.Errorf("in a spreadsheet: %q", got)
	}
}

func TestNoTextCellOfACSVBeginsAFormula(t *testing.T) {
	// Whatever the text, read by a program that splits at commas, semicolons or tabs, no cell begins with a sign unless
	// it is a number.
	rapid.Check(t, func(t *rapid.T) {
		text := rapid.StringOf(rapid.SampledFrom([]rune("=+-@\t\r\n;,\"' a5.ü"))).Draw(t, "text")
		var b bytes.Buffer
		if err := sheet.WriteCSV(&b, sheet.Table{Columns: []sheet.Column{{"t", sheet.Text}, {"u", sheet.Text}}, Rows: [][]any{{text, "x" + text}}}); err != nil {
			t.Fatal(err)
		}
		rows, err := csv.NewReader(bytes.NewReader(b.Bytes())).ReadAll()
		if err != nil || len(rows) != 2 {
			t.Fatalf("%v, %q", err, rows)
		}
		for _, cell := range rows[1] {
			if strings.Trim(cell, "0123456789.,+-") == "" && strings.ContainsAny(cell, "0123456789") {
				continue
			}
			for _, part := range strings.FieldsFunc(cell, func(r rune) bool { return strings.ContainsRune(";\t\r\n", r) }) {
				if strings.ContainsAny(part[:1], "=+-@") {
					t.Fatalf("%q: part %q", text, part)
				}
			}
		}
	})
}

func TestCellsThatDoNotFit(t *testing.T) {
	for name, c := range map[string]struct {
		kind sheet.Kind
		v    any
	}{
		"a number as text": {sheet.Text, 5}, "text as a number": {sheet.Whole, "5"}, "a fraction as whole": {sheet.Whole, 5.5},
		"not a number": {sheet.Decimal, math.NaN()}, "infinite": {sheet.Decimal, math.Inf(1)}, "a day that is none": {sheet.Date, "2026-02-30"},
		"a time as a date": {sheet.Date, at}, "a date as a time": {sheet.Time, "2026-05-04"}, "text as yes": {sheet.Yes, "yes"},
	} {
		table := sheet.Table{Columns: []sheet.Column{{"a", sheet.Text}, {"b", c.kind}}, Rows: [][]any{{"x", nil}, {"x", c.v}}}
		for form, write := range map[string]func(io.Writer, sheet.Table) error{"CSV": sheet.WriteCSV, "XLSX": sheet.WriteXLSX} {
			err := write(io.Discard, table)
			if !errors.Is(err, sheet.ErrCell) || !strings.Contains(err.Error(), `row 2, column "b"`) {
				t.Errorf("%s, %s: %v", name, form, err)
			}
		}
	}
	short := sheet.Table{Columns: []sheet.Column{{"a", sheet.Text}}, Rows: [][]any{{}}}
	if err := sheet.WriteCSV(io.Discard, short); !errors.Is(err, sheet.ErrCell) {
		t.Errorf("a short row: %v", err)
	}
}

func TestWhatASpreadsheetCannotHold(t *testing.T) {
	long := sheet.Table{Columns: []sheet.Column{{"a", sheet.Text}}, Rows: [][]any{{strings.Repeat("ü", 32_768)}}}
	if err := sheet.WriteXLSX(io.Discard, long); !errors.Is(err, sheet.ErrTooLarge) {
		t.Errorf("a long text: %v", err)
	}
	if err := sheet.WriteXLSX(io.Discard, sheet.Table{Columns: make([]sheet.Column, 16_385)}); !errors.Is(err, sheet.ErrTooLarge) {
		t.Errorf("many columns: %v", err)
	}
	// 2⁵³ + 1 and 19 digits are text, with all their digits; a date before March 1900 too.
	var b bytes.Buffer
	exact := sheet.Table{Name: "'", Columns: []sheet.Column{{"a", sheet.Whole}, {"b", sheet.Decimal}, {"c", sheet.Date}, {"d\x00", sheet.Text}},
		Rows: [][]any{{int64(1<<53 + 1), decimal.RequireFromString("1234567890123456.789"), "1890-01-01", "a\x00b\xffc"}}}
	if err := sheet.WriteXLSX(&b, exact); err != nil {
		t.Fatal(err)
	}
	f, err := excelize.OpenReader(&b)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	for cell, want := range map[string]string{"A2": "9007199254740993", "B2": "1234567890123456.789", "C2": "1890-01-01", "D1": "d", "D2": "ab\uFFFDc"} {
		if got, err := f.GetCellValue("Table", cell); got != want || err != nil {
			t.Errorf("%s: %q, %v", cell, got, err)
		}
	}
}

func TestALargeTableStreams(t *testing.T) {
	const n = 20_000
	rows := func(yield func([]any) bool) {
		for i := range n {
			if !yield([]any{fmt.Sprintf("S%02d", i%50), i, float64(i) / 4}) {
				return
			}
		}
	}
	columns := []sheet.Column{{"rig", sheet.Text}, {"n", sheet.Whole}, {"v", sheet.Decimal}}
	var b bytes.Buffer
	w, err := sheet.NewXLSX(&b, "large", columns)
	if err != nil {
		t.Fatal(err)
	}
	if err := sheet.Stream(w, rows); err != nil {
		t.Fatal(err)
	}
	f, err := excelize.OpenReader(&b)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	if got, _ := f.GetCellValue("large", fmt.Sprintf("C%d", n+1)); got != "4999.75" {
		t.Errorf("last cell %q", got)
	}
	var c bytes.Buffer
	if w, err = sheet.NewCSV(&c, columns); err != nil {
		t.Fatal(err)
	}
	if err := sheet.Stream(w, rows); err != nil {
		t.Fatal(err)
	}
	if lines := strings.Count(c.String(), "\r\n"); lines != n+1 {
		t.Errorf("%d lines", lines)
	}
}

// FuzzText: any text comes back from either format, but for line breaks, what neither can carry and the apostrophe.
func FuzzText(f *testing.F) {
	f.Add("S07, \"Süd\"\nzwei")
	f.Add("=1+1")
	f.Add("\x00\xff\ufffe")
	f.Add("_x0041_")
	f.Fuzz(func(t *testing.T, text string) {
		if len(text) > 10_000 {
			return
		}
		table := sheet.Table{Name: text, Columns: []sheet.Column{{"t", sheet.Text}, {"u", sheet.Whole}}, Rows: [][]any{{text, 1}}}
		var b bytes.Buffer
		if err := sheet.WriteCSV(&b, table); err != nil {
			t.Fatal(err)
		}
		rows, err := csv.NewReader(&b).ReadAll()
		if err != nil || len(rows) != 2 || len(rows[1]) != 2 || rows[1][1] != "1" {
			t.Fatalf("%v, %q", err, rows)
		}
		var x bytes.Buffer
		if err := sheet.WriteXLSX(&x, table); err != nil {
			t.Fatal(err)
		}
		file, err := excelize.OpenReader(&x)
		if err != nil {
			t.Fatal(err)
		}
		defer file.Close()
		got, err := file.GetCellValue(file.GetSheetList()[0], "A2")
		if err != nil {
			t.Fatal(err)
		}
		bare := func(s string) string { return strings.NewReplacer("\r", "", "\n", "").Replace(s) }
		if fromCSV := rows[1][0]; !strings.ContainsAny(fromCSV, ";\t\n=") && bare(fromCSV) != bare(got) {
			t.Fatalf("CSV %q, spreadsheet %q", fromCSV, got)
		}
	})
}

func TestNoTemporaryFileIsLeft(t *testing.T) {
	// 700 rows of 30 kilobytes are past the 16 MiB after which rows go to a file.
	dir := t.TempDir()
	t.Setenv("TMPDIR", dir)
	columns := []sheet.Column{{"t", sheet.Text}}
	long := strings.Repeat("x", 30_000)
	for name, last := range map[string]any{"written": "x", "refused": 5} {
		w, err := sheet.NewXLSX(io.Discard, "t", columns)
		if err != nil {
			t.Fatal(err)
		}
		for range 700 {
			if err := w.Row(long); err != nil {
				t.Fatal(err)
			}
		}
		if during, _ := os.ReadDir(dir); len(during) == 0 {
			t.Error("no temporary file while it is written: the test proves nothing")
		}
		w.Row(last)
		if err := w.Close(); err != nil {
			t.Fatal(err)
		}
		if left, _ := os.ReadDir(dir); len(left) > 0 {
			t.Errorf("%s: %d files left", name, len(left))
		}
	}
}
