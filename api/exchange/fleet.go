package exchange

import (
	"bytes"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"time"

	"rigledger/api/call"
	"rigledger/api/exchange/fleetxml"
	"rigledger/api/exchange/receive"
	"rigledger/api/shape"
	"rigledger/fleet"
	"rigledger/fleet/meter"
	"rigledger/fleet/plan"
)

const xmlType = "application/xml"

// pageParam is the number of a page in the path, from 1.
func pageParam(c *call.Call) (int, error) {
	n, err := strconv.Atoi(c.Param("page"))
	if err != nil || n < 1 {
		return 0, call.NoSuch("page", c.Param("page"))
	}
	return n, nil
}

// GetFleetPage is a page of the fleet in the shape of ISO/TS 15143-3.
func (res *Resources) GetFleetPage(c *call.Call) error {
	page, err := pageParam(c)
	if err != nil {
		return err
	}
	snap := fleetxml.Snapshot{}
	var head uint64
	err = c.View(func(s *fleet.State) error {
		var codes []string
		for code, r := range s.Rigs {
			if !r.Retired && c.Sees(r) {
				codes = append(codes, code)
			}
		}
		slices.Sort(codes)
		some, ok := fleetxml.PageOf(codes, page)
		if !ok {
			return call.NoSuch("page", c.Param("page"))
		}
		head, snap.Time = s.Head.N, s.Recorded
		for _, code := range some {
			snap.Equipment = append(snap.Equipment, equipmentOf(s.Rigs[code]))
		}
		snap.Links = fleetxml.PageLinks(page, fleetxml.PageCount(len(codes)), func(n int) string { return "/v1/exchange/fleet/" + strconv.Itoa(n) })
		return nil
	})
	if err != nil {
		return err
	}
	return answerXML(c, head, func(out *bytes.Buffer) error { return fleetxml.Write(out, snap) })
}

// GetFleetRig is one rig in the same shape.
func (res *Resources) GetFleetRig(c *call.Call) error {
	snap := fleetxml.Snapshot{}
	var changed uint64
	err := c.View(func(s *fleet.State) error {
		r, err := c.Rig(s)
		if err != nil {
			return err
		}
		changed, snap.Time = r.Changed, s.Recorded
		snap.Equipment = []fleetxml.Equipment{equipmentOf(r)}
		snap.Links = []fleetxml.Link{{Rel: "self", Href: "/v1/exchange/fleet/equipment/" + r.Rig}}
		return nil
	})
	if err != nil {
		return err
	}
	return answerXML(c, changed, func(out *bytes.Buffer) error { return fleetxml.Write(out, snap) })
}

func answerXML(c *call.Call, changed uint64, write func(out *bytes.Buffer) error) error {
	if c.Unchanged(call.Tag(changed, call.NoDate)) {
		return nil
	}
	var out bytes.Buffer
	if err := write(&out); err != nil {
		return err
	}
	return c.Bytes(http.StatusOK, xmlType, out.Bytes())
}

func headerOf(r *fleet.Rig) fleetxml.Header {
	return fleetxml.Header{UnitInstalled: r.Registered, Model: r.Class, EquipmentID: r.Rig, SerialNumber: r.Serial}
}

func equipmentOf(r *fleet.Rig) fleetxml.Equipment {
	e := fleetxml.Equipment{Header: headerOf(r)}
	if r.Location != nil {
		lat, lon := r.Location.Degrees()
		e.Location = &fleetxml.Location{At: r.Located, Lat: lat, Lon: lon}
	}
	if v, at, ok := totalOf(r, meter.Hours); ok {
		e.OperatingHours = &fleetxml.Hours{At: at, Seconds: v}
	}
	if v, at, ok := totalOf(r, meter.Area); ok {
		e.Area = &fleetxml.Area{At: at, SquareMetres: v}
	}
	if v, at, ok := totalOf(r, meter.Distance); ok {
		e.Distance = &fleetxml.Distance{At: at, Metres: v}
	}
	return e
}

// shownMeter is the meter that stands for a quantity: of hour meters one that
// runs whenever the machine does, where there is one.
func shownMeter(r *fleet.Rig, q meter.Quantity) *fleet.Meter {
	for _, m := range r.Meters {
		if m.Series.Quantity == q && !m.Spraying {
			return m
		}
	}
	return r.MeterOf(q, "")
}

func totalOf(r *fleet.Rig, q meter.Quantity) (v int64, at time.Time, ok bool) {
	m := shownMeter(r, q)
	if m == nil {
		return 0, at, false
	}
	v, ms := m.Series.Total()
	return v, time.UnixMilli(ms).UTC(), ms != 0
}

// seriesOf is which quantity a time series is of.
var seriesOf = map[fleetxml.Element]meter.Quantity{
	fleetxml.OperatingHours: meter.Hours, fleetxml.Hectares: meter.Area, fleetxml.Odometer: meter.Distance,
}

