package meter

import (
	"encoding/binary"
	"math/bits"
)

// blockLen is the number of marks in a packed block at most. To find one mark, its block is read from the
// beginning.
const blockLen = 128

// A block's first mark stands in the index. Its body holds for every further mark three
// differences, each in a column of its own kind: time since the mark before, value since the mark before, and a
// tag, epochs since the mark before × 4 + Thin. A column says how its differences are written:
//
//	narrow, wide   a byte each: bits of a code
//	least          zigzag varint: the smallest difference
//	unit           varint, only when wide > 0: what all differences minus least are a multiple of
//
// and a difference is least + unit × code, in 64-bit arithmetic that wraps, so that any value whatever
// comes back. A code takes narrow bits; if these are all ones and narrow < wide, the code is in the wide bits that
// follow. A night's gap among minutes therefore does not widen the minutes, and a column that never changes takes
// no bits at all. After the three columns the codes follow mark by mark, lowest bit first, the last
// byte filled up with zeroes. A block of one mark has an empty body.
const columns = 3

type column struct {
	least, unit  uint64
	escape       uint64 // the code that says wide bits follow; the largest number when none does
	narrow, wide uint8
}

func mask(width uint8) uint64 { return 1<<width - 1 }

// peek is at least 57 bits of the data from bit p on; beyond the end it reads zeroes.
func peek(data []byte, p int) uint64 {
	i := p >> 3
	if i+8 <= len(data) {
		return binary.LittleEndian.Uint64(data[i:]) >> (p & 7)
	}
	var v uint64
	for n := 0; i < len(data); i, n = i+1, n+8 {
		v |= uint64(data[i]) << n
	}
	return v >> (p & 7)
}

// wideBits reads a code of any width, 0 to 64 bits.
func wideBits(data []byte, p int, width uint8) uint64 {
	if width <= 32 {
		return peek(data, p) & mask(width)
	}
	return peek(data, p)&mask(32) | peek(data, p+32)&mask(width-32)<<32
}

// read gives the difference at bit p and the bit after it.
func (c *column) read(data []byte, p int) (uint64, int) {
	code := wideBits(data, p, c.narrow)
	p += int(c.narrow)
	if code >= c.escape && c.narrow < c.wide {
		code = wideBits(data, p, c.wide)
		p += int(c.wide)
	}
	return c.least + c.unit*code, p
}

// cursor goes through the marks of one block.
type cursor struct {
	Mark // where it stands
	data []byte
	bit  int // of the next mark's differences
	cols [columns]column
	all  uint8 // sum of the narrow widths
}

// begin sets the cursor on a block's first mark; left is how many more there are. It returns false when the columns
// are not as described, which only data from outside can be.
func (c *cursor) begin(first Mark, body []byte, left int) bool {
	c.Mark, c.data, c.bit, c.all = first, body, 0, 0
	if left == 0 {
		return true
	}
	i := 0
	for k := range c.cols {
		col := &c.cols[k]
		if i+2 > len(body) {
			return false
		}
		*col = column{narrow: body[i], wide: body[i+1], escape: 1<<64 - 1}
		if col.narrow < col.wide {
			col.escape = mask(col.narrow)
		}
		i += 2
		least, n := binary.Varint(body[i:])
		if n <= 0 || col.wide > 64 || col.narrow > col.wide || (col.narrow == 0) != (col.wide == 0) {
			return false
		}
		i += n
		col.least = uint64(least)
		if col.wide == 0 {
			continue
		}
		if col.unit, n = binary.Uvarint(body[i:]); n <= 0 || col.unit == 0 {
			return false
		}
		i += n
	}
	c.bit = i * 8
	for k := range c.cols {
		c.all += min(c.cols[k].narrow, 58) // three of these do not overflow
	}
	return true
}

// next steps to the mark after.
func (c *cursor) next() {
	if c.all > 57 {
		c.nextLong()
		return
	}
	// All narrow codes at once; most marks have no other.
	a, b, t := &c.cols[0], &c.cols[1], &c.cols[2]
	codes := peek(c.data, c.bit)
	dt := codes & (1<<(a.narrow&63) - 1)
	codes >>= a.narrow & 63
	dv := codes & (1<<(b.narrow&63) - 1)
	tag := codes >> (b.narrow & 63) & (1<<(t.narrow&63) - 1)
	if dt >= a.escape || dv >= b.escape || tag >= t.escape {
		c.nextLong()
		return
	}
	c.bit += int(c.all)
	tag = t.least + t.unit*tag
	c.At += int64(a.least + a.unit*dt)
	c.Value += int64(b.least + b.unit*dv)
	c.Epoch += int32(tag >> 2)
	c.Thin = int8(tag & 3)
}

