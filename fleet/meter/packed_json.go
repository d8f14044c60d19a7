package meter

import (
	"encoding/base64"
	"encoding/binary"
	"errors"
	"fmt"
	"math"
)

var errPacked = errors.New("packed readings are damaged")

// MarshalText writes, in base64, block after block: number of marks, then the first mark's time and
// value since the first of the block before, its epoch and Thin as Trace does, the length of the body, all as
// varints, and the body. Reading it back gives the very same blocks, so that a fold
// goes on from a snapshot exactly as it would have without.
func (p Packed) MarshalText() ([]byte, error) {
	raw := make([]byte, 0, len(p.data)+24*len(p.index))
	var before block
	for b := range p.index {
		head, to, n := p.index[b], len(p.data), p.n
		if b+1 < len(p.index) {
			to, n = int(p.index[b+1].from), int(p.index[b+1].first)
		}
		raw = binary.AppendUvarint(raw, uint64(n-int(head.first)))
		raw = binary.AppendVarint(raw, head.at-before.at)
		raw = binary.AppendVarint(raw, head.value-before.value)
		raw = binary.AppendUvarint(raw, uint64(head.epoch-before.epoch)<<2|uint64(head.thin))
		raw = binary.AppendUvarint(raw, uint64(to-int(head.from)))
		raw = append(raw, p.data[head.from:to]...)
		before = head
	}
	return base64.StdEncoding.AppendEncode(nil, raw), nil
}

// UnmarshalText reads what MarshalText wrote, and refuses what is not whole or whose marks are
// not in order. Every mark is looked at.
func (p *Packed) UnmarshalText(text []byte) error {
	raw, err := base64.StdEncoding.AppendDecode(nil, text)
	if err != nil {
		return fmt.Errorf("read packed readings: %w", err)
	}
	*p = Packed{}
	size, count, err := sizes(raw)
	if err != nil || count == 0 {
		return err
	}
	out := Packed{index: make([]block, 0, count), data: make([]byte, 0, size)}
	var last Mark
	var before block
	for len(raw) > 0 {
		h, rest, ok := headerOf(raw)
		if !ok {
			return fmt.Errorf("read packed readings: block %d: %w", len(out.index), errPacked)
		}
		epoch := int64(before.epoch) + int64(h.tag>>2)
		if epoch > math.MaxInt32 {
			return fmt.Errorf("read packed readings: block %d: %w", len(out.index), errPacked)
		}
		first := Mark{before.at + h.at, before.value + h.value, int32(epoch), int8(h.tag & 3)}
		body := rest[:h.body]
		if out.n > 0 && !last.before(first) {
			return fmt.Errorf("read packed readings: block %d is out of order", len(out.index))
		}
		if last, ok = walk(first, body, h.marks); !ok {
			return fmt.Errorf("read packed readings: block %d: %w", len(out.index), errPacked)
		}
		before = block{first.At, first.Value, uint32(len(out.data)), uint32(out.n), first.Epoch, first.Thin}
		out.index = append(out.index, before)
		out.data = append(out.data, body...)
		out.n += h.marks
		raw = rest[h.body:]
	}
	if len(out.data) == 0 {
		out.data = nil
	}
	*p = out
	return nil
}

// before reports whether a mark may stand before another.
func (m Mark) before(n Mark) bool {
	return m.Epoch <= n.Epoch && (m.At < n.At || (m.At == n.At && m.Epoch < n.Epoch))
}

type header struct {
	marks, body int
	at, value   int64
	tag         uint64
}

// headerOf reads the header of a block, and gives what follows it.
func headerOf(raw []byte) (h header, rest []byte, ok bool) {
	ok = true
	number := func() uint64 {
		v, n := binary.Uvarint(raw)
		if n <= 0 {
			ok = false
			return 0
		}
		raw = raw[n:]
		return v
	}
	signed := func() int64 {
		v := number()
		return int64(v>>1) ^ -int64(v&1)
	}
	marks := number()
	h.at, h.value, h.tag = signed(), signed(), number()
	body := number()
	if !ok || marks < 1 || marks > blockLen || h.tag>>2 > math.MaxInt32 || body > uint64(len(raw)) {
		return header{}, nil, false
	}
	h.marks, h.body = int(marks), int(body)
	return h, raw, true
}

// sizes are the bytes of all bodies and the number of blocks.
func sizes(raw []byte) (size, count int, err error) {
	if len(raw) > math.MaxInt32 {
		return 0, 0, fmt.Errorf("read packed readings: too long: %w", errPacked)
	}
	for len(raw) > 0 {
		h, rest, ok := headerOf(raw)
		if !ok {
			return 0, 0, fmt.Errorf("read packed readings: block %d: %w", count, errPacked)
		}
		size, count, raw = size+h.body, count+1, rest[h.body:]
	}
	return size, count, nil
}

// walk goes through a block, and reports whether its marks are in order and its body is of the right length.
func walk(first Mark, body []byte, marks int) (last Mark, ok bool) {
	var c cursor
	if !c.begin(first, body, marks-1) {
		return last, false
	}
	for range marks - 1 {
		last = c.Mark
		c.next()
		if c.bit > len(body)*8 || !last.before(c.Mark) {
			return last, false
		}
	}
	return c.Mark, (c.bit+7)/8 == len(body)
}
