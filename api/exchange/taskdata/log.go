package taskdata

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"strconv"

	"rigledger/api/exchange/xmlguard"
)

// ErrLog says that a binary log does not fit its template.
var ErrLog = errors.New("log does not fit its template")

// Template is what a TLGnnnnn.XML says of the records of its TLGnnnnn.BIN
// (ISO 11783-10 annex D, time log).
type Template struct {
	position []byte   // the PTN attributes that are in the binary, in order: of 'A'…'I'
	Values   []Column // the DLVs, by index
}

// Column is one DLV of a template.
type Column struct {
	DDI     uint16
	Element string // DET id
	OK      bool   // the DDI is readable; a column that is not keeps its index
	Fixed   bool   // the value stands in the template, not in the records
}

// widths of the PTN attributes in the binary: A north, B east i32 × 1e-7°; C up i32 mm; D status u8; E PDOP, F HDOP
// u16 × 0.1; G satellites u8; H UTC ms of the day u32; I days since 1980-01-01 u16.
var positionWidth = map[byte]int{'A': 4, 'B': 4, 'C': 4, 'D': 1, 'E': 2, 'F': 2, 'G': 1, 'H': 4, 'I': 2}

// ParseTemplate reads a TLGnnnnn.XML. An attribute that is empty is in the binary, one with a value is
// constant, one that is absent is not logged.
func ParseTemplate(data []byte, bounds xmlguard.Bounds) (*Template, error) {
	r := xmlguard.New(bytes.NewReader(data), bounds)
	t := &Template{}
	intervals, positions := 0, 0
	for {
		token, err := r.Next()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return nil, err
		}
		e, ok := token.(xmlguard.Element)
		if !ok {
			continue
		}
		switch e.Name {
		case "TIM":
			if start, ok := e.Attr("A"); !ok || start != "" {
				return nil, fmt.Errorf("TIM A is %q, it must be empty: %w", start, ErrLog)
			}
			intervals++
		case "PTN":
			positions++
			for c := byte('A'); c <= 'I'; c++ {
				if v, ok := e.Attr(string(c)); ok && v == "" {
					t.position = append(t.position, c)
				}
			}
		case "DLV":
			t.Values = append(t.Values, column(e))
		}
	}
	if intervals != 1 || positions > 1 {
		return nil, fmt.Errorf("%d TIM and %d PTN, there must be one TIM and at most one PTN: %w", intervals, positions, ErrLog)
	}
	return t, nil
}

func column(e xmlguard.Element) Column {
	text, _ := e.Attr("A")
	ddi, err := strconv.ParseUint(text, 16, 16)
	raw, has := e.Attr("B")
	c := Column{DDI: uint16(ddi), OK: err == nil, Fixed: has && raw != ""}
	c.Element, _ = e.Attr("C")
	return c
}

// Record is one row of a log as it stands there.
type Record struct {
	MS   uint32 // since local midnight
	Days uint16 // since 1980-01-01

	Placed   bool // the log has a position or a status
	Fix      bool // and this row's is one of a satellite receiver
	Lat, Lon float64
	UTCMS    uint32 // satellite time, with UTCDays
	UTCDays  uint16 // 0 when there is none

	Values []Value // good until the next row
}

// Value is one value of a row.
type Value struct {
	Index int
	Raw   int32
}

// Scan hands out the whole records of a TLGnnnnn.BIN in order. It returns how many bytes of a record
// that was cut off were left. The error is ErrLog when an index is past the template (then nothing of the log can be
// trusted: the rows before may be of another template too), or the one of yield.
func (t *Template) Scan(bin []byte, yield func(Record) error) (left int, err error) {
	var rec Record
	for at, n := 0, 0; at < len(bin); n++ {
		row := bin[at:]
		size, err := t.row(row, &rec)
		if err != nil {
			return len(row), fmt.Errorf("record %d at byte %d: %w", n, at, err)
		}
		if size == 0 {
			return len(row), nil
		}
		if err := yield(rec); err != nil {
			return len(row), err
		}
		at += size
	}
	return 0, nil
}

// row reads one record, little-endian and without a length before it. Size 0 says that it is cut off.
func (t *Template) row(b []byte, rec *Record) (size int, err error) {
	if len(b) < 6 {
		return 0, nil
	}
	*rec = Record{MS: binary.LittleEndian.Uint32(b), Days: binary.LittleEndian.Uint16(b[4:]), Values: rec.Values[:0]}
	at := 6
	var got position
	for _, c := range t.position {
		w := positionWidth[c]
		if len(b) < at+w {
			return 0, nil
		}
		got.take(c, b[at:at+w])
		at += w
	}
	t.judge(got, rec)
	if len(b) < at+1 {
		return 0, nil
	}
	n := int(b[at])
	at++
	whole := len(b) >= at+5*n
	for i := 0; i < n && at+5*i < len(b); i++ {
		index := int(b[at+5*i])
		if index >= len(t.Values) {
			return 0, fmt.Errorf("value index %d, the template has %d values: %w", index, len(t.Values), ErrLog)
		}
		if whole {
			rec.Values = append(rec.Values, Value{index, int32(binary.LittleEndian.Uint32(b[at+5*i+1:]))})
		}
	}
	if !whole {
		return 0, nil
	}
	return at + 5*n, nil
}

// position is the PTN part of a row.
type position struct {
	lat, lon int32
	status   byte
	has      [256]bool
	ms       uint32
	days     uint16
}

func (p *position) take(c byte, b []byte) {
	p.has[c] = true
	switch c {
	case 'A':
		p.lat = int32(binary.LittleEndian.Uint32(b))
	case 'B':
		p.lon = int32(binary.LittleEndian.Uint32(b))
	case 'D':
		p.status = b[0]
	case 'H':
		p.ms = binary.LittleEndian.Uint32(b)
	case 'I':
		p.days = binary.LittleEndian.Uint16(b)
	}
}

// judge decides whether the row has a fix. Status 0 is none, 14 an error, 15 not available (ISO 11783-10,
// PTN D; from memory); 0,0 and what is not on the globe is none whatever the status says.
func (t *Template) judge(p position, rec *Record) {
	rec.Placed = p.has['D'] || p.has['A'] && p.has['B']
	rec.Fix = rec.Placed
	if p.has['D'] && (p.status == 0 || p.status >= 14) {
		rec.Fix = false
	}
	if p.has['A'] && p.has['B'] {
		const degree = 10_000_000
		if p.lat == 0 && p.lon == 0 || p.lat > 90*degree || p.lat < -90*degree || p.lon > 180*degree || p.lon < -180*degree {
			rec.Fix = false
		}
		rec.Lat, rec.Lon = float64(p.lat)/degree, float64(p.lon)/degree
	}
	if rec.Fix && p.has['H'] && p.has['I'] && p.ms < 86_400_000 {
		rec.UTCMS, rec.UTCDays = p.ms, p.days
	}
}
