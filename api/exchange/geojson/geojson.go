// Package geojson writes where rigs were last seen as GeoJSON, RFC 7946.
//
// It owns the form: a FeatureCollection with a point for each rig, longitude first, degrees WGS 84
// with six decimals (a decimetre; RFC 7946 section 11.2 calls more for most uses too fine). It never
// decides how old a place may be and never asks the time.
package geojson

import (
	"cmp"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"time"
)

// ContentType is the media type of what is written (RFC 7946 section 12).
const ContentType = "application/geo+json"

// Place is where a rig was at a time, in degrees WGS 84.
type Place struct {
	Rig      string
	Lat, Lon float64
	At       time.Time
}

// ErrPlace says that a place is not on the globe, has no rig or comes twice for one.
var ErrPlace = errors.New("place not possible")

type collection struct {
	Type     string    `json:"type"`
	Features []feature `json:"features"`
}

type feature struct {
	Type       string     `json:"type"`
	ID         string     `json:"id"`
	Geometry   point      `json:"geometry"`
	Properties properties `json:"properties"`
}

type point struct {
	Type        string     `json:"type"`
	Coordinates [2]float64 `json:"coordinates"` // longitude, latitude
}

type properties struct {
	Rig string `json:"rig"`
	At  string `json:"at"` // RFC 3339, UTC
}

// Write writes the places in order of rig. On an error of a place (ErrPlace) nothing is written.
func Write(w io.Writer, places []Place) error {
	c := collection{Type: "FeatureCollection", Features: []feature{}}
	seen := map[string]bool{}
	for _, p := range places {
		if p.Rig == "" || seen[p.Rig] {
			return fmt.Errorf("rig %q is empty or there twice: %w", p.Rig, ErrPlace)
		}
		seen[p.Rig] = true
		if !(math.Abs(p.Lat) <= 90 && math.Abs(p.Lon) <= 180) { // false for what is not a number
			return fmt.Errorf("rig %q at %v, %v is not on the globe: %w", p.Rig, p.Lat, p.Lon, ErrPlace)
		}
		c.Features = append(c.Features, feature{"Feature", p.Rig,
			point{"Point", [2]float64{micro(p.Lon), micro(p.Lat)}}, properties{p.Rig, p.At.UTC().Format(time.RFC3339)}})
	}
	slices.SortFunc(c.Features, func(a, b feature) int { return cmp.Compare(a.ID, b.ID) })
	if err := json.NewEncoder(w).Encode(c); err != nil {
		return fmt.Errorf("write GeoJSON: %w", err)
	}
	return nil
}

// micro rounds to a millionth of a degree, without a negative zero.
func micro(degrees float64) float64 { return math.Round(degrees*1e6)/1e6 + 0 }
