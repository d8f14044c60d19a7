package call

import (
	"encoding/json"
	"testing"
	"time"
)

// fuzzedEntry has a field of every kind that bodies have.
type fuzzedEntry struct {
	ID       string          `json:"id"`
	Time     time.Time       `json:"time"`
	Value    float64         `json:"value" must:"be"`
	Pointers []*fuzzedEntry  `json:"pointers"`
	Position json.RawMessage `json:"position,omitempty"`
}

// FuzzDecode: whatever comes in, decoding neither panics nor takes what
// encoding/json would not.
func FuzzDecode(f *testing.F) {
	f.Add(`{"rig":"T01","meters":[{"meter":"p","at":"2026-05-04T05:00:00Z"}]}`)
	f.Add(`[{"id":"1:2"}]`)
	f.Add(`{"a":{"b":[1,{"c":null}]}} x`)
	f.Fuzz(func(t *testing.T, text string) {
		var body struct {
			Rig    string             `json:"rig"`
			Meters []fuzzedEntry      `json:"meters"`
			Map    map[string]float64 `json:"map"`
			N      *int               `json:"n"`
		}
		if err := decode([]byte(text), &body); err == nil && !json.Valid([]byte(text)) {
			t.Fatalf("took %q", text)
		}
	})
}
