package api

import (
	"rigledger/events"
	"rigledger/fleet"
)

// readingsKey looks up an Idempotency-Key and gives the status of the first
// request with it, 0 for none. Readings are safe to send again by themselves, so
// a key only has to be held to its request.
func (c *call) readingsKey() (first int, release func(), err error) {
	keep, release, err := c.keep(0)
	if err != nil || keep == nil {
		return 0, release, err
	}
	c.Fleet.View(func(s *fleet.State) {
		if old := s.Requests[keep.Key]; old != nil {
			first = old.Status
			if old.Print != keep.Print {
				err = &problem{kind: kindKeyReused, detail: "this " + keyHeader + " was used for another request"}
			}
		}
	})
	if err != nil {
		release()
		return 0, func() {}, err
	}
	return first, release, nil
}

// keepReadings remembers the key of readings that were taken.
func (c *call) keepReadings(status int) error {
	sent := c.Request.Header.Get(keyHeader)
	if sent == "" {
		return nil
	}
	kept := &events.RequestKept{
		Key:   digest(c.Who.Token, sent),
		Print: digest(c.Request.Method, c.Request.URL.Path, string(c.raw)), Status: status,
	}
	_, err := c.Fleet.Do(c.Context(), c.Who.Name, remember{kept}, nil)
	return err
}

// remember puts a request on record that made its facts in commits of its own.
type remember struct{ kept *events.RequestKept }

func (r remember) Touches() []string { return []string{"request:" + r.kept.Key} }

func (r remember) Decide(d fleet.Deciding) ([]events.Entry, error) {
	if d.Requests[r.kept.Key] != nil {
		return nil, nil
	}
	return []events.Entry{{At: events.Milli(d.Now), By: d.By, Fact: r.kept}}, nil
}
