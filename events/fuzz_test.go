package events

import (
	"bytes"
	"encoding/json"
	"errors"
	"testing"
)

func seeds(t testing.TB) []*Commit {
	commits := []*Commit{sealed(t, Head{}, readings(3)...)}
	for _, kind := range Kinds() {
		commits = append(commits, sealed(t, Head{}, Entry{At: someTime, By: "api", Fact: filled(t, kind)}))
	}
	return commits
}

// Arbitrary bytes in a store's place give a commit or a DamagedError.
func FuzzDecode(f *testing.F) {
	for _, c := range seeds(f) {
		f.Add([]byte(Encode(c)))
	}
	f.Add([]byte{})
	f.Fuzz(func(t *testing.T, doc []byte) { decodes(t, doc) })
}

// The same for the array of facts, under a hash that holds, so that the decoder
// behind it is reached.
func FuzzDecodeFacts(f *testing.F) {
	for _, c := range seeds(f) {
		f.Add(c.body)
	}
	f.Fuzz(func(t *testing.T, body []byte) {
		c := &Commit{N: 1, body: body}
		c.Hash = c.sum()
		decodes(t, Encode(c))
	})
}

func decodes(t *testing.T, doc []byte) {
	c, err := Decode(1, doc)
	if err != nil {
		if !errors.Is(err, ErrDamaged) || c != nil {
			t.Fatalf("got %v, %v; want only a DamagedError", c, err)
		}
		return
	}
	again, err := Decode(1, Encode(c))
	if err != nil || !bytes.Equal(Encode(again), Encode(c)) {
		t.Fatalf("what was decoded does not decode again: %v", err)
	}
	for _, e := range c.Facts {
		e.Fact.Subject()
	}
	json.Marshal(c) // may refuse a year beyond 9999, must not panic
}

// Arbitrary text in an import gives an error or a commit whose hash holds.
func FuzzCommitFromJSON(f *testing.F) {
	for _, c := range seeds(f) {
		text, err := json.Marshal(c)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(text)
	}
	f.Add([]byte(`{"facts":[{"kind":"meter.read","fact":null}]}`))
	f.Fuzz(func(t *testing.T, text []byte) {
		var c Commit
		if err := c.UnmarshalJSON(text); err != nil {
			return
		}
		if _, err := Decode(c.N, Encode(&c)); err != nil {
			t.Fatalf("a commit that was read does not hold: %v", err)
		}
	})
}
