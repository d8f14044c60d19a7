package events

import (
	"testing"
	"time"

	"go.mongodb.org/mongo-driver/v2/bson"
)

// bare is a commit of readings as the driver alone would decode it.
type bare struct {
	N     int64     `bson:"_id"`
	At    time.Time `bson:"at"`
	Prev  []byte    `bson:"prev"`
	Hash  []byte    `bson:"hash"`
	Facts []struct {
		Kind string    `bson:"k"`
		At   time.Time `bson:"at"`
		By   string    `bson:"by"`
		Fact MeterRead `bson:"f"`
	} `bson:"facts"`
}

// BenchmarkDecode decodes a commit of 200 readings, hash and all. The metric
// "ratio" is its speed over that of bson.Unmarshal into a plain struct in the
// same run: 2 means twice as fast.
func BenchmarkDecode(b *testing.B) {
	const facts = 200
	doc := Encode(sealed(b, Head{}, readings(facts)...))
	b.SetBytes(int64(len(doc)))
	b.ReportAllocs()
	for b.Loop() {
		if _, err := Decode(1, doc); err != nil {
			b.Fatal(err)
		}
	}
	ours := b.Elapsed()
	begin := time.Now()
	for range b.N {
		var c bare
		if err := bson.Unmarshal(doc, &c); err != nil || len(c.Facts) != facts {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(time.Since(begin))/float64(ours), "ratio")
	b.ReportMetric(float64(facts*b.N)/ours.Seconds(), "facts/s")
}

func BenchmarkSeal(b *testing.B) {
	facts := readings(200)
	b.ReportAllocs()
	for b.Loop() {
		if _, err := Seal(Head{}, someTime, facts); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(200*b.N)/b.Elapsed().Seconds(), "facts/s")
}
