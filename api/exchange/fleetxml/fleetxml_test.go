package fleetxml_test

import (
	"bytes"
	"encoding/xml"
	"errors"
	"fmt"
	"math"
	"reflect"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"rigledger/api/exchange/fleetxml"
)

var noon = time.Date(2026, 5, 4, 12, 0, 0, 0, time.UTC)

// foreign is a document as another sender may write it: another namespace with a prefix, dateTime, an ISO 8601
// duration, miles, links as attributes, elements we do not know.
const foreign = `<?xml version="1.0" encoding="utf-8"?>
<t:Fleet xmlns:t="http://standards.iso.org/iso/15143/-3/2019" version="1" snapshotTime="2026-05-04T14:00:00+02:00">
 <t:Links rel="next" href="https://farm.example/Fleet/2"/>
 <t:Equipment>
  <t:EquipmentHeader><t:OEMName>Invented</t:OEMName><t:EquipmentID> S07 </t:EquipmentID><t:SerialNumber>77</t:SerialNumber></t:EquipmentHeader>
  <t:CumulativeOperatingHours dateTime="2026-05-04T11:59:59.5Z"><t:Hour>P52DT8H3M</t:Hour></t:CumulativeOperatingHours>
  <t:Distance datetime="2026-05-04T12:00:00Z"><t:OdometerUnits>mile</t:OdometerUnits><t:Odometer>100</t:Odometer></t:Distance>
  <t:FuelUsed datetime="2026-05-04T12:00:00Z"><t:FuelUnits>litre</t:FuelUnits></t:FuelUsed>
  <t:Location datetime="2026-05-04T12:00:00Z"><t:Latitude>52.5</t:Latitude><t:Longitude>-1.25</t:Longitude></t:Location>
 </t:Equipment>
</t:Fleet>`

func TestAForeignDocumentIsRead(t *testing.T) {
	s, p, err := fleetxml.Read(strings.NewReader(foreign))
	if err != nil || len(p) > 0 {
		t.Fatalf("%v, problems %v", err, p)
	}
	if !s.Time.Equal(noon) || len(s.Equipment) != 1 || len(s.Links) != 1 || s.Links[0] != (fleetxml.Link{Rel: "next", Href: "https://farm.example/Fleet/2"}) {
		t.Fatalf("got %+v", s)
	}
	e := s.Equipment[0]
	// 52 d + 8 h + 3 min = 52·86,400 + 28,800 + 180 = 4,521,780 s. 100 miles = 160,934.4 m → 160,934.
	if e.Header.EquipmentID != "S07" || e.OperatingHours.Seconds != 4_521_780 || e.Distance.Metres != 160_934 {
		t.Errorf("got %+v, %+v, %+v", e.Header, e.OperatingHours, e.Distance)
	}
	if e.Location.Lat != 52.5 || e.Location.Lon != -1.25 {
		t.Errorf("location %+v", e.Location)
	}
}

func TestValuesByHand(t *testing.T) {
	for _, c := range []struct {
		hour string
		want int64 // seconds; −1: a problem
	}{
		{"1256.05", 4_521_780}, {"0", 0}, {"0.0001", 0}, {"0.00014", 1}, {"1e2", 360_000}, {"1.25605E3", 4_521_780},
		{"PT1256H3M", 4_521_780}, {"PT1.5H", 5400}, {"PT0,5S", 1}, {"P1W", 604_800}, {"P1DT1S", 86_401}, {"PT36H", 129_600},
		{"P1Y", -1}, {"P2M", -1}, {"P", -1}, {"PT", -1}, {"P1H", -1}, {"PT1M1H", -1}, {"PT1H1H", -1}, {"PT-1H", -1}, {"P1", -1},
		{"", -1}, {"-1", -1}, {"NaN", -1}, {"Inf", -1}, {"1/2", -1}, {"0x10", -1}, {"1e999999999", -1}, {"1_000", -1}, {strings.Repeat("9", 30), -1},
	} {
		doc := `<Fleet><Equipment><EquipmentHeader><EquipmentID>S07</EquipmentID></EquipmentHeader>` +
			`<CumulativeOperatingHours datetime="2026-05-04T12:00:00Z"><Hour>` + c.hour + `</Hour></CumulativeOperatingHours></Equipment></Fleet>`
		s, p, err := fleetxml.Read(strings.NewReader(doc))
		if err != nil {
			t.Fatal(err)
		}
		got := s.Equipment[0].OperatingHours
		if (c.hour == "P1Y" || c.hour == "P2M") && !strings.Contains(p[0].Why, "no fixed length") {
			t.Errorf("%q: %v", c.hour, p)
		}
		switch {
		case c.want < 0 && (got != nil || len(p) != 1 || p[0].Equipment != "S07" || p[0].Field != "CumulativeOperatingHours"):
			t.Errorf("%q: got %+v, problems %v", c.hour, got, p)
		case c.want >= 0 && (got == nil || got.Seconds != c.want || len(p) > 0):
			t.Errorf("%q: got %+v, problems %v, want %d s", c.hour, got, p, c.want)
		}
	}
}

