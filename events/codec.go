package events

import (
	"encoding/json"
	"errors"
	"fmt"
	"time"

	"go.mongodb.org/mongo-driver/v2/bson"
	"go.mongodb.org/mongo-driver/v2/x/bsonx/bsoncore"
)

// The encoded form of a commit is one BSON document, the same bytes in both
// stores, so that both give the same hashes and the same export:
//
//	{_id: int64, at: date, prev: binary(32), hash: binary(32),
//	 facts: [{k: kind, at: date, by: string, f: {…}}, …]}

// ErrDamaged is wrapped by every DamagedError.
var ErrDamaged = errors.New("damaged commit")

// DamagedError says which commit cannot be trusted, and why.
type DamagedError struct {
	N   uint64
	Why string
}

func (e *DamagedError) Error() string { return fmt.Sprintf("commit %d is damaged: %s", e.N, e.Why) }

// Unwrap lets errors.Is find ErrDamaged.
func (e *DamagedError) Unwrap() error { return ErrDamaged }

func encodeFacts(facts []Entry) ([]byte, error) {
	dst := make([]byte, 0, 64+160*len(facts))
	index, dst := bsoncore.AppendArrayStart(dst)
	for i := range facts {
		e := &facts[i]
		if e.Fact == nil {
			return nil, fmt.Errorf("fact %d is missing", i)
		}
		var key [4]byte
		var doc int32
		doc, dst = bsoncore.AppendDocumentElementStart(dst, string(appendInt(key[:0], i)))
		dst = bsoncore.AppendStringElement(dst, "k", e.Fact.Kind())
		dst = bsoncore.AppendDateTimeElement(dst, "at", e.At.UnixMilli())
		dst = bsoncore.AppendStringElement(dst, "by", e.By)
		var err error
		if read, ok := e.Fact.(*MeterRead); ok {
			dst = read.appendTo(dst)
		} else {
			var f []byte
			if f, err = bson.Marshal(e.Fact); err != nil {
				return nil, fmt.Errorf("fact %d (%s): %w", i, e.Fact.Kind(), err)
			}
			dst = bsoncore.AppendDocumentElement(dst, "f", f)
		}
		if dst, err = bsoncore.AppendDocumentEnd(dst, doc); err != nil {
			return nil, fmt.Errorf("fact %d (%s): %w", i, e.Fact.Kind(), err)
		}
	}
	return bsoncore.AppendArrayEnd(dst, index)
}

// Encode gives the document that a store keeps for a sealed or decoded commit.
func Encode(c *Commit) bson.Raw {
	dst := make([]byte, 0, len(c.body)+160)
	index, dst := bsoncore.AppendDocumentStart(dst)
	dst = bsoncore.AppendInt64Element(dst, "_id", int64(c.N))
	dst = bsoncore.AppendDateTimeElement(dst, "at", c.Recorded.UnixMilli())
	dst = bsoncore.AppendBinaryElement(dst, "prev", 0, c.Prev[:])
	dst = bsoncore.AppendBinaryElement(dst, "hash", 0, c.Hash[:])
	dst = bsoncore.AppendArrayElement(dst, "facts", c.body)
	dst, _ = bsoncore.AppendDocumentEnd(dst, index)
	return dst
}

// Decode reads the document of commit n and checks it against its own hash.
// What does not fit is a *DamagedError that carries n, the number under which
// the store kept the document.
func Decode(n uint64, doc bson.Raw) (*Commit, error) {
	c := &Commit{N: n}
	damaged := func(format string, args ...any) (*Commit, error) {
		return nil, &DamagedError{N: n, Why: fmt.Sprintf(format, args...)}
	}
	rest, err := documentBody(doc)
	if err != nil {
		return damaged("%v", err)
	}
	for len(rest) > 0 {
		var el bsoncore.Element
		var ok bool
		if el, rest, ok = bsoncore.ReadElement(rest); !ok || el.Validate() != nil {
			return damaged("unreadable document")
		}
		v := el.Value()
		switch el.Key() {
		case "_id":
			if id, ok := v.AsInt64OK(); !ok || id != int64(n) {
				return damaged("the document's own number is not %d", n)
			}
		case "at":
			ms, ok := v.DateTimeOK()
			if !ok {
				return damaged("at: not a date")
			}
			c.Recorded = time.UnixMilli(ms).UTC()
		case "prev":
			if !readHash(v, &c.Prev) {
				return damaged("prev: not a hash")
			}
		case "hash":
			if !readHash(v, &c.Hash) {
				return damaged("hash: not a hash")
			}
		case "facts":
			arr, ok := v.ArrayOK()
			if !ok {
				return damaged("facts: not an array")
			}
			// Our own copy: drivers and databases reuse the buffers they hand out.
			c.body = append([]byte(nil), arr...)
		}
	}
	if c.body == nil {
		return damaged("no facts")
	}
	if got := c.sum(); got != c.Hash {
		return damaged("its content does not match its hash")
	}
	if c.Facts, err = decodeFacts(c.body); err != nil {
		return damaged("%v", err)
	}
	return c, nil
}

func readHash(v bsoncore.Value, h *Hash) bool {
	_, data, ok := v.BinaryOK()
	return ok && copy(h[:], data) == len(h) && len(data) == len(h)
}

