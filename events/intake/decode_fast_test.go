package intake

import (
	"bytes"
	"math/rand/v2"
	"reflect"
	"strings"
	"testing"

	"rigledger/events"
)

// The fast reader may take only what the careful one takes, with the same
// result. Readings are damaged at random, by letters that mean something in
// JSON, in numbers and in times, so that many stay almost right.
func TestTheFastReaderTakesNothingTheCarefulOneRefuses(t *testing.T) {
	seeds := []string{good, "[" + good + "]", with("datacontenttype", `"application/json"`),
		with("data", `{"oldest":0,"counters":[{"meter":"a","value":-1.5e+3,"unit":"HUR"},{"unit":"H18","value":0,"meter":"b"}]}`),
		with("time", `"2026-05-04T09:31:12+02:00"`)}
	pieces := []string{"{", "}", "[", "]", ",", ":", `"`, `\`, " ", "\n", "0", "1", "9", ".", "-", "+", "e", "E", "T", "Z", "a", "\x00", "\x7f", "é", "\xff",
		"null", "true", `"id":"1"`, `"meter":"a"`, `"value":1`, "1e999", "urn:rig:T02"}
	random := rand.New(rand.NewPCG(7, 11))
	taken := 0
	for range 60_000 {
		text := []byte(seeds[random.IntN(len(seeds))])
		for range 1 + random.IntN(3) {
			at := random.IntN(len(text))
			piece := pieces[random.IntN(len(pieces))]
			cut := min(random.IntN(3), len(text)-at)
			text = append(text[:at:at], append([]byte(piece), text[at+cut:]...)...)
		}
		blank := events.Arrival{Via: "rig.T01.reading", Rig: "T01", Kind: events.KindReading, Time: events.Milli(received), Payload: text}
		d := decoders.New().(*decoder)
		fast, ok := d.fast(&blank, text)
		if !ok {
			continue
		}
		taken++
		if careful := d.careful(blank, text); !reflect.DeepEqual(fast, careful) {
			t.Fatalf("%s\nfast    %+v\ncareful %+v", text, fast, careful)
		}
	}
	t.Logf("%d of 60000 damaged readings were still taken", taken)
	if taken < 1000 {
		t.Error("too few were taken: this test shows little")
	}
}

func TestAnOrdinaryReadingTakesTheFastWay(t *testing.T) {
	spaced := strings.NewReplacer(",", " , ", ":{", " : {").Replace(good)
	for _, text := range [][]byte{reading("T01", "3:18231", 1256.05), []byte("[" + good + ",\n" + good + "]"), []byte(spaced)} {
		blank := events.Arrival{Rig: "T01", Kind: events.KindReading}
		if _, ok := decoders.New().(*decoder).fast(&blank, bytes.Clone(text)); !ok {
			t.Errorf("%s is read the slow way", text)
		}
	}
}
