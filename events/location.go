package events

import (
	"encoding/json"
	"math"

	"go.mongodb.org/mongo-driver/v2/x/bsonx/bsoncore"
)

// Location is a place on WGS 84 in units of 1e-7 degree (about 11 mm), as GNSS
// receivers and ISO 11783-10 logs give it.
type Location struct {
	Latitude  int64 `bson:"lat" json:"latitude_e7"`
	Longitude int64 `bson:"lon" json:"longitude_e7"`
}

// NewLocation gives the place at so many degrees, nil when there is none: out of
// range, not a number, or 0/0, which receivers send without a fix (a place in
// the open sea). A place is never worth a counter, so there is no error to refuse
// a reading with.
func NewLocation(latitude, longitude float64) *Location {
	if !(math.Abs(latitude) <= 90 && math.Abs(longitude) <= 180) { // false for NaN too
		return nil
	}
	l := Location{Latitude: int64(math.Round(latitude * 1e7)), Longitude: int64(math.Round(longitude * 1e7))}
	if l == (Location{}) {
		return nil
	}
	return &l
}

// ParseLocation reads {"latitude": 53.1, "longitude": -1.2}, in degrees; other
// members are passed over. It gives nil for whatever else it is.
func ParseLocation(text []byte) *Location {
	var at struct{ Latitude, Longitude *float64 }
	if json.Unmarshal(text, &at) != nil || at.Latitude == nil || at.Longitude == nil {
		return nil
	}
	return NewLocation(*at.Latitude, *at.Longitude)
}

// Degrees gives latitude and longitude.
func (l *Location) Degrees() (latitude, longitude float64) {
	return float64(l.Latitude) / 1e7, float64(l.Longitude) / 1e7
}

func (l *Location) decode(doc []byte) error {
	rest, err := documentBody(doc)
	if err != nil {
		return err
	}
	for len(rest) > 0 {
		el, tail, ok := bsoncore.ReadElement(rest)
		if !ok {
			return errReading
		}
		rest = tail
		v, err := el.ValueErr()
		if err != nil {
			return err
		}
		switch el.Key() {
		case "lat":
			l.Latitude, ok = v.Int64OK()
		case "lon":
			l.Longitude, ok = v.Int64OK()
		}
		if !ok {
			return errReading
		}
	}
	return nil
}
