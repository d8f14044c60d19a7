package sqlitestore

import (
	"context"
	"crypto/sha256"
	"database/sql"
	"errors"
	"fmt"

	"rigledger/events"
)

// partBytes bounds how long one part of a snapshot holds the turn to write: a
// snapshot of many megabytes must not make an Append wait until it is through.
const partBytes = 1 << 20

// SaveSnapshot replaces the stored snapshot. Its parts go into the one of two
// slots that the snapshot in force does not use, each in a transaction of its
// own, and the row that names the slot is replaced last: what was not finished
// changes nothing. When two processes save at once their parts may mix; the sum
// shows it, and the snapshot counts as none.
func (s *Store) SaveSnapshot(ctx context.Context, snap events.Snapshot) error {
	if err := s.saveSnapshot(ctx, snap); err != nil {
		return fmt.Errorf("save snapshot of commit %d: %w", snap.Head.N, err)
	}
	return nil
}

func (s *Store) saveSnapshot(ctx context.Context, snap events.Snapshot) error {
	var slot int
	err := s.patiently(ctx, func() error {
		return s.read.QueryRowContext(ctx, `SELECT coalesce((SELECT 1 - slot FROM snapshot), 0)`).Scan(&slot)
	})
	if err != nil {
		return err
	}
	parts := 0
	for rest := snap.Body; len(rest) > 0; parts++ {
		part := rest[:min(len(rest), partBytes)]
		err := s.exec(ctx, `INSERT OR REPLACE INTO snapshot_parts (slot, part, body) VALUES (?, ?, ?)`, slot, parts, part)
		if err != nil {
			return err
		}
		rest = rest[len(part):]
	}
	if err := s.exec(ctx, `DELETE FROM snapshot_parts WHERE slot = ? AND part >= ?`, slot, parts); err != nil {
		return err
	}
	sum := sha256.Sum256(snap.Body)
	return s.exec(ctx, `INSERT OR REPLACE INTO snapshot (id, n, hash, format, slot, parts, sum) VALUES (1, ?, ?, ?, ?, ?, ?)`,
		int64(snap.Head.N), snap.Head.Hash[:], snap.Format, slot, parts, sum[:])
}

// exec runs one statement with the turn to write; like Append it is not broken
// off once it has begun.
func (s *Store) exec(ctx context.Context, statement string, args ...any) error {
	return s.writing(ctx, func() error {
		_, err := s.write.Exec(statement, args...)
		return err
	})
}

// LoadSnapshot gives the stored snapshot; one that is incomplete or whose bytes
// have changed counts as none.
func (s *Store) LoadSnapshot(ctx context.Context) (events.Snapshot, error) {
	var snap events.Snapshot
	err := s.patiently(ctx, func() (err error) {
		snap, err = s.loadSnapshot(ctx)
		return err
	})
	if err != nil && !errors.Is(err, events.ErrNoSnapshot) {
		err = fmt.Errorf("load snapshot: %w", err)
	}
	return snap, err
}

func (s *Store) loadSnapshot(ctx context.Context) (events.Snapshot, error) {
	// A read transaction, so that a save in between cannot overwrite the parts.
	tx, err := s.read.BeginTx(ctx, nil)
	if err != nil {
		return events.Snapshot{}, err
	}
	defer tx.Rollback()
	var snap events.Snapshot
	var n int64
	var slot, parts int
	var hash, sum []byte
	err = tx.QueryRowContext(ctx, `SELECT n, hash, format, slot, parts, sum FROM snapshot WHERE id = 1`).
		Scan(&n, &hash, &snap.Format, &slot, &parts, &sum)
	if errors.Is(err, sql.ErrNoRows) {
		return events.Snapshot{}, events.ErrNoSnapshot
	}
	if err != nil {
		return events.Snapshot{}, err
	}
	rows, err := tx.QueryContext(ctx, `SELECT body FROM snapshot_parts WHERE slot = ? AND part < ? ORDER BY part`, slot, parts)
	if err != nil {
		return events.Snapshot{}, err
	}
	defer rows.Close()
	snap.Body = make([]byte, 0, parts*partBytes)
	for rows.Next() {
		var part sql.RawBytes
		if err := rows.Scan(&part); err != nil {
			return events.Snapshot{}, err
		}
		snap.Body = append(snap.Body, part...)
	}
	if err := rows.Err(); err != nil {
		return events.Snapshot{}, err
	}
	snap.Head.N = uint64(n)
	if got := sha256.Sum256(snap.Body); string(got[:]) != string(sum) || copy(snap.Head.Hash[:], hash) != len(snap.Head.Hash) {
		return events.Snapshot{}, fmt.Errorf("%w: the stored one is damaged", events.ErrNoSnapshot)
	}
	return snap, nil
}