func TestProblemsLeaveTheRest(t *testing.T) {
	doc := `<Fleet snapshotTime="yesterday"><Equipment>
	<CumulativeIdleHours><Hour>5</Hour></CumulativeIdleHours>
	<Distance datetime="2026-05-04T12:00:00Z"><OdometerUnits>furlong</OdometerUnits><Odometer>1</Odometer></Distance>
	<Location datetime="2026-05-04T12:00:00Z"><Latitude>91</Latitude><Longitude>0</Longitude></Location>
	<CumulativeOperatingHours datetime="2026-05-04T12:00:00Z"><Hour>1</Hour></CumulativeOperatingHours>
	<CumulativeOperatingHours datetime="2026-05-04T12:00:00Z"><Hour>2</Hour></CumulativeOperatingHours>
	</Equipment></Fleet>`
	s, p, err := fleetxml.Read(strings.NewReader(doc))
	if err != nil {
		t.Fatal(err)
	}
	var fields []string
	for _, x := range p {
		fields = append(fields, x.Field)
	}
	want := []string{"snapshotTime", "EquipmentHeader", "CumulativeIdleHours", "Distance", "Location", "CumulativeOperatingHours"}
	if !reflect.DeepEqual(fields, want) {
		t.Errorf("problems %v, want %v", p, want)
	}
	if got := s.Equipment[0].OperatingHours; got == nil || got.Seconds != 3600 {
		t.Errorf("got %+v", got)
	}
}

func TestDocumentsThatAreNone(t *testing.T) {
	for name, doc := range map[string]string{
		"empty": "", "another root": "<Farm/>", "cut off": "<Fleet><Equipment>", "a document type": "<!DOCTYPE Fleet><Fleet/>",
		"an entity from outside": `<!DOCTYPE Fleet [<!ENTITY x SYSTEM "file:///etc/hostname">]><Fleet version="&x;"/>`,
		"too deep":               "<Fleet>" + strings.Repeat("<a>", 20) + strings.Repeat("</a>", 20) + "</Fleet>",
		"a huge attribute":       `<Fleet version="` + strings.Repeat("x", 70_000) + `"/>`,
		"something after it":     "<Fleet/><Fleet/>",
	} {
		t.Run(name, func(t *testing.T) {
			if _, _, err := fleetxml.Read(strings.NewReader(doc)); !errors.Is(err, fleetxml.ErrNotFleet) {
				t.Errorf("snapshot: %v", err)
			}
			if _, _, err := fleetxml.ReadSeries(strings.NewReader(strings.ReplaceAll(doc, "Fleet", "DistanceMessages"))); name != "another root" && !errors.Is(err, fleetxml.ErrNotFleet) {
				t.Errorf("series: %v", err)
			}
		})
	}
}

