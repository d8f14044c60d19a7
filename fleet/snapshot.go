package fleet

import (
	"bytes"
	"compress/gzip"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"time"

	"rigledger/events"
	"rigledger/fleet/plan"
)

// SnapshotFormat is raised whenever State changes its saved form or its
// meaning; an older snapshot is then ignored and the ledger replayed.
const SnapshotFormat = 10

// fromSnapshot gives the state of the stored snapshot, or an empty one.
func (f *Fleet) fromSnapshot(ctx context.Context, zone *time.Location) *State {
	snap, err := f.store.LoadSnapshot(ctx)
	if errors.Is(err, events.ErrNoSnapshot) {
		return newState(zone)
	}
	if err == nil {
		var s *State
		if s, err = decodeState(snap, zone); err == nil {
			return s
		}
	}
	f.log.Warn("the snapshot is not usable; replaying the ledger", "error", err)
	return newState(zone)
}

// SaveSnapshot stores a newer snapshot. It is made from the ledger (the last
// snapshot and what follows it), not from the state in use, so that neither
// readers nor the desk wait while a large fleet is written out. It gives the
// snapshot's commit.
func (f *Fleet) SaveSnapshot(ctx context.Context) (uint64, error) {
	s := f.fromSnapshot(ctx, f.state.zone)
	old := s.Head.N
	if err := f.store.Read(ctx, old+1, s.Apply); err != nil {
		if old == 0 || ctx.Err() != nil {
			return 0, fmt.Errorf("reading the ledger for a snapshot: %w", err)
		}
		f.log.Warn("the snapshot does not lead to the ledger; making a new one from the start", "snapshot", old, "error", err)
		s = newState(f.state.zone)
		if err := f.store.Read(ctx, 1, s.Apply); err != nil {
			return 0, fmt.Errorf("reading the ledger for a snapshot: %w", err)
		}
	} else if s.Head.N == old {
		return old, nil
	}
	snap, err := encodeState(s)
	if err != nil {
		return 0, fmt.Errorf("encoding the snapshot: %w", err)
	}
	if err := f.store.SaveSnapshot(ctx, snap); err != nil {
		return 0, fmt.Errorf("storing the snapshot: %w", err)
	}
	return s.Head.N, nil
}

func encodeState(s *State) (events.Snapshot, error) {
	var body bytes.Buffer
	z, err := gzip.NewWriterLevel(&body, gzip.BestSpeed)
	if err != nil {
		return events.Snapshot{}, err
	}
	if err := json.NewEncoder(z).Encode(s); err != nil {
		return events.Snapshot{}, err
	}
	if err := z.Close(); err != nil {
		return events.Snapshot{}, err
	}
	return events.Snapshot{Head: s.Head, Format: SnapshotFormat, Body: body.Bytes()}, nil
}

func decodeState(snap events.Snapshot, zone *time.Location) (*State, error) {
	if snap.Format != SnapshotFormat {
		return nil, fmt.Errorf("format %d, this rigledger writes %d", snap.Format, SnapshotFormat)
	}
	z, err := gzip.NewReader(bytes.NewReader(snap.Body))
	if err != nil {
		return nil, err
	}
	s := newState(zone)
	if err := json.NewDecoder(z).Decode(s); err != nil {
		return nil, err
	}
	if s.Head != snap.Head {
		return nil, errors.New("its commit number is not the one it was stored under")
	}
	for _, versions := range s.Plans {
		for _, v := range versions {
			if v.Parsed, err = plan.Parse(v.Plan, []byte(v.Text)); err != nil {
				return nil, err
			}
		}
	}
	if err := s.parseBay(); err != nil {
		return nil, err
	}
	for name, c := range s.Classes {
		if c.Parsed, err = plan.ParseClass(name, []byte(c.Text)); err != nil {
			return nil, err
		}
	}
	for _, rig := range s.Rigs {
		for _, m := range rig.Meters {
			if err := m.Series.Check(); err != nil {
				return nil, fmt.Errorf("rig %s, meter %s: %w", rig.Rig, m.Meter, err)
			}
		}
	}
	s.index()
	return s, nil
}

// Verify re-reads the whole ledger, checks every hash and the chain, folds it
// from the first commit, and compares the stored snapshot with the fold at the
// same commit. It gives the head it reached and whether there was a snapshot to compare.
func Verify(ctx context.Context, store events.Store, zone *time.Location, progress func(n uint64)) (events.Head, bool, error) {
	snap, err := store.LoadSnapshot(ctx)
	compare := err == nil && snap.Format == SnapshotFormat
	if err != nil && !errors.Is(err, events.ErrNoSnapshot) {
		return events.Head{}, false, fmt.Errorf("loading the snapshot: %w", err)
	}
	s := newState(zone)
	err = store.Read(ctx, 1, func(c *events.Commit) error {
		if err := s.Apply(c); err != nil {
			return err
		}
		if progress != nil {
			progress(c.N)
		}
		if compare && c.N == snap.Head.N {
			stored, err := decodeState(snap, zone)
			if err != nil {
				return fmt.Errorf("the snapshot at commit %d: %w", c.N, err)
			}
			if err := sameState(s, stored); err != nil {
				return fmt.Errorf("the snapshot at commit %d is not what the ledger gives: %w", c.N, err)
			}
		}
		return nil
	})
	return s.Head, compare, err
}

func sameState(a, b *State) error {
	x, err := json.Marshal(a)
	if err != nil {
		return err
	}
	y, err := json.Marshal(b)
	if err != nil {
		return err
	}
	if !bytes.Equal(x, y) {
		return errors.New("the two differ")
	}
	return nil
}
