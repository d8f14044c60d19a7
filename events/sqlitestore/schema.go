package sqlitestore

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"os"
	"path/filepath"

	lib "modernc.org/sqlite/lib"
)

// What marks a file as a ledger, in the two header fields that SQLite leaves to
// the application.
const (
	applicationID = 0x5249474c // "RIGL"
	schemaVersion = 1
)

// pageSize holds a usual group commit on a few overflow pages without making a
// commit of one fact expensive.
const pageSize = 8192

const schema = `
CREATE TABLE commits (
	n    INTEGER PRIMARY KEY,
	body BLOB NOT NULL
) STRICT;
CREATE TABLE snapshot (
	id     INTEGER PRIMARY KEY CHECK (id = 1),
	n      INTEGER NOT NULL,
	hash   BLOB NOT NULL,
	format INTEGER NOT NULL,
	slot   INTEGER NOT NULL,
	parts  INTEGER NOT NULL,
	sum    BLOB NOT NULL
) STRICT;
CREATE TABLE snapshot_parts (
	slot INTEGER NOT NULL,
	part INTEGER NOT NULL,
	body BLOB NOT NULL,
	PRIMARY KEY (slot, part)
) STRICT;
`

var errNotLedger = errors.New("this file is not a rigledger ledger; choose another path")

// prepareSchema looks at what the file is before it changes anything in it.
func prepareSchema(db *sql.DB) error {
	ctx := context.Background()
	conn, err := db.Conn(ctx)
	if err != nil {
		return err
	}
	defer conn.Close()
	fresh, err := inspect(conn)
	if err != nil {
		return err
	}
	var mode string
	if err := conn.QueryRowContext(ctx, `PRAGMA journal_mode = WAL`).Scan(&mode); err != nil {
		return err
	}
	if mode != "wal" {
		return fmt.Errorf("write-ahead logging is not possible here (journal mode stays %q): is this a network drive?", mode)
	}
	if !fresh {
		return nil
	}
	if _, err := conn.ExecContext(ctx, `BEGIN IMMEDIATE`); err != nil {
		return err
	}
	// Another process may have made the ledger since we looked.
	if fresh, err = inspect(conn); err == nil && fresh {
		_, err = conn.ExecContext(ctx, fmt.Sprintf(`%s PRAGMA application_id = %d; PRAGMA user_version = %d;`,
			schema, applicationID, schemaVersion))
	}
	if err == nil {
		_, err = conn.ExecContext(ctx, `COMMIT`)
	}
	if err != nil {
		conn.ExecContext(ctx, `ROLLBACK`)
	}
	return err
}

// inspect says whether the file is new, and refuses what is not ours.
func inspect(conn *sql.Conn) (fresh bool, err error) {
	var id, version, objects int
	err = conn.QueryRowContext(context.Background(), `SELECT
		(SELECT application_id FROM pragma_application_id),
		(SELECT user_version FROM pragma_user_version),
		(SELECT count(*) FROM sqlite_schema)`).Scan(&id, &version, &objects)
	switch {
	case err != nil:
		return false, err
	case id == 0 && version == 0 && objects == 0:
		return true, nil
	case id != applicationID:
		return false, errNotLedger
	case version > schemaVersion:
		return false, fmt.Errorf("written by a newer rigledger (schema %d, this one knows %d)", version, schemaVersion)
	case version < schemaVersion:
		return false, fmt.Errorf("schema %d is none that this rigledger knows", version)
	}
	return false, nil
}

// explain turns SQLite's short words for a file that cannot be opened into the
// reason, asking the operating system where SQLite does not say.
func explain(abs string, err error) error {
	switch code(err) & 0xff {
	case lib.SQLITE_NOTADB:
		return errNotLedger
	case lib.SQLITE_CANTOPEN, lib.SQLITE_READONLY, lib.SQLITE_PERM, lib.SQLITE_IOERR:
	default:
		return err
	}
	if info, statErr := os.Stat(abs); statErr == nil && info.IsDir() {
		return errors.New("this is a folder, not a file")
	}
	folder := filepath.Dir(abs)
	info, statErr := os.Stat(folder)
	if statErr != nil {
		return fmt.Errorf("its folder: %w", statErr)
	}
	if !info.IsDir() {
		return fmt.Errorf("%s is not a folder", folder)
	}
	probe, probeErr := os.CreateTemp(folder, ".rigledger-*")
	if probeErr != nil {
		return fmt.Errorf("its folder cannot be written to: %w", probeErr)
	}
	probe.Close()
	os.Remove(probe.Name())
	return fmt.Errorf("the file cannot be opened for writing: %w", err)
}