// TestWhatIsWritten reads the output with the standard library's decoder and structs of the test's own, by
// namespace: not with our reader.
func TestWhatIsWritten(t *testing.T) {
	var b bytes.Buffer
	err := fleetxml.Write(&b, fleetxml.Snapshot{Time: noon.In(time.FixedZone("", 7200)), Links: []fleetxml.Link{{Rel: "self", Href: "/Fleet/1?a=1&b=2"}},
		Equipment: []fleetxml.Equipment{{Header: fleetxml.Header{EquipmentID: `S<07>"&ü`},
			OperatingHours: &fleetxml.Hours{At: noon, Seconds: 4_521_780}, Area: &fleetxml.Area{At: noon, SquareMetres: 56_178_001},
			Distance: &fleetxml.Distance{At: noon, Metres: 1_234_567}}}})
	if err != nil {
		t.Fatal(err)
	}
	var got struct {
		XMLName xml.Name `xml:"http://standards.iso.org/iso/15143/-3 Fleet"`
		Time    string   `xml:"snapshotTime,attr"`
		Links   []struct {
			Rel  string `xml:"rel"`
			Href string `xml:"href"`
		} `xml:"Links"`
		Equipment []struct {
			ID    string `xml:"EquipmentHeader>EquipmentID"`
			Hours struct {
				At   string `xml:"datetime,attr"`
				Hour string `xml:"http://standards.iso.org/iso/15143/-3 Hour"`
			} `xml:"CumulativeOperatingHours"`
			Idle *struct{} `xml:"CumulativeIdleHours"`
			Area struct {
				Hectare string `xml:"urn:rigledger:fleet:1 Hectare"`
			} `xml:"urn:rigledger:fleet:1 CumulativeArea"`
			Distance struct{ OdometerUnits, Odometer string }
		} `xml:"http://standards.iso.org/iso/15143/-3 Equipment"`
	}
	if err := xml.Unmarshal(b.Bytes(), &got); err != nil {
		t.Fatal(err)
	}
	if len(got.Equipment) != 1 || got.Time != "2026-05-04T12:00:00Z" || got.Links[0].Href != "/Fleet/1?a=1&b=2" {
		t.Fatalf("got %+v", got)
	}
	e := got.Equipment[0]
	if e.ID != `S<07>"&ü` || e.Hours.Hour != "1256.0500" || e.Hours.At != "2026-05-04T12:00:00Z" || e.Idle != nil ||
		e.Area.Hectare != "5617.8001" || e.Distance.Odometer != "1234.567" || e.Distance.OdometerUnits != "kilometre" {
		t.Errorf("got %+v\n%s", e, b.String())
	}
}

func TestWhatCannotBeWritten(t *testing.T) {
	one := func(e fleetxml.Equipment) fleetxml.Snapshot {
		return fleetxml.Snapshot{Equipment: []fleetxml.Equipment{e}}
	}
	for name, s := range map[string]fleetxml.Snapshot{
		"a negative count":          one(fleetxml.Equipment{OperatingHours: &fleetxml.Hours{At: noon, Seconds: -1}}),
		"a place off the globe":     one(fleetxml.Equipment{Location: &fleetxml.Location{At: noon, Lat: 0, Lon: 181}}),
		"a place that is no number": one(fleetxml.Equipment{Location: &fleetxml.Location{At: noon, Lat: math.NaN()}}),
	} {
		if err := fleetxml.Write(&bytes.Buffer{}, s); err == nil {
			t.Errorf("%s was written", name)
		}
	}
	if err := fleetxml.WriteSeries(&bytes.Buffer{}, fleetxml.Series{Element: "FuelUsed"}); err == nil {
		t.Error("an unknown series was written")
	}
}

func TestPages(t *testing.T) {
	list := make([]int, 250)
	for i := range list {
		list[i] = i
	}
	href := func(n int) string { return fmt.Sprintf("/Fleet/%d", n) }
	if n := fleetxml.PageCount(250); n != 3 {
		t.Fatalf("250 machines are %d pages", n)
	}
	last, ok := fleetxml.PageOf(list, 3)
	if !ok || len(last) != 50 || last[0] != 200 {
		t.Errorf("page 3: %v", last)
	}
	for _, n := range []int{0, 4, -1} {
		if _, ok := fleetxml.PageOf(list, n); ok {
			t.Errorf("there is a page %d", n)
		}
	}
	if page, ok := fleetxml.PageOf([]int(nil), 1); !ok || len(page) != 0 {
		t.Error("an empty fleet has one empty page")
	}
	want := []fleetxml.Link{{Rel: "self", Href: "/Fleet/2"}, {Rel: "prev", Href: "/Fleet/1"}, {Rel: "next", Href: "/Fleet/3"}, {Rel: "last", Href: "/Fleet/3"}}
	if got := fleetxml.PageLinks(2, 3, href); !reflect.DeepEqual(got, want) {
		t.Errorf("got %v", got)
	}
	if got := fleetxml.PageLinks(1, 1, href); len(got) != 2 {
		t.Errorf("got %v", got)
	}
}

