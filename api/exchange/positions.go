package exchange

import (
	"encoding/json"
	"maps"
	"net/http"
	"slices"
	"time"

	"rigledger/api/call"
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

// GetPositions is where the rigs were last, of those that ever said so.
func (res *Resources) GetPositions(c *call.Call) error {
	rigs, yards := c.Query.Words("rig"), c.Query.Words("yard")
	if err := c.Query.Err(); err != nil {
		return err
	}
	all := featureCollection{Type: "FeatureCollection", Features: []feature{}}
	var tag string
	_ = c.View(func(s *fleet.State) error {
		tag = call.Tag(s.Head.N, call.NoDate)
		for _, code := range slices.Sorted(maps.Keys(s.Rigs)) {
			r := s.Rigs[code]
			if r.Location == nil || r.Retired || !c.Sees(r) || !call.Wants(rigs, code) || !call.Wants(yards, r.Yard) {
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
	if c.Unchanged(tag) {
		return nil
	}
	body, err := json.Marshal(all)
	if err != nil {
		return err
	}
	return c.Bytes(http.StatusOK, geoJSONType, body)
}
