package mongostore

import (
	"context"
	"crypto/sha256"
	"errors"
	"fmt"

	"go.mongodb.org/mongo-driver/v2/bson"
	"go.mongodb.org/mongo-driver/v2/mongo"
	"go.mongodb.org/mongo-driver/v2/mongo/options"

	"rigledger/events"
)

// chunkBytes keeps a chunk well below the 16 MB that a document may have.
const chunkBytes = 8 << 20

// manifest describes the stored snapshot. Its chunks have the ids
// "<slot>/<index>". There are two slots: a new snapshot goes into the one that
// the manifest does not name, and the manifest is replaced last, so that a
// snapshot that was not finished changes nothing. Chunks are overwritten, not
// deleted: the slots never hold more than twice the largest snapshot.
type manifest struct {
	ID     string `bson:"_id"`
	Slot   string `bson:"slot"`
	N      int64  `bson:"n"`
	Hash   []byte `bson:"hash"`
	Format int64  `bson:"format"`
	Size   int64  `bson:"size"`
	Sum    []byte `bson:"sum"` // SHA-256 of the body
}

type chunk struct {
	ID   string `bson:"_id"`
	Body []byte `bson:"body"`
}

const manifestID = "manifest"

func chunkID(slot string, i int) string { return fmt.Sprintf("%s/%d", slot, i) }

// SaveSnapshot replaces the stored snapshot. When two instances save at once
// their chunks may mix; the sum shows it, and the snapshot counts as none.
func (s *Store) SaveSnapshot(ctx context.Context, snap events.Snapshot) error {
	if err := s.saveSnapshot(ctx, snap); err != nil {
		return fmt.Errorf("save snapshot of commit %d: %w", snap.Head.N, err)
	}
	return nil
}

func (s *Store) saveSnapshot(ctx context.Context, snap events.Snapshot) error {
	old, err := s.manifest(ctx)
	if err != nil && !errors.Is(err, events.ErrNoSnapshot) {
		return err
	}
	slot := "a"
	if old.Slot == "a" {
		slot = "b"
	}
	for i, rest := 0, snap.Body; len(rest) > 0; i++ {
		c := chunk{ID: chunkID(slot, i), Body: rest[:min(len(rest), chunkBytes)]}
		if err := s.replace(ctx, c.ID, c); err != nil {
			return err
		}
		rest = rest[len(c.Body):]
	}
	sum := sha256.Sum256(snap.Body)
	return s.replace(ctx, manifestID, manifest{
		ID: manifestID, Slot: slot, N: int64(snap.Head.N), Hash: snap.Head.Hash[:],
		Format: int64(snap.Format), Size: int64(len(snap.Body)), Sum: sum[:],
	})
}

func (s *Store) replace(ctx context.Context, id string, doc any) error {
	_, err := s.snapshots.ReplaceOne(ctx, bson.D{{Key: "_id", Value: id}}, doc, options.Replace().SetUpsert(true))
	return err
}

func (s *Store) manifest(ctx context.Context) (manifest, error) {
	var m manifest
	err := s.snapshots.FindOne(ctx, bson.D{{Key: "_id", Value: manifestID}}).Decode(&m)
	if errors.Is(err, mongo.ErrNoDocuments) {
		err = events.ErrNoSnapshot
	}
	return m, err
}

// LoadSnapshot gives the stored snapshot; one whose chunks are missing or do not
// belong together counts as none.
func (s *Store) LoadSnapshot(ctx context.Context) (events.Snapshot, error) {
	m, err := s.manifest(ctx)
	if errors.Is(err, events.ErrNoSnapshot) {
		return events.Snapshot{}, err
	}
	if err != nil {
		return events.Snapshot{}, fmt.Errorf("load snapshot: %w", err)
	}
	snap := events.Snapshot{Head: events.Head{N: uint64(m.N)}, Format: int(m.Format)}
	if copy(snap.Head.Hash[:], m.Hash) != len(snap.Head.Hash) {
		return events.Snapshot{}, fmt.Errorf("%w: its manifest is damaged", events.ErrNoSnapshot)
	}
	for i := 0; int64(len(snap.Body)) < m.Size; i++ {
		var c chunk
		err := s.snapshots.FindOne(ctx, bson.D{{Key: "_id", Value: chunkID(m.Slot, i)}}).Decode(&c)
		if errors.Is(err, mongo.ErrNoDocuments) || err == nil && len(c.Body) == 0 {
			return events.Snapshot{}, fmt.Errorf("%w: part %d is missing", events.ErrNoSnapshot, i)
		}
		if err != nil {
			return events.Snapshot{}, fmt.Errorf("load snapshot: %w", err)
		}
		snap.Body = append(snap.Body, c.Body...)
	}
	if sum := sha256.Sum256(snap.Body); string(sum[:]) != string(m.Sum) {
		return events.Snapshot{}, fmt.Errorf("%w: its parts do not belong together", events.ErrNoSnapshot)
	}
	return snap, nil
}
