package sqlitestore_test

import (
	"bytes"
	"errors"
	"os"
	"path/filepath"
	"testing"

	"rigledger/events"
	"rigledger/events/sqlitestore"
	"rigledger/events/storetest"
)

// Whatever page of the file a bad disk ruins, reading never passes over it: it
// names a damaged commit, or the ledger does not open, or nothing was lost.
func TestARuinedPageIsNeverPassedOver(t *testing.T) {
	source := filepath.Join(t.TempDir(), "ledger.db")
	s := open(t, source)
	var head events.Head
	var want []*events.Commit
	for i := range 60 {
		size := 1 + 200*(i%4/3) // mostly small, some over several pages
		c := storetest.Write(t, s, head, storetest.Readings("T01", i*200, size))[0]
		want = append(want, c)
		head = c.Head()
	}
	if err := s.Close(); err != nil { // folds the -wal file in
		t.Fatal(err)
	}
	file, err := os.ReadFile(source)
	if err != nil {
		t.Fatal(err)
	}
	const page = 8192
	named, refused, harmless := 0, 0, 0
	for at := 0; at < len(file); at += page {
		for _, junk := range []byte{0x00, 0xff, 0x0d} {
			ruined := bytes.Clone(file)
			for i := range page {
				ruined[at+i] = junk
			}
			path := filepath.Join(t.TempDir(), "ruined.db")
			if err := os.WriteFile(path, ruined, 0o644); err != nil {
				t.Fatal(err)
			}
			s, err := sqlitestore.Open(t.Context(), path)
			if err != nil {
				refused++
				continue
			}
			var got []*events.Commit
			err = s.Read(t.Context(), 1, func(c *events.Commit) error { got = append(got, c); return nil })
			var d *events.DamagedError
			switch {
			case err == nil && len(got) == len(want):
				harmless++
			case errors.As(err, &d) && d.N == uint64(len(got)+1):
				named++
			default:
				t.Errorf("page %d ruined with %#x: %d of %d commits read, error %v", at/page+1, junk, len(got), len(want), err)
			}
			for i, c := range got {
				if c.Hash != want[i].Hash {
					t.Errorf("page %d ruined with %#x: commit %d is another", at/page+1, junk, c.N)
				}
			}
			s.Close()
		}
	}
	if named == 0 || refused == 0 {
		t.Errorf("named %d, refused %d, harmless %d: the test no longer ruins what it should", named, refused, harmless)
	}
	t.Logf("%d pages: named %d, refused %d, harmless %d", len(file)/page, named, refused, harmless)
}