// Generators: whole seconds, names without the characters XML cannot carry and without space at the ends.

func aTime() *rapid.Generator[time.Time] {
	return rapid.Custom(func(t *rapid.T) time.Time {
		return time.Unix(rapid.Int64Range(0, 4_102_444_800).Draw(t, "unix"), 0).UTC()
	})
}

func aName() *rapid.Generator[string] {
	return rapid.StringMatching(`([A-Za-z0-9äß漢😀<>&"'\]]{1,20})?`)
}

func count() *rapid.Generator[int64] { return rapid.Int64Range(0, 1e15) }

func maybe[T any](g *rapid.Generator[T]) *rapid.Generator[*T] {
	return rapid.Custom(func(t *rapid.T) *T {
		if rapid.Bool().Draw(t, "none") {
			return nil
		}
		v := g.Draw(t, "some")
		return &v
	})
}

func someHours() *rapid.Generator[fleetxml.Hours] {
	return rapid.Custom(func(t *rapid.T) fleetxml.Hours {
		return fleetxml.Hours{At: aTime().Draw(t, "at"), Seconds: count().Draw(t, "s")}
	})
}
func someDistance() *rapid.Generator[fleetxml.Distance] {
	return rapid.Custom(func(t *rapid.T) fleetxml.Distance {
		return fleetxml.Distance{At: aTime().Draw(t, "at"), Metres: count().Draw(t, "m")}
	})
}
func someArea() *rapid.Generator[fleetxml.Area] {
	return rapid.Custom(func(t *rapid.T) fleetxml.Area {
		return fleetxml.Area{At: aTime().Draw(t, "at"), SquareMetres: count().Draw(t, "m²")}
	})
}
func somePlace() *rapid.Generator[fleetxml.Location] {
	return rapid.Custom(func(t *rapid.T) fleetxml.Location {
		lat, lon := rapid.IntRange(-900_000_000, 900_000_000).Draw(t, "lat"), rapid.IntRange(-1_800_000_000, 1_800_000_000).Draw(t, "lon")
		return fleetxml.Location{At: aTime().Draw(t, "at"), Lat: float64(lat) / 1e7, Lon: float64(lon) / 1e7}
	})
}

func someHeader() *rapid.Generator[fleetxml.Header] {
	return rapid.Custom(func(t *rapid.T) fleetxml.Header {
		h := fleetxml.Header{OEMName: aName().Draw(t, "oem"), Model: aName().Draw(t, "model"), EquipmentID: "S" + aName().Draw(t, "id"),
			SerialNumber: aName().Draw(t, "serial"), PIN: aName().Draw(t, "pin")}
		if rapid.Bool().Draw(t, "installed") {
			h.UnitInstalled = aTime().Draw(t, "at")
		}
		return h
	})
}

func TestASnapshotComesBackAsItWas(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		want := fleetxml.Snapshot{Version: "1", Time: aTime().Draw(t, "time"),
			Links: fleetxml.PageLinks(2, 3, func(n int) string { return fmt.Sprintf("/Fleet/%d?x=%s", n, "a&b") })}
		for range rapid.IntRange(0, 4).Draw(t, "n") {
			want.Equipment = append(want.Equipment, fleetxml.Equipment{Header: someHeader().Draw(t, "header"),
				Location: maybe(somePlace()).Draw(t, "place"), OperatingHours: maybe(someHours()).Draw(t, "hours"), PTOHours: maybe(someHours()).Draw(t, "pto"),
				IdleHours: maybe(someHours()).Draw(t, "idle"), Distance: maybe(someDistance()).Draw(t, "distance"), Area: maybe(someArea()).Draw(t, "area")})
		}
		var b bytes.Buffer
		if err := fleetxml.Write(&b, want); err != nil {
			t.Fatal(err)
		}
		got, p, err := fleetxml.Read(&b)
		if err != nil || len(p) > 0 || !reflect.DeepEqual(got, want) {
			t.Fatalf("%v, %v\n got %+v\nwant %+v", err, p, got, want)
		}
	})
}