// documentBody strips the length and the closing zero of a BSON document.
func documentBody(doc []byte) ([]byte, error) {
	length, _, ok := bsoncore.ReadLength(doc)
	if !ok || int(length) != len(doc) || length < 5 || doc[length-1] != 0 {
		return nil, errors.New("cut short")
	}
	return doc[4 : length-1], nil
}

func decodeFacts(arr []byte) ([]Entry, error) {
	rest, err := documentBody(arr)
	if err != nil {
		return nil, fmt.Errorf("facts: %w", err)
	}
	facts := make([]Entry, 0, 1+len(arr)/160)
	for len(rest) > 0 {
		var el bsoncore.Element
		var ok bool
		if el, rest, ok = bsoncore.ReadElement(rest); !ok {
			return nil, fmt.Errorf("fact %d: unreadable", len(facts))
		}
		doc, ok := el.Value().DocumentOK()
		if !ok {
			return nil, fmt.Errorf("fact %d: not a document", len(facts))
		}
		e, err := decodeEntry(doc)
		if err != nil {
			return nil, fmt.Errorf("fact %d: %w", len(facts), err)
		}
		facts = append(facts, e)
	}
	return facts, nil
}

func decodeEntry(doc []byte) (Entry, error) {
	var e Entry
	rest, err := documentBody(doc)
	if err != nil {
		return e, err
	}
	for len(rest) > 0 {
		el, tail, ok := bsoncore.ReadElement(rest)
		if !ok {
			return e, errors.New("unreadable")
		}
		rest = tail
		key, err := el.KeyErr()
		if err != nil {
			return e, err
		}
		v, err := el.ValueErr()
		if err != nil {
			return e, err
		}
		switch key {
		case "k":
			kind, _ := v.StringValueOK()
			if e.Fact = newFact(kind); e.Fact == nil {
				return e, fmt.Errorf("unknown kind %q: was this ledger written by a newer rigledger?", kind)
			}
		case "at":
			ms, _ := v.DateTimeOK()
			e.At = time.UnixMilli(ms).UTC()
		case "by":
			e.By, _ = v.StringValueOK()
		case "f":
			f, ok := v.DocumentOK()
			if !ok || e.Fact == nil {
				return e, errors.New("f: not a fact")
			}
			if read, ok := e.Fact.(*MeterRead); ok {
				err = read.decode(f)
			} else {
				err = bson.Unmarshal(f, e.Fact)
			}
			if err != nil {
				return e, fmt.Errorf("%s: %w", e.Fact.Kind(), err)
			}
		}
	}
	if e.Fact == nil {
		return e, errors.New("no kind")
	}
	return e, nil
}

func appendInt(dst []byte, i int) []byte {
	if i >= 10 {
		dst = appendInt(dst, i/10)
	}
	return append(dst, byte('0'+i%10))
}

// entryJSON is the shape of an Entry in exports, feeds and snapshots.
type entryJSON struct {
	Kind string          `json:"kind"`
	At   time.Time       `json:"at"`
	By   string          `json:"by"`
	Fact json.RawMessage `json:"fact"`
}

// MarshalJSON writes {"kind","at","by","fact"}.
func (e Entry) MarshalJSON() ([]byte, error) {
	f, err := json.Marshal(e.Fact)
	if err != nil {
		return nil, err
	}
	return json.Marshal(entryJSON{Kind: e.Fact.Kind(), At: e.At, By: e.By, Fact: f})
}

// UnmarshalJSON reads what MarshalJSON wrote; an unknown kind is an error.
func (e *Entry) UnmarshalJSON(text []byte) error {
	var j entryJSON
	if err := json.Unmarshal(text, &j); err != nil {
		return err
	}
	f := newFact(j.Kind)
	if f == nil {
		return fmt.Errorf("unknown kind of fact %q", j.Kind)
	}
	if err := json.Unmarshal(j.Fact, f); err != nil {
		return fmt.Errorf("%s: %w", j.Kind, err)
	}
	*e = Entry{At: Milli(j.At), By: j.By, Fact: f}
	return nil
}

// commitJSON is one line of an export.
type commitJSON struct {
	N        uint64    `json:"commit"`
	Recorded time.Time `json:"recorded"`
	Prev     Hash      `json:"prev"`
	Hash     Hash      `json:"hash"`
	Facts    []Entry   `json:"facts"`
}

// MarshalJSON writes a commit as one line of an export.
func (c *Commit) MarshalJSON() ([]byte, error) {
	return json.Marshal(commitJSON{N: c.N, Recorded: c.Recorded, Prev: c.Prev, Hash: c.Hash, Facts: c.Facts})
}

// UnmarshalJSON reads one line of an export and checks it against its hash.
func (c *Commit) UnmarshalJSON(text []byte) error {
	var j commitJSON
	if err := json.Unmarshal(text, &j); err != nil {
		return err
	}
	body, err := encodeFacts(j.Facts)
	if err != nil {
		return err
	}
	*c = Commit{N: j.N, Recorded: Milli(j.Recorded), Prev: j.Prev, Hash: j.Hash, Facts: j.Facts, body: body}
	if c.sum() != c.Hash {
		return &DamagedError{N: c.N, Why: "its content does not match its hash"}
	}
	return nil
}
