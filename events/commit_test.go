package events

import (
	"bytes"
	"crypto/sha256"
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"testing"
	"time"

	"go.mongodb.org/mongo-driver/v2/bson"
)

func reading(n int) Entry {
	return Entry{At: someTime.Add(time.Duration(n) * time.Second), By: "rig:T01", Fact: &MeterRead{
		Rig: "T01", Event: fmt.Sprintf("3:%d", n),
		Counters: []Counter{{Meter: "pump", Value: 4_521_780 + int64(n)}, {Meter: "area", Value: 56_178_000}},
	}}
}

func readings(count int) []Entry {
	facts := make([]Entry, count)
	for i := range facts {
		facts[i] = reading(i)
	}
	return facts
}

func payload(size int) Entry {
	return Entry{At: someTime, By: "api", Fact: &ReadingQuarantined{Payload: make([]byte, size)}}
}

func TestSealKeepsItsBounds(t *testing.T) {
	rest := len(sealed(t, Head{}, payload(0)).body)
	for _, c := range []struct {
		name  string
		facts []Entry
		fault string
	}{
		{"no facts", nil, "no facts"},
		{"one fact", readings(1), ""},
		{"as many facts as may be", readings(MaxFacts), ""},
		{"one fact more", readings(MaxFacts + 1), "513 facts, at most 512"},
		{"much below the bound of bytes", []Entry{payload(1000)}, ""},
		{"a fact that is missing", []Entry{reading(1), {At: someTime, By: "api"}}, "fact 1 is missing"},
		{"more bytes than may be", []Entry{payload(MaxCommitBytes)}, "at most 4194304"},
	} {
		t.Run(c.name, func(t *testing.T) {
			got, err := Seal(Head{N: 7}, someTime, c.facts)
			if c.fault == "" {
				if err != nil || got.N != 8 || len(got.Facts) != len(c.facts) {
					t.Errorf("got %v, %v", got, err)
				}
				return
			}
			if err == nil || !strings.Contains(err.Error(), c.fault) || !strings.Contains(err.Error(), "commit 8") {
				t.Errorf("got error %v, want commit 8 and %q", err, c.fault)
			}
		})
	}
	// The bound itself, to the byte. A filled payload has an element of its own.
	one := len(sealed(t, Head{}, payload(1)).body)
	most := MaxCommitBytes - one + 1
	if c := sealed(t, Head{}, payload(most)); len(c.body) != MaxCommitBytes {
		t.Fatalf("%d bytes, want %d (without payload %d)", len(c.body), MaxCommitBytes, rest)
	}
	if _, err := Seal(Head{}, someTime, []Entry{payload(most + 1)}); err == nil {
		t.Error("one byte more was sealed")
	}
}

// The hash by the words of the documentation, with the driver's own encoder: SHA-256
// over number, time, hash before (all big-endian), and the array of facts.
func TestTheHashIsWhatItsDocumentationSays(t *testing.T) {
	facts := readings(12)
	for _, kind := range Kinds() {
		facts = append(facts, Entry{At: someTime, By: "ö", Fact: filled(t, kind)})
	}
	head := Head{N: 1 << 40, Hash: sha256.Sum256([]byte("before"))}
	c, err := Seal(head, someTime.Add(999*time.Microsecond), facts)
	if err != nil {
		t.Fatal(err)
	}
	list := bson.A{}
	for _, e := range facts {
		list = append(list, bson.D{{Key: "k", Value: e.Fact.Kind()}, {Key: "at", Value: e.At}, {Key: "by", Value: e.By}, {Key: "f", Value: e.Fact}})
	}
	doc, err := bson.Marshal(bson.D{{Key: "_id", Value: int64(c.N)}, {Key: "at", Value: someTime},
		{Key: "prev", Value: head.Hash[:]}, {Key: "hash", Value: c.Hash[:]}, {Key: "facts", Value: list}})
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(Encode(c), doc) {
		t.Error("Encode gives other bytes than the driver for the same document")
	}
	sum := sha256.New()
	binary.Write(sum, binary.BigEndian, uint64(1<<40+1))
	binary.Write(sum, binary.BigEndian, someTime.UnixMilli())
	sum.Write(head.Hash[:])
	sum.Write(bson.Raw(doc).Lookup("facts").Value)
	if !bytes.Equal(sum.Sum(nil), c.Hash[:]) {
		t.Errorf("hash %s, want %x", c.Hash, sum.Sum(nil))
	}
	if c.Prev != head.Hash || c.N != head.N+1 || c.Head() != (Head{N: c.N, Hash: c.Hash}) {
		t.Errorf("commit %d after %d: prev %s", c.N, head.N, c.Prev)
	}
}

