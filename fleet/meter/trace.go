package meter

import (
	"encoding/json"
	"errors"
	"fmt"
	"strconv"
)

// Trace is the kept readings of a series. In JSON it is one flat array of integers, three per
// reading: milliseconds and base units since the one before, and epochs since the one before × 4 + Thin.
type Trace []Mark

// MarshalJSON writes the flat array.
func (t Trace) MarshalJSON() ([]byte, error) {
	out := make([]byte, 0, 2+len(t)*12)
	out = append(out, '[')
	var before Mark
	for i, m := range t {
		if i > 0 {
			out = append(out, ',')
		}
		out = strconv.AppendInt(out, m.At-before.At, 10)
		out = append(out, ',')
		out = strconv.AppendInt(out, m.Value-before.Value, 10)
		out = append(out, ',')
		out = strconv.AppendInt(out, int64(m.Epoch-before.Epoch)*4+int64(m.Thin), 10)
		before = m
	}
	return append(out, ']'), nil
}

// UnmarshalJSON reads the flat array and refuses one that is not in order.
func (t *Trace) UnmarshalJSON(data []byte) error {
	var flat []int64
	if err := json.Unmarshal(data, &flat); err != nil {
		return fmt.Errorf("read kept readings: %w", err)
	}
	if len(flat)%3 != 0 {
		return errors.New("read kept readings: not three numbers each")
	}
	*t = nil
	if len(flat) == 0 {
		return nil
	}
	out := make(Trace, 0, len(flat)/3)
	var m Mark
	for i := 0; i < len(flat); i += 3 {
		code := flat[i+2]
		if code < 0 || code>>2 > 1<<30 || (i > 0 && (flat[i] < 0 || (flat[i] == 0 && code>>2 == 0))) {
			return fmt.Errorf("read kept readings: number %d is out of order", i/3)
		}
		m = Mark{m.At + flat[i], m.Value + flat[i+1], m.Epoch + int32(code>>2), int8(code & 3)}
		out = append(out, m)
	}
	*t = out
	return nil
}
