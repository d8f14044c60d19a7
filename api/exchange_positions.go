package api

import (
	"encoding/json"
	"maps"
	"net/http"
	"slices"
	"time"

	"rigledger/fleet"
)

const geoJSONType = "application/geo+json" // RFC 7946, section 12

// featureCollection and what is in it are GeoJSON (RFC 7946): coordinates are
// longitude first, on WGS 84, in degrees.
type featureCollection struct {
	Type     string    `json:"type"`
	Features []feature `json:"features"`
}

type feature struct {
	Type       string       `json:"type"`
	ID         string       `json:"id"`
	Geometry   geoPoint     `json:"geometry"`
	Properties featureProps `json:"properties"`
}

type geoPoint struct {
	Type        string     `json:"type"`
	Coordinates [2]float64 `json:"coordinates"`
}

type featureProps struct {
	Rig  string    `json:"rig"`
	Name string    `json:"name"`
	Yard string    `json:"yard"`
	Time time.Time `json:"time"` // when it was there
}

// getPositions is where the rigs were last, of those that ever said so.
func (res *exchangeResources) getPositions(c *call) error {
	rigs, yards := c.Query.words("rig"), c.Query.words("yard")
	if err := c.Query.err(); err != nil {
		return err
	}
	all := featureCollection{Type: "FeatureCollection", Features: []feature{}}
	var tag string
	_ = c.view(func(s *fleet.State) error {
		tag = tagOf(s.Head.N, noDate)
		for _, code := range slices.Sorted(maps.Keys(s.Rigs)) {
			r := s.Rigs[code]
			if r.Location == nil || r.Retired || !c.sees(r) || !has(rigs, code) || !has(yards, r.Yard) {
				continue
			}
			lat, lon := r.Location.Degrees()
			all.Features = append(all.Features, feature{
				Type: "Feature", ID: code, Geometry: geoPoint{"Point", [2]float64{lon, lat}},
				Properties: featureProps{code, r.Name, r.Yard, r.Located.UTC()},
			})
		}
		return nil
	})
	if c.unchanged(tag) {
		return nil
	}
	body, err := json.Marshal(all)
	if err != nil {
		return err
	}
	return c.bytes(http.StatusOK, geoJSONType, body)
}
