package fleet_test

import (
	"context"
	"fmt"
	"path/filepath"
	"testing"
	"time"

	"go.mongodb.org/mongo-driver/v2/bson"

	"rigledger/events"
	"rigledger/fleet"
)

// BenchmarkReplay measures opening a fleet without a snapshot: reading, checking
// and folding a ledger of readings of two counters each, in commits of 200. "ratio" sets it against
// bson.Unmarshal of the same documents into plain structs, in the same run.
func BenchmarkReplay(b *testing.B) {
	const rigs, commits, each = 50, 500, 200
	bench := openBench(b, openSQLite(b, filepath.Join(b.TempDir(), "ledger.db")))
	for i := range rigs {
		r := trailed(fmt.Sprintf("R%02d", i))
		r.FirstUse = "2024-03-01"
		bench.must(r)
	}
	bench.Close()
	head := bench.Head()
	ctx := context.Background()
	start := day("2024-03-02")
	for n := range commits {
		facts := make([]events.Entry, each)
		for i := range facts {
			k := n*each + i
			rig, step := k%rigs, int64(k/rigs)
			facts[i] = events.Entry{At: start.Add(time.Duration(step) * time.Minute), By: fmt.Sprintf("rig:R%02d", rig), Fact: &events.MeterRead{
				Rig: fmt.Sprintf("R%02d", rig), Event: fmt.Sprintf("1:%d", step+1),
				Counters: []events.Counter{{Meter: "pump", Value: step * 54}, {Meter: "area", Value: step * 3100}},
			}}
		}
		c, err := events.Seal(head, start.Add(time.Duration(n)*time.Minute), facts)
		if err != nil {
			b.Fatal(err)
		}
		if err := bench.store.Append(ctx, c); err != nil {
			b.Fatal(err)
		}
		head = c.Head()
	}
	var docs []bson.Raw
	if err := bench.store.Read(ctx, 1, func(c *events.Commit) error {
		if c.N > head.N-commits {
			docs = append(docs, events.Encode(c))
		}
		return nil
	}); err != nil {
		b.Fatal(err)
	}
	var ours, bare time.Duration
	for b.Loop() {
		began := time.Now()
		f, err := fleet.Open(ctx, fleet.Options{Store: bench.store})
		if err != nil {
			b.Fatal(err)
		}
		ours += time.Since(began)
		f.Close()
		began = time.Now()
		for _, doc := range docs {
			var c struct {
				Facts []struct {
					Kind string           `bson:"k"`
					At   time.Time        `bson:"at"`
					By   string           `bson:"by"`
					Fact events.MeterRead `bson:"f"`
				} `bson:"facts"`
			}
			if err := bson.Unmarshal(doc, &c); err != nil || len(c.Facts) != each {
				b.Fatal(err)
			}
		}
		bare += time.Since(began)
	}
	b.ReportMetric(float64(b.N*commits*each)/ours.Seconds(), "facts/s")
	b.ReportMetric(float64(bare)/float64(ours), "ratio")
}
