package sheet

import (
	"fmt"
	"io"
	"strings"
	"time"
	"unicode/utf16"

	"github.com/xuri/excelize/v2"
)

// Limits of a sheet, ISO/IEC 29500 as implemented: 1,048,576 rows with the headings, 16,384 columns, 32,767 UTF-16
// units in a cell, 31 characters in a sheet's name.
const (
	maxRows    = excelize.TotalRows
	maxColumns = excelize.MaxColumns
	maxCell    = excelize.TotalCellChars
	maxName    = 31
)

// NewXLSX begins a spreadsheet. Rows go to a temporary file when they are many, and to w on Close. Whole numbers past 2⁵³ and
// decimals that a double cannot hold are written as text, so that no digit is lost. A longer text
// than a cell holds is an error (ErrTooLarge), and so is a row too many.
func NewXLSX(w io.Writer, name string, columns []Column) (Writer, error) {
	if len(columns) > maxColumns {
		return nil, fmt.Errorf("%d columns: %w", len(columns), ErrTooLarge)
	}
	f := excelize.NewFile()
	x := &xlsxWriter{file: f, to: w, columns: columns}
	if err := x.begin(sheetName(name)); err != nil {
		f.Close()
		return nil, fmt.Errorf("begin spreadsheet: %w", err)
	}
	return x, nil
}

type xlsxWriter struct {
	file    *excelize.File
	out     *excelize.StreamWriter
	to      io.Writer
	columns []Column
	rows    int
	day     int // styles
	moment  int
	failed  bool
}

func (x *xlsxWriter) begin(name string) (err error) {
	if err = x.file.SetSheetName("Sheet1", name); err != nil {
		return err
	}
	// Own formats: the built-in ones change with the reader's country.
	dayFormat, momentFormat := "yyyy-mm-dd", "yyyy-mm-dd hh:mm:ss"
	if x.day, err = x.file.NewStyle(&excelize.Style{CustomNumFmt: &dayFormat}); err != nil {
		return err
	}
	if x.moment, err = x.file.NewStyle(&excelize.Style{CustomNumFmt: &momentFormat}); err != nil {
		return err
	}
	bold, err := x.file.NewStyle(&excelize.Style{Font: &excelize.Font{Bold: true}})
	if err != nil {
		return err
	}
	if x.out, err = x.file.NewStreamWriter(name); err != nil {
		return err
	}
	if err = x.out.SetPanes(&excelize.Panes{Freeze: true, YSplit: 1, TopLeftCell: "A2", ActivePane: "bottomLeft"}); err != nil {
		return err
	}
	for i, c := range x.columns {
		width := map[Kind]float64{Text: 24, Date: 12, Time: 20}[c.Kind]
		if width == 0 {
			width = 12
		}
		if err = x.out.SetColWidth(i+1, i+1, width); err != nil {
			return err
		}
	}
	head := make([]any, len(x.columns))
	for i, c := range x.columns {
		name := c.Name
		if c.Kind == Time { // a cell cannot say it, and days beside it are the fleet's own
			name += " (UTC)"
		}
		head[i] = excelize.Cell{StyleID: bold, Value: Neutral(clean(name), false)}
	}
	return x.out.SetRow("A1", head)
}

func (x *xlsxWriter) Row(row ...any) error {
	x.rows++
	if x.rows+1 > maxRows {
		x.failed = true
		return fmt.Errorf("row %d: %w", x.rows, ErrTooLarge)
	}
	list, err := cells(x.columns, row, x.rows)
	if err != nil {
		x.failed = true
		return err
	}
	values := make([]any, len(list))
	for i, c := range list {
		if values[i], err = x.value(x.columns[i].Kind, c); err != nil {
			x.failed = true
			return fmt.Errorf("row %d, column %q: %w", x.rows, x.columns[i].Name, err)
		}
	}
	if err := x.out.SetRow(fmt.Sprintf("A%d", x.rows+1), values); err != nil {
		x.failed = true
		return fmt.Errorf("write spreadsheet row %d: %w", x.rows, err)
	}
	return nil
}

// firstDay: spreadsheets count days from 1900, with a day in that February that never was; dates before its end are
// written as text.
var firstDay = time.Date(1900, 3, 1, 0, 0, 0, 0, time.UTC)

func (x *xlsxWriter) value(kind Kind, c cell) (any, error) {
	if c.empty {
		return nil, nil
	}
	switch {
	case (kind == Whole || kind == Decimal) && c.exact:
		return c.number, nil
	case (kind == Date || kind == Time) && !c.at.Before(firstDay) && c.at.Year() <= 9999:
		style := x.day
		if kind == Time {
			style = x.moment
		}
		return excelize.Cell{StyleID: style, Value: c.at}, nil
	}
	text := c.text
	if kind == Text {
		text = Neutral(text, false)
	}
	if len(utf16.Encode([]rune(text))) > maxCell {
		return nil, fmt.Errorf("text of %d bytes: %w", len(text), ErrTooLarge)
	}
	return text, nil
}

func (x *xlsxWriter) Close() error {
	defer x.file.Close()
	if x.failed {
		return nil // the error has been returned; half a spreadsheet is not written
	}
	if err := x.out.Flush(); err != nil {
		return fmt.Errorf("end spreadsheet: %w", err)
	}
	if err := x.file.Write(x.to); err != nil {
		return fmt.Errorf("write spreadsheet: %w", err)
	}
	return nil
}

// sheetName makes a name that a sheet may have: no : \ / ? * [ ], no apostrophe at its ends, at most 31 UTF-16 units,
// not empty.
func sheetName(s string) string {
	s = strings.Map(func(r rune) rune {
		if strings.ContainsRune(`:\/?*[]`, r) || r < ' ' {
			return ' '
		}
		return r
	}, clean(s))
	s = strings.Trim(strings.TrimSpace(s), "'")
	for len(utf16.Encode([]rune(s))) > maxName {
		runes := []rune(s)
		s = string(runes[:len(runes)-1])
	}
	if s = strings.Trim(strings.TrimSpace(s), "'"); s == "" {
		return "Table"
	}
	return s
}
