package meter

import (
	"math"
	"slices"
	"sort"
)

// Packed is a run of kept readings in some three bytes each instead of the 24 of a Mark: blocks of up to
// blockLen marks one after the other in one array (see block.go), and an index of their first
// marks. The zero value is empty. In JSON it is base64.
type Packed struct {
	index []block
	data  []byte
	n     int // marks
}

// block is the entry of a block in the index.
type block struct {
	at, value int64 // of its first mark
	from      uint32
	first     uint32 // marks in the blocks before
	epoch     int32
	thin      int8
}

// Len is the number of marks.
func (p *Packed) Len() int { return p.n }

// IsZero reports that nothing is packed.
func (p Packed) IsZero() bool { return p.n == 0 }

func (p *Packed) clone() Packed {
	return Packed{slices.Clone(p.index), slices.Clone(p.data), p.n}
}

// begin sets a cursor on the first mark of block b and gives the number of its marks.
func (p *Packed) begin(c *cursor, b int) int {
	head, n := &p.index[b], p.n
	if b+1 < len(p.index) {
		n = int(p.index[b+1].first)
	}
	n -= int(head.first)
	// The body is not cut off at its end: bits are read eight bytes at once.
	c.begin(Mark{head.at, head.value, head.epoch, head.thin}, p.data[head.from:], n-1)
	return n
}

// blockOf is the block that mark i stands in.
func (p *Packed) blockOf(i int) int {
	return sort.Search(len(p.index), func(b int) bool { return int(p.index[b].first) > i }) - 1
}

// mark is the one at index i.
func (p *Packed) mark(i int) Mark {
	b := p.blockOf(i)
	var c cursor
	p.begin(&c, b)
	for range i - int(p.index[b].first) {
		c.next()
	}
	return c.Mark
}

// read appends the marks from i up to j.
func (p *Packed) read(out []Mark, i, j int) []Mark {
	if i >= j {
		return out
	}
	var c cursor
	for b := p.blockOf(i); b < len(p.index) && int(p.index[b].first) < j; b++ {
		at := int(p.index[b].first)
		n := p.begin(&c, b)
		for k := range n {
			if k > 0 {
				c.next()
			}
			if i <= at+k && at+k < j {
				out = append(out, c.Mark)
			}
		}
	}
	return out
}

// edge divides marks into those before it and those past it. Past are the marks of an epoch later than
// hi, and those not before a time and not of an epoch earlier than lo.
type edge struct {
	at     int64
	lo, hi int32
}

// edgeOf stands before the reading of an epoch at a time; edgeAfter behind all readings at a time.
func edgeOf(e int, at int64) edge { return edge{at, int32(e), int32(e)} }

func edgeAfter(at int64) edge {
	if at == math.MaxInt64 {
		return edge{at, math.MaxInt32, math.MaxInt32}
	}
	return edge{at + 1, 0, math.MaxInt32}
}

func (e *edge) passes(at int64, epoch int32) bool {
	return (at >= e.at && epoch >= e.lo) || epoch > e.hi
}

// find is the index of the first mark past an edge, n when there is none, and the marks on either
// side of the edge as far as there are.
func (p *Packed) find(e edge) (i int, left, right Mark) {
	// The first block that begins past the edge; the edge is in the one before, or between the two.
	lo, hi := 0, len(p.index)
	for lo < hi {
		mid := int(uint(lo+hi) >> 1)
		if b := &p.index[mid]; e.passes(b.at, b.epoch) {
			hi = mid
		} else {
			lo = mid + 1
		}
	}
	if lo < len(p.index) {
		b := &p.index[lo]
		right = Mark{b.at, b.value, b.epoch, b.thin}
	}
	if lo == 0 {
		return 0, left, right
	}
	var c cursor
	n := p.begin(&c, lo-1)
	i = int(p.index[lo-1].first)
	for k := 1; k < n; k++ {
		left = c.Mark
		c.next()
		if e.passes(c.At, c.Epoch) {
			return i + k, left, c.Mark
		}
	}
	return i + n, c.Mark, right
}

// splice puts marks in the place of those from i up to j. What is not touched stays as it was packed.
func (p *Packed) splice(i, j int, with []Mark) {
	if i == j && len(with) == 0 {
		return
	}
	// b0 and b1 bound the blocks that are packed anew: those that hold marks i to j, and for an insertion
	// between two blocks the former.
	b0, b1 := 0, 0
	if len(p.index) > 0 {
		b0 = p.blockOf(min(i, p.n-1))
		if i == j && i > 0 && i < p.n && int(p.index[b0].first) == i {
			b0--
		}
		b1 = b0 + 1
		if j > i {
			b1 = p.blockOf(j-1) + 1
		}
	}
	start, end := 0, p.n
	if b0 < len(p.index) {
		start = int(p.index[b0].first)
	}
	if b1 < len(p.index) {
		end = int(p.index[b1].first)
	}
	atEnd := b1 == len(p.index)
	if atEnd && i == p.n && end-start == blockLen { // the last block is full and stays
		b0, start = b1, end
	}
	var few [3 * blockLen]Mark
	marks := p.read(few[:0], start, i)
	marks = append(marks, with...)
	marks = p.read(marks, j, end)
	p.pack(b0, b1, marks, atEnd)
}

// pack puts blocks of the given marks in the place of blocks b0 up to b1. In the middle the marks are spread
// evenly, which leaves room in each block; at the end the blocks are filled.
func (p *Packed) pack(b0, b1 int, marks []Mark, atEnd bool) {
	count := (len(marks) + blockLen - 1) / blockLen
	from, first, to := len(p.data), p.n, len(p.data)
	if b0 < len(p.index) {
		from, first = int(p.index[b0].from), int(p.index[b0].first)
	}
	old := p.n - first
	if b1 < len(p.index) {
		to, old = int(p.index[b1].from), int(p.index[b1].first)-first
	}
	var fewHeads [8]block
	heads := fewHeads[:0]
	var fewBytes [1024]byte
	body := fewBytes[:0]
	done := 0
	for k := range count {
		upTo := (k + 1) * len(marks) / count
		if atEnd {
			upTo = min((k+1)*blockLen, len(marks))
		}
		m := &marks[done]
		heads = append(heads, block{m.At, m.Value, uint32(from + len(body)), uint32(first + done), m.Epoch, m.Thin})
		body = appendBody(body, marks[done:upTo])
		done = upTo
	}
	longer, more := len(body)-(to-from), len(marks)-old
	p.index = replace(p.index, b0, b1, heads)
	p.data = replace(p.data, from, to, body)
	p.n += more
	if longer == 0 && more == 0 {
		return
	}
	for b := b0 + count; b < len(p.index); b++ {
		p.index[b].from = uint32(int(p.index[b].from) + longer)
		p.index[b].first = uint32(int(p.index[b].first) + more)
	}
}

// replace is slices.Replace that leaves little room unused: what is packed grows slowly and
// is kept for years.
func replace[T any](s []T, i, j int, with []T) []T {
	n := len(s) - (j - i) + len(with)
	if n == 0 {
		return nil
	}
	if n <= cap(s) && cap(s) <= n+n/4+64 {
		return slices.Replace(s, i, j, with...)
	}
	out := slices.Grow([]T(nil), n+n/24+4)
	out = append(out, s[:i]...)
	out = append(out, with...)
	return append(out, s[j:]...)
}
