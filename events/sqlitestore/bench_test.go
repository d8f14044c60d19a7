package sqlitestore_test

import (
	"path/filepath"
	"slices"
	"testing"
	"time"

	"rigledger/events"
	"rigledger/events/storetest"
)

func BenchmarkReplay(b *testing.B) {
	s := open(b, filepath.Join(b.TempDir(), "ledger.db"))
	defer s.Close()
	storetest.Replay(b, s, 1000)
}

func BenchmarkAppend200(b *testing.B) {
	s := open(b, filepath.Join(b.TempDir(), "ledger.db"))
	defer s.Close()
	storetest.Appends(b, s, 200)
}

func BenchmarkAppend1(b *testing.B) {
	s := open(b, filepath.Join(b.TempDir(), "ledger.db"))
	defer s.Close()
	storetest.Appends(b, s, 1)
}

func BenchmarkNewest(b *testing.B) {
	s := open(b, filepath.Join(b.TempDir(), "ledger.db"))
	defer s.Close()
	storetest.Write(b, s, events.Head{}, storetest.Readings("T01", 0, 1))
	for b.Loop() {
		if _, err := s.Newest(b.Context()); err != nil {
			b.Fatal(err)
		}
	}
}

// BenchmarkAppendWhileASnapshotIsSaved gives the slowest of the appends that
// meet a snapshot of 20 MB under way.
func BenchmarkAppendWhileASnapshotIsSaved(b *testing.B) {
	s := open(b, filepath.Join(b.TempDir(), "ledger.db"))
	defer s.Close()
	body := make([]byte, 20<<20)
	var head events.Head
	var worst, save time.Duration
	for b.Loop() {
		saved := make(chan error, 1)
		begin := time.Now()
		go func() { saved <- s.SaveSnapshot(b.Context(), events.Snapshot{Head: head, Body: body}) }()
		var took []time.Duration
		for done := false; !done; {
			at := time.Now()
			head = storetest.Write(b, s, head, storetest.Readings("T01", 0, 200))[0].Head()
			took = append(took, time.Since(at))
			select {
			case err := <-saved:
				if err != nil {
					b.Fatal(err)
				}
				save = max(save, time.Since(begin))
				done = true
			default:
			}
		}
		worst = max(worst, slices.Max(took))
	}
	b.ReportMetric(float64(worst.Milliseconds()), "ms-worst-append")
	b.ReportMetric(float64(save.Milliseconds()), "ms-longest-save")
}
