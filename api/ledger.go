package api

import (
	"time"

	"rigledger/api/call"
	"rigledger/api/shape"
	"rigledger/fleet"
)

// ledgerDoc says where the ledger stands and how it came into memory.
type ledgerDoc struct {
	Commit   uint64     `json:"commit"`
	Hash     string     `json:"hash"` // of the newest commit, hexadecimal SHA-256
	Recorded *time.Time `json:"recorded,omitempty"`
	Opening  openingDoc `json:"opening"`
}

type openingDoc struct {
	FromSnapshot uint64  `json:"from_snapshot"`
	Replayed     uint64  `json:"replayed_commits"`
	Seconds      float64 `json:"seconds"`
}

func getLedger(c *call.Call) error {
	o := c.Fleet.Opening()
	doc := ledgerDoc{Opening: openingDoc{o.FromSnapshot, o.Replayed, float64(o.Took.Microseconds()) / 1e6}}
	err := c.View(func(s *fleet.State) error {
		doc.Commit, doc.Hash, doc.Recorded = s.Head.N, s.Head.Hash.String(), shape.Time(s.Recorded)
		return nil
	})
	if err != nil {
		return err
	}
	return c.Answer(200, doc)
}