func TestTheHashCoversEverything(t *testing.T) {
	base := func() (Head, time.Time, []Entry) { return Head{N: 4, Hash: Hash{1}}, someTime, readings(2) }
	seen := map[Hash]string{}
	for _, c := range []struct {
		name   string
		change func(*Head, *time.Time, []Entry)
	}{
		{"nothing changed", func(*Head, *time.Time, []Entry) {}},
		{"another number", func(h *Head, _ *time.Time, _ []Entry) { h.N++ }},
		{"another commit before", func(h *Head, _ *time.Time, _ []Entry) { h.Hash[31] ^= 1 }},
		{"another time recorded", func(_ *Head, at *time.Time, _ []Entry) { *at = at.Add(time.Millisecond) }},
		{"another time of a fact", func(_ *Head, _ *time.Time, f []Entry) { f[1].At = f[1].At.Add(time.Millisecond) }},
		{"another witness", func(_ *Head, _ *time.Time, f []Entry) { f[1].By = "rig:T02" }},
		{"another value", func(_ *Head, _ *time.Time, f []Entry) { f[1].Fact.(*MeterRead).Counters[1].Value++ }},
		{"another order", func(_ *Head, _ *time.Time, f []Entry) { f[0], f[1] = f[1], f[0] }},
	} {
		h, at, facts := base()
		c.change(&h, &at, facts)
		got, err := Seal(h, at, facts)
		if err != nil {
			t.Fatal(err)
		}
		if other, twice := seen[got.Hash]; twice {
			t.Errorf("%s and %s give the same hash", c.name, other)
		}
		seen[got.Hash] = c.name
	}
	h, at, facts := base()
	again, err := Seal(h, at.Add(100*time.Microsecond), facts)
	if err != nil || seen[again.Hash] != "nothing changed" {
		t.Errorf("the same commit, sealed within the same millisecond, has another hash: %v", err)
	}
}

func TestAnExportThatWasChangedIsRefused(t *testing.T) {
	text, err := json.Marshal(sealed(t, Head{}, reading(1)))
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct{ name, from, to string }{
		{"a value", "4521781", "4521782"},
		{"a witness", "rig:T01", "rig:T02"},
		{"the number", `"commit":1`, `"commit":2`},
		{"the time", "09:31:12.25Z", "09:31:12.26Z"},
		{"the kind", "meter.read", "meter.guessed"},
		{"a short hash", `"hash":"`, `"hash":"00`},
		{"no facts", `"facts":[{`, `"facts":[],"was":[{`},
		{"a fact that is null", `"facts":[{`, `"facts":[null,{`},
	} {
		t.Run(c.name, func(t *testing.T) {
			changed := strings.Replace(string(text), c.from, c.to, 1)
			if changed == string(text) {
				t.Fatalf("%q is not in %s", c.from, text)
			}
			if err := json.Unmarshal([]byte(changed), new(Commit)); err == nil {
				t.Errorf("it was read: %s", changed)
			}
		})
	}
}

func TestADamagedCommitSaysItsNumber(t *testing.T) {
	c := sealed(t, Head{N: 6}, readings(3)...)
	doc := Encode(c)
	for i := range doc { // every single bit of damage to the document is seen
		for bit := range 8 {
			bad := bytes.Clone(doc)
			bad[i] ^= 1 << bit
			got, err := Decode(7, bad)
			if err == nil {
				// Not covered by the hash: names and subtypes of the envelope. What
				// they carried must then be the same.
				if !bytes.Equal(Encode(got), doc) {
					t.Fatalf("byte %d bit %d: damage went unseen", i, bit)
				}
				continue
			}
			var d *DamagedError
			if !errors.As(err, &d) || d.N != 7 || !errors.Is(err, ErrDamaged) {
				t.Fatalf("byte %d bit %d: got %v, want a DamagedError of commit 7", i, bit, err)
			}
		}
	}
	if _, err := Decode(8, doc); err == nil {
		t.Error("commit 7 was read as commit 8")
	}
	for cut := range doc {
		if _, err := Decode(7, doc[:cut]); err == nil {
			t.Errorf("cut to %d bytes it was still read", cut)
		}
	}
}

func TestParseSequence(t *testing.T) {
	for _, c := range []struct {
		id        string
		boot, seq int64
		ok        bool
	}{
		{"3:18231", 3, 18231, true},
		{"0:0", 0, 0, true},
		{"007:010", 7, 10, true},
		{"999999999999999999:999999999999999999", 999999999999999999, 999999999999999999, true},
		{"1000000000000000000:1", 0, 0, false}, // 19 digits
		{"1:9223372036854775808", 0, 0, false},
		{"", 0, 0, false},
		{":", 0, 0, false},
		{"3:", 0, 0, false},
		{":5", 0, 0, false},
		{"3", 0, 0, false},
		{"3:4:5", 0, 0, false},
		{"-3:4", 0, 0, false},
		{"3:-4", 0, 0, false},
		{"+3:4", 0, 0, false},
		{" 3:4", 0, 0, false},
		{"3:4 ", 0, 0, false},
		{"3_0:4", 0, 0, false},
		{"0x3:4", 0, 0, false},
		{"3.0:4", 0, 0, false},
		{"٣:٤", 0, 0, false},
		{"01JTCW5Q9ZK8S0Y4T3Z9W2M6QH", 0, 0, false},
	} {
		boot, seq, ok := ParseSequence(c.id)
		if boot != c.boot || seq != c.seq || ok != c.ok {
			t.Errorf("ParseSequence(%q) = %d, %d, %v; want %d, %d, %v", c.id, boot, seq, ok, c.boot, c.seq, c.ok)
		}
	}
}
