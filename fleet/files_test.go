package fleet_test

import (
	"context"
	"testing"

	"rigledger/fleet"
)

// Whether somebody may know of the bytes is asked at the desk, since another may
// have sent the same while they were on their way.
func TestTheSameBytesAreKeptOnceMoreForWhoMayNotKnowOfThem(t *testing.T) {
	b := newBench(t)
	b.must(trailed("T01"))
	yard := "north"
	keep := func(who string) uint64 {
		t.Helper()
		r, err := b.Do(context.Background(), who, &fleet.KeepFile{Name: who + ".txt", Bytes: []byte("a"), Sees: func(s *fleet.State, f *fleet.File) bool {
			return s.Rigs["T01"].Yard == yard && f.Name == "Ana.txt"
		}}, nil)
		if err != nil {
			t.Fatal(err)
		}
		return r.Commit
	}
	if keep("Ana") == 0 || keep("Ana") != 0 || keep("Ben") != 0 {
		t.Error("bytes that everybody may know of are kept once")
	}
	yard = "south"
	if keep("Cem") == 0 || keep("Cem") != 0 {
		t.Error("bytes that Cem may not know of are kept once more, and only once")
	}
	b.View(func(s *fleet.State) {
		name, _, own := s.Bay.Files[fleet.FileHash([]byte("a"))].KeptBy("Cem")
		if _, _, ben := s.Bay.Files[fleet.FileHash([]byte("a"))].KeptBy("Ben"); !own || name != "Cem.txt" || ben {
			t.Errorf("Cem kept it as %q (%v), Ben %v", name, own, ben)
		}
	})
}