func TestASeriesComesBackAsItWas(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		want := fleetxml.Series{Version: "1", Time: aTime().Draw(t, "time"), Header: someHeader().Draw(t, "header"),
			Element: rapid.SampledFrom([]fleetxml.Element{fleetxml.OperatingHours, fleetxml.PTOHours, fleetxml.IdleHours, fleetxml.Odometer, fleetxml.Places, fleetxml.Hectares}).Draw(t, "element")}
		for range rapid.IntRange(0, 5).Draw(t, "n") {
			switch want.Element {
			case fleetxml.Odometer:
				want.Distances = append(want.Distances, someDistance().Draw(t, "d"))
			case fleetxml.Places:
				want.Locations = append(want.Locations, somePlace().Draw(t, "l"))
			case fleetxml.Hectares:
				want.Areas = append(want.Areas, someArea().Draw(t, "a"))
			default:
				want.Hours = append(want.Hours, someHours().Draw(t, "h"))
			}
		}
		var b bytes.Buffer
		if err := fleetxml.WriteSeries(&b, want); err != nil {
			t.Fatal(err)
		}
		got, p, err := fleetxml.ReadSeries(&b)
		if err != nil || len(p) > 0 || !reflect.DeepEqual(got, want) {
			t.Fatalf("%v, %v\n got %+v\nwant %+v", err, p, got, want)
		}
	})
}

// FuzzRead: whatever can be read can be written, and reads the same again.
func FuzzRead(f *testing.F) {
	f.Add([]byte(foreign))
	var b bytes.Buffer
	fleetxml.Write(&b, fleetxml.Snapshot{Time: noon, Equipment: []fleetxml.Equipment{{Area: &fleetxml.Area{At: noon, SquareMetres: 5}}}})
	f.Add(b.Bytes())
	f.Add([]byte(`<DistanceMessages><Distance datetime="2026-05-04T12:00:00Z"><OdometerUnits>km</OdometerUnits><Odometer>7</Odometer></Distance></DistanceMessages>`))
	f.Fuzz(func(t *testing.T, doc []byte) {
		if s, _, err := fleetxml.Read(bytes.NewReader(doc)); err == nil {
			var b bytes.Buffer
			if err := fleetxml.Write(&b, s); err != nil {
				t.Fatal(err)
			}
			again, p, err := fleetxml.Read(&b)
			if err != nil || len(again.Equipment) != len(s.Equipment) {
				t.Fatalf("%v, %v", err, p)
			}
			for i, e := range s.Equipment {
				a := again.Equipment[i]
				if (e.OperatingHours == nil) != (a.OperatingHours == nil) || e.OperatingHours != nil && e.OperatingHours.Seconds != a.OperatingHours.Seconds {
					t.Fatalf("hours %+v became %+v", e.OperatingHours, a.OperatingHours)
				}
				if (e.Location == nil) != (a.Location == nil) || e.Location != nil && *e.Location != (fleetxml.Location{At: e.Location.At, Lat: a.Location.Lat, Lon: a.Location.Lon}) {
					t.Fatalf("place %+v became %+v", e.Location, a.Location)
				}
				if (e.Distance == nil) != (a.Distance == nil) || e.Distance != nil && e.Distance.Metres != a.Distance.Metres {
					t.Fatalf("distance %+v became %+v", e.Distance, a.Distance)
				}
			}
		}
		if s, _, err := fleetxml.ReadSeries(bytes.NewReader(doc)); err == nil {
			if err := fleetxml.WriteSeries(&bytes.Buffer{}, s); err != nil {
				t.Fatal(err)
			}
		}
	})
}
