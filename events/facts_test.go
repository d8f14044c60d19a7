package events

import (
	"bytes"
	"encoding/json"
	"fmt"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"go.mongodb.org/mongo-driver/v2/bson"
	"pgregory.net/rapid"
)

// filled gives a fact of a kind with no field left at its zero value, so that a
// new kind or field is under test as soon as it exists.
func filled(t testing.TB, kind string) Fact {
	t.Helper()
	f := newFact(kind)
	seed := 0
	fill(t, reflect.ValueOf(f).Elem(), &seed)
	return f
}

func fill(t testing.TB, v reflect.Value, seed *int) {
	t.Helper()
	*seed++
	switch v.Kind() {
	case reflect.String:
		v.SetString(fmt.Sprintf("ü%d \"<&>\" \u2028", *seed))
	case reflect.Int, reflect.Int32, reflect.Int64:
		v.SetInt(-(1 << 30) - int64(*seed))
		if v.Kind() == reflect.Int64 {
			v.SetInt(1<<53 + int64(*seed)) // beyond what a float holds
		}
	case reflect.Uint8:
		v.SetUint(uint64(200 + *seed%50))
	case reflect.Float64:
		v.SetFloat(0.1 + float64(*seed))
	case reflect.Bool:
		v.SetBool(true)
	case reflect.Pointer:
		v.Set(reflect.New(v.Type().Elem()))
		fill(t, v.Elem(), seed)
	case reflect.Slice:
		v.Set(reflect.MakeSlice(v.Type(), 3, 3))
		for i := range 3 {
			fill(t, v.Index(i), seed)
		}
	case reflect.Struct:
		for i := range v.NumField() {
			fill(t, v.Field(i), seed)
		}
	default:
		t.Fatalf("a fact has a field of type %s: teach the test to fill it, and see that it always encodes to the same bytes", v.Type())
	}
}

var someTime = time.Date(2026, 5, 4, 9, 31, 12, 250e6, time.UTC)