// GetFleetSeries is a page of one rig's readings as totals over time.
func (res *Resources) GetFleetSeries(c *call.Call) error {
	page, err := pageParam(c)
	if err != nil {
		return err
	}
	element := fleetxml.Element(c.Param("element"))
	q, known := seriesOf[element]
	if !known {
		return call.NoSuch("time series", string(element))
	}
	series := fleetxml.Series{Element: element}
	var changed uint64
	err = c.View(func(s *fleet.State) error {
		r, err := c.Rig(s)
		if err != nil {
			return err
		}
		from, err1 := pathTime(c.Param("from"), s.Zone())
		to, err2 := pathTime(c.Param("to"), s.Zone())
		if err1 != nil || err2 != nil {
			return &call.Problem{Kind: call.BadRequest, Detail: "from and to in the address must be dates like 2026-04-01 or times like 2026-04-01T06:00:00Z"}
		}
		m := shownMeter(r, q)
		if m == nil {
			return call.NoSuch("time series", string(element))
		}
		changed, series.Time, series.Header = r.Changed, s.Recorded, headerOf(r)
		var points []meter.Reading
		if from.Before(to) {
			points = m.Series.Points(from.UnixMilli(), to.UnixMilli()-1)
		}
		some, ok := fleetxml.PageOf(points, page)
		if !ok {
			return call.NoSuch("page", c.Param("page"))
		}
		for _, p := range some {
			at := time.UnixMilli(p.At).UTC()
			switch element {
			case fleetxml.OperatingHours:
				series.Hours = append(series.Hours, fleetxml.Hours{At: at, Seconds: p.Total})
			case fleetxml.Hectares:
				series.Areas = append(series.Areas, fleetxml.Area{At: at, SquareMetres: p.Total})
			default:
				series.Distances = append(series.Distances, fleetxml.Distance{At: at, Metres: p.Total})
			}
		}
		base := strings.TrimSuffix(c.Request.URL.EscapedPath(), c.Param("page"))
		series.Links = fleetxml.PageLinks(page, fleetxml.PageCount(len(points)), func(n int) string { return base + strconv.Itoa(n) })
		return nil
	})
	if err != nil {
		return err
	}
	return answerXML(c, changed, func(out *bytes.Buffer) error { return fleetxml.WriteSeries(out, series) })
}

// pathTime reads a date, which stands for its first instant, or a time.
func pathTime(text string, zone *time.Location) (time.Time, error) {
	if d, err := plan.ParseDate(text); err == nil {
		return d.Time(zone), nil
	}
	return call.ParseTime(text)
}

// receivedDoc is what became of what was sent in another format.
type receivedDoc struct {
	Devices []*receive.Device `json:"devices"`
	Skipped []receive.Skip    `json:"skipped"`
}

func callerOf(c *call.Call) receive.Caller { return receive.Caller{Name: c.Who.Name, Sees: c.Sees} }

// take has a lot taken and says with which status to answer: 202 when some of it
// waits in quarantine.
func take(c *call.Call, lot *receive.Lot) (int, error) {
	first, release, err := c.FirstStatus()
	if err != nil {
		return 0, err
	}
	defer release()
	if first != 0 {
		// What was not taken then is not taken now, though it may fit meanwhile.
		lot.NotAgain(c.Fleet)
		c.SetHeader("Idempotency-Replayed", "true")
		c.SetCommit(c.Fleet.Head().N)
		return first, nil
	}
	if err := lot.Take(c.Context(), c.Fleet, callerOf(c)); err != nil {
		return 0, err
	}
	status := http.StatusOK
	for _, d := range lot.Devices {
		if d.HeldCount > 0 {
			status = http.StatusAccepted
		}
	}
	if err := c.RememberStatus(status); err != nil {
		return 0, err
	}
	c.SetCommit(c.Fleet.Head().N)
	return status, nil
}

// PostFleet takes readings from fleet data of another program.
func (res *Resources) PostFleet(c *call.Call) error {
	raw, err := c.ReadBody()
	if err != nil {
		return err
	}
	if t := c.MediaType(); t != xmlType && t != "text/xml" {
		return &call.Problem{Kind: call.MediaType, Detail: "send Content-Type: application/xml"}
	}
	snap, problems, err := fleetxml.Read(bytes.NewReader(raw))
	if err != nil {
		return &call.Problem{Kind: call.Invalid, Detail: call.Clip(err.Error(), 500)}
	}
	var lot *receive.Lot
	err = c.View(func(s *fleet.State) error {
		lot = receive.FleetData(s, snap, problems, callerOf(c))
		return nil
	})
	if err != nil {
		return err
	}
	status, err := take(c, lot)
	if err != nil {
		return err
	}
	return c.Answer(status, receivedDoc{shape.List(lot.Devices), lot.Skipped})
}
