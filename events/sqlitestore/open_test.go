package sqlitestore_test

import (
	"bytes"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"

	"rigledger/events"
	"rigledger/events/sqlitestore"
	"rigledger/events/storetest"
)

func TestOpenRefuses(t *testing.T) {
	for _, c := range []struct {
		name string
		path func(t *testing.T) string
		want string
	}{
		{"a text file", func(t *testing.T) string {
			path := filepath.Join(t.TempDir(), "notes.txt")
			write(t, path, strings.Repeat("these are notes\n", 600))
			return path
		}, "not a rigledger ledger"},
		{"another program's database", func(t *testing.T) string {
			path := filepath.Join(t.TempDir(), "other.db")
			exec(t, raw(t, path), `CREATE TABLE songs (title TEXT)`)
			return path
		}, "not a rigledger ledger"},
		{"a ledger of a newer schema", func(t *testing.T) string {
			path := filepath.Join(t.TempDir(), "ledger.db")
			open(t, path).Close()
			exec(t, raw(t, path), `PRAGMA user_version = 2`)
			return path
		}, "newer rigledger (schema 2, this one knows 1)"},
		{"a folder", func(t *testing.T) string { return t.TempDir() }, "this is a folder"},
		{"a folder that does not exist", func(t *testing.T) string { return filepath.Join(t.TempDir(), "none", "ledger.db") },
			"its folder: stat"},
		{"a folder that is a file", func(t *testing.T) string {
			path := filepath.Join(t.TempDir(), "file")
			write(t, path, "x")
			return filepath.Join(path, "ledger.db")
		}, "file"},
		{"a folder that cannot be written to", func(t *testing.T) string { return filepath.Join(readOnly(t), "ledger.db") },
			"its folder cannot be written to"},
	} {
		t.Run(c.name, func(t *testing.T) {
			path := c.path(t)
			before, _ := os.ReadFile(path)
			s, err := sqlitestore.Open(t.Context(), path)
			if err == nil {
				s.Close()
				t.Fatal("it was opened")
			}
			if !strings.Contains(err.Error(), c.want) || !strings.Contains(err.Error(), path) {
				t.Errorf("got %q, want it to name the path and to say %q", err, c.want)
			}
			if after, _ := os.ReadFile(path); !bytes.Equal(before, after) {
				t.Error("the refused file was changed")
			}
		})
	}
}

func write(t *testing.T, path, text string) {
	t.Helper()
	if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
}

// readOnly gives a folder in which this user cannot make a file. For root, whom
// modes do not hold back, it is one of the kernel's.
func readOnly(t *testing.T) string {
	if os.Geteuid() == 0 {
		return "/proc"
	}
	folder := t.TempDir()
	if err := os.Chmod(folder, 0o555); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { os.Chmod(folder, 0o755) })
	return folder
}

func TestPathsWithSpecialCharactersNameTheFileTheySay(t *testing.T) {
	path := filepath.Join(t.TempDir(), "a b?c%20d#é&mode=memory.db")
	s := open(t, path)
	storetest.Write(t, s, events.Head{}, storetest.Readings("T01", 0, 1))
	s.Close()
	if info, err := os.Stat(path); err != nil || info.Size() == 0 {
		t.Errorf("the file is not there: %v", err)
	}
}

func TestManyOpenANewLedgerAtOnce(t *testing.T) {
	path := filepath.Join(t.TempDir(), "ledger.db")
	var wg sync.WaitGroup
	for range 12 {
		wg.Go(func() {
			s, err := sqlitestore.Open(t.Context(), path)
			if err != nil {
				t.Error(err)
				return
			}
			defer s.Close()
			if _, err := s.Newest(t.Context()); err != nil {
				t.Error(err)
			}
		})
	}
	wg.Wait()
}

func TestTheFileIsKeptDurably(t *testing.T) {
	path := filepath.Join(t.TempDir(), "ledger.db")
	open(t, path).Close()
	var mode string
	if err := raw(t, path).QueryRow(`PRAGMA journal_mode`).Scan(&mode); err != nil || mode != "wal" {
		t.Errorf("journal mode %q, %v; want wal", mode, err)
	}
}

func TestADamagedSnapshotCountsAsNone(t *testing.T) {
	path := filepath.Join(t.TempDir(), "ledger.db")
	s := open(t, path)
	defer s.Close()
	for name, damage := range map[string]string{
		"a part is missing":       `DELETE FROM snapshot_parts WHERE part = 1 AND slot = (SELECT slot FROM snapshot)`,
		"a part was changed":      `UPDATE snapshot_parts SET body = zeroblob(length(body)) WHERE part = 2`,
		"the sum was changed":     `UPDATE snapshot SET sum = zeroblob(32)`,
		"its row was not written": `DELETE FROM snapshot`,
	} {
		t.Run(name, func(t *testing.T) {
			body := bytes.Repeat([]byte("fleet "), 600_000)
			if err := s.SaveSnapshot(t.Context(), events.Snapshot{Head: events.Head{N: 9}, Body: body}); err != nil {
				t.Fatal(err)
			}
			if _, err := s.LoadSnapshot(t.Context()); err != nil {
				t.Fatal(err)
			}
			exec(t, raw(t, path), damage)
			if _, err := s.LoadSnapshot(t.Context()); !errors.Is(err, events.ErrNoSnapshot) {
				t.Errorf("got %v, want ErrNoSnapshot", err)
			}
		})
	}
}
