package fleet

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"time"

	"rigledger/events"
)

// seal hashes a record whose commits are proven.
func (r *Record) seal() error {
	r.Hash = ""
	text, err := json.Marshal(r)
	if err != nil {
		return err
	}
	sum := sha256.Sum256(text)
	r.Hash = hex.EncodeToString(sum[:])
	return nil
}

// Record makes a record of an inspection, a calibration or a rig as the ledger
// stands. may is asked about the rig before anything is told.
func (f *Fleet) Record(ctx context.Context, of, id string, may func(r *Rig) error) (*Record, error) {
	now := f.now()
	var r *Record
	var text []byte
	var err error
	f.View(func(s *State) {
		var rig *Rig
		if r, rig, err = s.record(of, id, now); err == nil {
			if err = may(rig); err == nil {
				text, err = json.Marshal(r) // a copy that stands still
			}
		}
	})
	if err != nil {
		return nil, err
	}
	r = &Record{voided: r.voided}
	if err := json.Unmarshal(text, r); err != nil {
		return nil, err
	}
	if err := r.prove(ctx, f.store); err != nil {
		return nil, &Error{Code: Down, Message: "the ledger cannot be read", Cause: err}
	}
	return r, r.seal()
}

// prove finds the commits of a record's readings, and the hashes of all of its commits.
func (r *Record) prove(ctx context.Context, store events.Store) error {
	if err := r.findReadings(ctx, store); err != nil {
		return err
	}
	return hashesOf(ctx, store, r.Commits)
}

// readOn is how many commits are read past rather than looked up anew: a look-up
// costs about as much as reading a hundred in order (measured on SQLite).
const readOn = 200

// hashesOf fills in the hashes of commits, which are in order, from the ledger.
func hashesOf(ctx context.Context, store events.Store, commits []CommitProof) error {
	for i := 0; i < len(commits); {
		first := commits[i].N
		err := store.Read(ctx, first, func(c *events.Commit) error {
			if c.N == commits[i].N {
				commits[i].Hash = c.Hash
				i++
			}
			if i == len(commits) || commits[i].N > c.N+readOn {
				return errFound
			}
			return nil
		})
		switch {
		case err != nil && !errors.Is(err, errFound):
			return fmt.Errorf("reading commit %d and on: %w", first, err)
		case err == nil && i < len(commits):
			return fmt.Errorf("commit %d is not in the ledger", commits[i].N)
		}
	}
	return nil
}

// VerifyRecord holds a record, as JSON, against a ledger: it replays the ledger
// up to the record's commit, makes the record anew and compares every character
// but white space between them. The error says what differs. The record names the
// time zone that it was made under, which the ledger does not hold; with a zone
// it must be that one.
func VerifyRecord(ctx context.Context, store events.Store, zone *time.Location, text []byte) (*Record, error) {
	var given Record
	if err := json.Unmarshal(text, &given); err != nil {
		return nil, fmt.Errorf("the file is not a record: %w", err)
	}
	if zone == nil {
		var err error
		if zone, err = time.LoadLocation(given.Zone); err != nil || given.Zone == "Local" {
			return nil, fmt.Errorf("the record was made in the time zone %q, which nobody knows", given.Zone)
		}
	}
	switch {
	case given.Form != RecordForm:
		return nil, fmt.Errorf("the record has form %d; this rigledger makes and verifies form %d", given.Form, RecordForm)
	case given.Zone != zone.String():
		return nil, fmt.Errorf("the record was made in the time zone %q, and this is %q", given.Zone, zone)
	case given.AsOf.N == 0:
		return nil, errors.New("the record names no commit")
	}
	s := newState(zone)
	err := store.Read(ctx, 1, func(c *events.Commit) error {
		if err := s.Apply(c); err != nil {
			return err
		}
		if c.N == given.AsOf.N {
			return errFound
		}
		return nil
	})
	switch {
	case err != nil && !errors.Is(err, errFound):
		return nil, fmt.Errorf("reading the ledger: %w", err)
	case s.Head.N < given.AsOf.N:
		return nil, fmt.Errorf("the record was made at commit %d; this ledger ends at %d", given.AsOf.N, s.Head.N)
	case s.Head.Hash != given.AsOf.Hash:
		return nil, fmt.Errorf("commit %d of this ledger has the hash %s; the record says %s", given.AsOf.N, s.Head.Hash, given.AsOf.Hash)
	}
	anew, _, err := s.record(given.Of, given.ID, given.Made)
	if err != nil {
		return nil, fmt.Errorf("this ledger does not hold it: %w", err)
	}
	if err := anew.prove(ctx, store); err != nil {
		return nil, fmt.Errorf("reading the ledger: %w", err)
	}
	if err := anew.seal(); err != nil {
		return nil, err
	}
	want, err := json.Marshal(anew)
	if err != nil {
		return nil, err
	}
	var got bytes.Buffer
	if err := json.Compact(&got, text); err != nil {
		return nil, err
	}
	if !bytes.Equal(got.Bytes(), want) {
		return nil, fmt.Errorf("the record is not what the ledger says: %s", whereApart(got.Bytes(), want))
	}
	return anew, nil
}

// whereApart shows the surroundings of the first character that differs.
func whereApart(got, want []byte) string {
	i := 0
	for i < len(got) && i < len(want) && got[i] == want[i] {
		i++
	}
	around := func(b []byte) string {
		return strings.ToValidUTF8(string(b[max(0, min(i, len(b))-40):min(len(b), i+30)]), "")
	}
	return fmt.Sprintf("…%s… where the ledger has …%s…", around(got), around(want))
}
