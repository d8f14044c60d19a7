package sheet

import (
	"encoding/csv"
	"fmt"
	"io"
)

// NewCSV begins a CSV: a line of headings, commas, CRLF (RFC 4180), UTF-8 without a mark. Dates are 2006-01-02, times
// RFC 3339 in UTC, numbers have a point. A line break inside a cell is written as CRLF.
func NewCSV(w io.Writer, columns []Column) (Writer, error) {
	c := &csvWriter{out: csv.NewWriter(w), columns: columns}
	c.out.UseCRLF = true
	var head []string
	for _, col := range columns {
		head = append(head, Neutral(clean(col.Name), true))
	}
	if err := c.out.Write(head); err != nil {
		return nil, fmt.Errorf("write CSV headings: %w", err)
	}
	return c, nil
}

type csvWriter struct {
	out     *csv.Writer
	columns []Column
	rows    int
	line    []string
}

func (c *csvWriter) Row(row ...any) error {
	c.rows++
	list, err := cells(c.columns, row, c.rows)
	if err != nil {
		return err
	}
	c.line = c.line[:0]
	for i, x := range list {
		if c.columns[i].Kind == Text {
			x.text = Neutral(x.text, true)
		}
		c.line = append(c.line, x.text)
	}
	if err := c.out.Write(c.line); err != nil {
		return fmt.Errorf("write CSV row %d: %w", c.rows, err)
	}
	return nil
}

func (c *csvWriter) Close() error {
	c.out.Flush()
	if err := c.out.Error(); err != nil {
		return fmt.Errorf("write CSV: %w", err)
	}
	return nil
}
