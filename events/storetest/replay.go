package storetest

import (
	"testing"
	"time"

	"go.mongodb.org/mongo-driver/v2/bson"

	"rigledger/events"
)

// Replay measures how fast a store gives back a ledger of commits of 200
// readings. The metrics set it against the same commits, already in memory, in
// the same run: "of-decode" against events.Decode with its check of the hash,
// "of-driver" against bson.Unmarshal into plain structs. 1 means as fast.
func Replay(b *testing.B, s events.Store, commits int) {
	const each = 200
	var head events.Head
	for i := range commits {
		head = Write(b, s, head, Readings("T01", i*each, each))[0].Head()
	}
	var docs []bson.Raw
	for _, c := range readAll(b, s, 1) {
		docs = append(docs, events.Encode(c))
	}
	for b.Loop() {
		facts := 0
		if err := s.Read(b.Context(), 1, func(c *events.Commit) error { facts += len(c.Facts); return nil }); err != nil {
			b.Fatal(err)
		}
		if facts != commits*each {
			b.Fatalf("%d facts came back, want %d", facts, commits*each)
		}
	}
	read := b.Elapsed()
	begin := time.Now()
	for range b.N {
		for i, doc := range docs {
			if _, err := events.Decode(uint64(i+1), doc); err != nil {
				b.Fatal(err)
			}
		}
	}
	decode := time.Since(begin)
	begin = time.Now()
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
	driver := time.Since(begin) * time.Duration(b.N)
	b.ReportMetric(float64(each*commits*b.N)/read.Seconds(), "facts/s")
	b.ReportMetric(float64(decode)/float64(read), "of-decode")
	b.ReportMetric(float64(driver)/float64(read), "of-driver")
}

// Appends measures commits of the given number of facts, each durable before the
// next is sealed.
func Appends(b *testing.B, s events.Store, facts int) {
	var head events.Head
	entries := Readings("T01", 0, facts)
	for b.Loop() {
		c := seal(b, head, entries)
		if err := s.Append(b.Context(), c); err != nil {
			b.Fatal(err)
		}
		head = c.Head()
	}
	b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "commits/s")
}
