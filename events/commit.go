package events

import (
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"fmt"
	"time"
)

// Bounds of one commit. They keep a commit far below the 16 MB document limit
// of MongoDB and a group commit short enough to be answered quickly.
const (
	MaxFacts       = 512
	MaxCommitBytes = 4 << 20
)

// Hash is the SHA-256 of a commit.
type Hash [sha256.Size]byte

// String gives the hash in hexadecimal.
func (h Hash) String() string { return hex.EncodeToString(h[:]) }

// MarshalText writes the hash in hexadecimal.
func (h Hash) MarshalText() ([]byte, error) { return []byte(h.String()), nil }

// UnmarshalText reads the hash from hexadecimal.
func (h *Hash) UnmarshalText(text []byte) error {
	if hex.DecodedLen(len(text)) != len(h) {
		return fmt.Errorf("hash: want %d hexadecimal digits, got %d", hex.EncodedLen(len(h)), len(text))
	}
	_, err := hex.Decode(h[:], text)
	return err
}

// Entry is one fact with its time and its witness.
type Entry struct {
	At   time.Time // when it holds in the field; may lie before the commit's own time
	By   string    // who said so: a token's name, "rig:T01", "scheduler"
	Fact Fact
}

// Commit is the unit of writing: 1 to MaxFacts facts that become durable
// together. Commits are numbered 1, 2, 3 … without gaps; Prev is the hash of
// the commit before (zero for the first).
type Commit struct {
	N        uint64
	Recorded time.Time
	Prev     Hash
	Hash     Hash
	Facts    []Entry

	// body is the encoded facts array that Hash covers, kept from Seal or Decode
	// so that a commit is encoded once however many stores and checks it passes.
	body []byte
}

// Head names the newest commit of a ledger: what the next one must follow.
// The zero Head is that of an empty ledger.
type Head struct {
	N    uint64 `json:"commit"`
	Hash Hash   `json:"hash"`
}

// Size is roughly how large a sealed or decoded commit is, in bytes.
func (c *Commit) Size() int { return len(c.body) }

// Head returns the head of a ledger whose newest commit is c.
func (c *Commit) Head() Head { return Head{N: c.N, Hash: c.Hash} }

// Seal numbers the facts as the commit after head, encodes them and computes
// the hash. It refuses an empty or oversized commit.
func Seal(head Head, recorded time.Time, facts []Entry) (*Commit, error) {
	if len(facts) == 0 {
		return nil, fmt.Errorf("commit %d: no facts", head.N+1)
	}
	if len(facts) > MaxFacts {
		return nil, fmt.Errorf("commit %d: %d facts, at most %d", head.N+1, len(facts), MaxFacts)
	}
	c := &Commit{N: head.N + 1, Recorded: Milli(recorded), Prev: head.Hash, Facts: facts}
	body, err := encodeFacts(facts)
	if err != nil {
		return nil, fmt.Errorf("commit %d: %w", c.N, err)
	}
	if len(body) > MaxCommitBytes {
		return nil, fmt.Errorf("commit %d: %d bytes, at most %d", c.N, len(body), MaxCommitBytes)
	}
	c.body = body
	c.Hash = c.sum()
	return c, nil
}

// sum is SHA-256 over number, time recorded (Unix milliseconds), hash of the
// commit before, and the encoded facts; integers big-endian in 8 bytes.
func (c *Commit) sum() Hash {
	d := sha256.New()
	var head [16]byte
	binary.BigEndian.PutUint64(head[:8], c.N)
	binary.BigEndian.PutUint64(head[8:], uint64(c.Recorded.UnixMilli()))
	d.Write(head[:])
	d.Write(c.Prev[:])
	d.Write(c.body)
	var h Hash
	d.Sum(h[:0])
	return h
}

// Milli gives t as the ledger keeps it: UTC, cut to the millisecond.
func Milli(t time.Time) time.Time { return time.UnixMilli(t.UnixMilli()).UTC() }
