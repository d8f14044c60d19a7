package geojson_test

import (
	"bytes"
	"encoding/json"
	"errors"
	"math"
	"strings"
	"testing"
	"time"

	"rigledger/api/exchange/geojson"
)

func TestPlacesAreWrittenLongitudeFirst(t *testing.T) {
	var b bytes.Buffer
	err := geojson.Write(&b, []geojson.Place{
		{Rig: "S09", Lat: -0.0000001, Lon: 180, At: time.Date(2026, 5, 4, 14, 0, 0, 0, time.FixedZone("", 7200))},
		{Rig: `S"07`, Lat: 52.12345678, Lon: -10.5, At: time.Date(2026, 5, 4, 12, 0, 0, 0, time.UTC)}})
	if err != nil {
		t.Fatal(err)
	}
	// RFC 7946 sections 3.1.1 (longitude, latitude), 3.1.2, 3.2 (id, geometry, properties) and 3.3, by hand.
	want := `{"type":"FeatureCollection","features":[` +
		`{"type":"Feature","id":"S\"07","geometry":{"type":"Point","coordinates":[-10.5,52.123457]},"properties":{"rig":"S\"07","at":"2026-05-04T12:00:00Z"}},` +
		`{"type":"Feature","id":"S09","geometry":{"type":"Point","coordinates":[180,0]},"properties":{"rig":"S09","at":"2026-05-04T12:00:00Z"}}]}`
	if got := strings.TrimSpace(b.String()); got != want {
		t.Fatalf("got\n%s\nwant\n%s", got, want)
	}
}

func TestNoPlacesAreAnEmptyCollection(t *testing.T) {
	var b bytes.Buffer
	if err := geojson.Write(&b, nil); err != nil || strings.TrimSpace(b.String()) != `{"type":"FeatureCollection","features":[]}` {
		t.Fatalf("%v, %s", err, b.String())
	}
}

func TestPlacesThatCannotBe(t *testing.T) {
	for name, list := range map[string][]geojson.Place{
		"past the pole": {{Rig: "S", Lat: 90.1}}, "past the date line": {{Rig: "S", Lon: -180.1}}, "not a number": {{Rig: "S", Lat: math.NaN()}},
		"infinite": {{Rig: "S", Lon: math.Inf(1)}}, "no rig": {{Lat: 1}}, "a rig twice": {{Rig: "S"}, {Rig: "S", Lat: 1}},
	} {
		var b bytes.Buffer
		if err := geojson.Write(&b, list); !errors.Is(err, geojson.ErrPlace) || b.Len() > 0 {
			t.Errorf("%s: %v, %q", name, err, b.String())
		}
	}
}

func FuzzWrite(f *testing.F) {
	f.Add("S07", 52.5, 10.25)
	f.Add("\xff", -0.0, 1e-300)
	f.Fuzz(func(t *testing.T, rig string, lat, lon float64) {
		var b bytes.Buffer
		if err := geojson.Write(&b, []geojson.Place{{Rig: rig, Lat: lat, Lon: lon}}); err != nil {
			if !errors.Is(err, geojson.ErrPlace) {
				t.Fatal(err)
			}
			return
		}
		var got struct {
			Features []struct {
				Geometry struct{ Coordinates []float64 }
			}
		}
		if err := json.Unmarshal(b.Bytes(), &got); err != nil || len(got.Features) != 1 {
			t.Fatal(err)
		}
		at := got.Features[0].Geometry.Coordinates
		if len(at) != 2 || math.Abs(at[0]-lon) > 6e-7 || math.Abs(at[1]-lat) > 6e-7 || math.Abs(at[0]) > 180 || math.Abs(at[1]) > 90 {
			t.Fatalf("%v, %v became %v", lat, lon, at)
		}
	})
}