func (c *cursor) nextLong() {
	dt, p := c.cols[0].read(c.data, c.bit)
	dv, p := c.cols[1].read(c.data, p)
	tag, p := c.cols[2].read(c.data, p)
	c.bit = p
	c.At += int64(dt)
	c.Value += int64(dv)
	c.Epoch += int32(tag >> 2)
	c.Thin = int8(tag & 3)
}

// appendBody packs all marks but the first, at most blockLen in all.
func appendBody(out []byte, marks []Mark) []byte {
	n := len(marks) - 1
	if n <= 0 {
		return out
	}
	var codes [columns][blockLen]uint64
	for i := range n {
		a, b := &marks[i], &marks[i+1]
		codes[0][i] = uint64(b.At - a.At)
		codes[1][i] = uint64(b.Value - a.Value)
		codes[2][i] = uint64(b.Epoch-a.Epoch)<<2 | uint64(b.Thin)
	}
	var cols [columns]column
	for k := range cols {
		cols[k] = columnOf(codes[k][:n])
		out = append(out, cols[k].narrow, cols[k].wide)
		out = binary.AppendVarint(out, int64(cols[k].least))
		if cols[k].wide > 0 {
			out = binary.AppendUvarint(out, cols[k].unit)
		}
	}
	w := bitWriter{out: out}
	a, b, t := &cols[0], &cols[1], &cols[2]
	together := int(a.narrow)+int(b.narrow)+int(t.narrow) <= 64
	for i := range n {
		dt, dv, tag := codes[0][i], codes[1][i], codes[2][i]
		if together && dt < a.escape && dv < b.escape && tag < t.escape {
			w.put(dt|dv<<a.narrow|tag<<(a.narrow+b.narrow), a.narrow+b.narrow+t.narrow)
			continue
		}
		w.code(a, dt)
		w.code(b, dv)
		w.code(t, tag)
	}
	return w.close()
}

// columnOf turns differences into codes and finds the widths that take the fewest bits.
func columnOf(codes []uint64) column {
	c := column{least: codes[0], escape: 1<<64 - 1}
	for _, d := range codes {
		if int64(d) < int64(c.least) {
			c.least = d
		}
	}
	for i := range codes {
		codes[i] -= c.least
	}
	for _, d := range codes {
		if c.unit = commonUnit(c.unit, d); c.unit == 1 {
			break
		}
	}
	if c.unit == 0 { // all alike
		return c
	}
	var wider [66]uint8 // by the narrowest width that holds a code below its all-ones
	var all uint64
	for i, d := range codes {
		if c.unit > 1 {
			d = quotient(d, c.unit)
			codes[i] = d
		}
		all |= d
		if d == 1<<64-1 {
			wider[65]++
		} else {
			wider[bits.Len64(d+1)]++
		}
	}
	c.wide = uint8(bits.Len64(all))
	c.narrow = c.wide
	best, escapes := len(codes)*int(c.wide), len(codes)
	for w := 1; w < int(c.wide); w++ {
		escapes -= int(wider[w])
		if cost := len(codes)*w + escapes*int(c.wide); cost < best {
			best, c.narrow = cost, uint8(w)
		}
	}
	if c.narrow < c.wide {
		c.escape = mask(c.narrow)
	}
	return c
}

// commonUnit is the greatest common divisor; 0 counts as a multiple of all.
func commonUnit(unit, d uint64) uint64 {
	if unit == 1 {
		return 1
	}
	if unit > 0 && (unit|d)>>32 == 0 && uint32(d)%uint32(unit) == 0 { // nearly always
		return unit
	}
	for d != 0 {
		unit, d = d, unit%d
		if (unit|d)>>32 == 0 { // 32-bit division is much the faster
			a, b := uint32(unit), uint32(d)
			for b != 0 {
				a, b = b, a%b
			}
			return uint64(a)
		}
	}
	return unit
}

func quotient(d, unit uint64) uint64 {
	if (d|unit)>>32 == 0 {
		return uint64(uint32(d) / uint32(unit))
	}
	return d / unit
}

// bitWriter writes codes lowest bit first.
type bitWriter struct {
	out  []byte
	held uint64
	n    uint8 // bits held, below 32 between calls
}

// code writes one code of a column.
func (w *bitWriter) code(c *column, code uint64) {
	if c.narrow < c.wide && code >= c.escape {
		w.put(c.escape, c.narrow)
		w.put(code, c.wide)
		return
	}
	w.put(code, c.narrow)
}

func (w *bitWriter) put(code uint64, width uint8) {
	if width > 32 {
		w.put(code&mask(32), 32)
		code, width = code>>32, width-32
	}
	w.held |= code << w.n
	w.n += width
	if w.n >= 32 {
		w.out = binary.LittleEndian.AppendUint32(w.out, uint32(w.held))
		w.held >>= 32
		w.n -= 32
	}
}

func (w *bitWriter) close() []byte {
	for ; w.n > 0; w.n -= min(w.n, 8) {
		w.out = append(w.out, byte(w.held))
		w.held >>= 8
	}
	return w.out
}