func sealed(t testing.TB, head Head, facts ...Entry) *Commit {
	t.Helper()
	c, err := Seal(head, someTime, facts)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

func TestEveryKindComesBackFromBSONAndJSON(t *testing.T) {
	kinds := Kinds()
	slices.Sort(kinds)
	if len(kinds) == 0 {
		t.Fatal("no kinds")
	}
	for _, kind := range kinds {
		for _, c := range []struct {
			name string
			fact Fact
		}{{"filled", filled(t, kind)}, {"zero", newFact(kind)}} {
			t.Run(kind+" "+c.name, func(t *testing.T) {
				if c.fact.Kind() != kind {
					t.Errorf("the kind listed as %q calls itself %q", kind, c.fact.Kind())
				}
				at := someTime.In(time.FixedZone("", 7200)).Add(789 * time.Microsecond) // cut by the ledger
				want := sealed(t, Head{N: 41, Hash: Hash{9}}, Entry{At: at, By: "A. Person", Fact: c.fact})
				got, err := Decode(42, Encode(want))
				if err != nil {
					t.Fatal(err)
				}
				equalFact(t, "BSON", got, want)

				text, err := json.Marshal(want)
				if err != nil {
					t.Fatal(err)
				}
				var read Commit
				if err := json.Unmarshal(text, &read); err != nil {
					t.Fatalf("%v\n%s", err, text)
				}
				equalFact(t, "JSON", &read, want)
			})
		}
	}
}

func equalFact(t *testing.T, form string, got, want *Commit) {
	t.Helper()
	if got.N != want.N || got.Prev != want.Prev || got.Hash != want.Hash || !got.Recorded.Equal(want.Recorded) {
		t.Errorf("%s: commit came back as %+v, want %+v", form, got, want)
	}
	if !bytes.Equal(Encode(got), Encode(want)) {
		t.Errorf("%s: encodes to other bytes than before", form)
	}
	g, w := got.Facts[0], want.Facts[0]
	if !g.At.Equal(w.At.Truncate(time.Millisecond)) || g.At.Location() != time.UTC || g.By != w.By {
		t.Errorf("%s: at %v by %q, want %v by %q", form, g.At, g.By, w.At, w.By)
	}
	// An empty list and none are the same fact.
	if r, ok := g.Fact.(*MeterRead); ok && len(r.Counters) == 0 {
		r.Counters = nil
	}
	if !reflect.DeepEqual(g.Fact, w.Fact) {
		t.Errorf("%s: came back as %+v, want %+v", form, g.Fact, w.Fact)
	}
}

func TestEveryFactNamesItsRig(t *testing.T) {
	for _, kind := range Kinds() {
		f := filled(t, kind)
		want := ""
		if rig := reflect.ValueOf(f).Elem().FieldByName("Rig"); rig.IsValid() && !strings.HasPrefix(kind, "token.") && !strings.HasPrefix(kind, "calendar.") {
			want = rig.String()
		}
		if got := f.Subject(); got != want {
			t.Errorf("%s: subject %q, want the rig %q", kind, got, want)
		}
	}
}

// The same facts must always encode to the same bytes, or hashes would not hold:
// maps have no order, floats beside integers lose digits.
func TestNoFactHoldsAMap(t *testing.T) {
	var walk func(path string, of reflect.Type)
	walk = func(path string, of reflect.Type) {
		switch of.Kind() {
		case reflect.Map, reflect.Interface:
			t.Errorf("%s is a %s", path, of.Kind())
		case reflect.Pointer, reflect.Slice:
			walk(path, of.Elem())
		case reflect.Struct:
			names := map[string]bool{}
			for i := range of.NumField() {
				f := of.Field(i)
				for _, tag := range []string{"bson", "json"} {
					name, _, _ := strings.Cut(f.Tag.Get(tag), ",")
					if name == "" || name == "-" || names[tag+name] {
						t.Errorf("%s.%s: %s name %q is missing or used twice", path, f.Name, tag, name)
					}
					names[tag+name] = true
				}
				walk(path+"."+f.Name, f.Type)
			}
		}
	}
	for _, kind := range Kinds() {
		walk(kind, reflect.TypeOf(newFact(kind)))
	}
}

// The hand-written form of readings against the driver's own, for any reading
// that lists its counters.
func TestReadingsEncodeToTheBytesOfTheDriver(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		read := &MeterRead{Rig: rapid.String().Draw(t, "rig"), Event: rapid.String().Draw(t, "event"), Counters: []Counter{}}
		for range rapid.IntRange(0, 12).Draw(t, "counters") {
			read.Counters = append(read.Counters, Counter{Meter: rapid.String().Draw(t, "meter"), Value: rapid.Int64().Draw(t, "value")})
		}
		if rapid.Bool().Draw(t, "located") {
			read.Location = &Location{Latitude: rapid.Int64().Draw(t, "latitude"), Longitude: rapid.Int64().Draw(t, "longitude")}
		}
		want, err := bson.Marshal(bson.D{{Key: "f", Value: read}})
		if err != nil {
			t.Fatal(err)
		}
		got := read.appendTo(nil)
		if !bytes.Equal(got, want[4:len(want)-1]) {
			t.Fatalf("got  %x\nwant %x", got, want[4:len(want)-1])
		}
		var hand, driver MeterRead
		doc := bson.Raw(want).Lookup("f").Document()
		if err := hand.decode(doc); err != nil {
			t.Fatal(err)
		}
		if err := bson.Unmarshal(doc, &driver); err != nil {
			t.Fatal(err)
		}
		if !reflect.DeepEqual(hand, driver) || !reflect.DeepEqual(&hand, read) {
			t.Fatalf("decoded by hand %+v, by the driver %+v, want %+v", hand, driver, read)
		}
	})
}
