package api

import (
	"bytes"
	"errors"
	"sync"
	"time"

	"rigledger/api/exchange/fieldusage"
	"rigledger/api/exchange/receive"
	"rigledger/api/exchange/sheet"
	"rigledger/api/exchange/taskdata"
	"rigledger/fleet"
)

// taskDataPath is where task data is sent; the bound of its bodies is its own.
const taskDataPath = "/v1/exchange/taskdata"

// taskDataMost is the largest zip taken.
const taskDataMost = 64 << 20

// unpackingMost is how many sets of task data are unpacked at a time: each may
// hold some hundreds of MiB in memory.
const unpackingMost = 2

var zipTypes = map[string]bool{"application/zip": true, "application/x-zip-compressed": true, "application/octet-stream": true}

// exchangeResources answer other farm software.
type exchangeResources struct {
	calendars sync.Map      // calendar → *calendarAnswer
	unpacking chan struct{} // bounds how much task data is read at a time
}

func newExchange() *exchangeResources {
	return &exchangeResources{unpacking: make(chan struct{}, unpackingMost)}
}

// taskDataDoc is what became of a set of task data, device by device.
type taskDataDoc struct {
	Version string `json:"version"`
	receivedDoc
}

// postTaskData takes the lifetime counters of zipped task data as readings and
// reports the totals of its tasks.
func (res *exchangeResources) postTaskData(c *call) error {
	named, err := receive.ParseRigs(c.Query.words("device"))
	if err != nil {
		c.Query.fail("device", err.Error())
	}
	rows := len(c.Query.words("rows", "csv")) > 0
	var zone *time.Location
	if name := c.Query.text("zone"); name != "" {
		if zone, err = time.LoadLocation(name); err != nil || name == "Local" {
			c.Query.fail("zone", "must be a time zone like Europe/Berlin")
		}
	}
	if err := c.Query.err(); err != nil {
		return err
	}
	if !zipTypes[c.mediaType()] {
		return &problem{kind: kindMedia, detail: "send Content-Type: application/zip"}
	}
	select {
	case res.unpacking <- struct{}{}:
		defer func() { <-res.unpacking }()
	default:
		return &problem{kind: kindBusy, detail: "other task data is being read; send it again in a moment"}
	}
	raw, err := c.readBody()
	if err != nil {
		return err
	}
	if zone == nil {
		err = c.view(func(s *fleet.State) error { zone = s.Zone(); return nil })
		if err != nil {
			return err
		}
	}
	report, err := taskdata.ReadZip(bytes.NewReader(raw), int64(len(raw)), zone, taskdata.DefaultLimits)
	switch {
	case errors.Is(err, taskdata.ErrRefused), errors.Is(err, taskdata.ErrNotTaskData), errors.Is(err, taskdata.ErrZone):
		return &problem{kind: kindInvalid, detail: clip(err.Error(), 500)}
	case err != nil:
		return err
	}
	var lot *receive.Lot
	codes := map[taskdata.Key]string{}
	err = c.view(func(s *fleet.State) error {
		lot = receive.TaskData(s, report, named, callerOf(c))
		for _, d := range report.Devices {
			if r, _ := named.Of(s, d.Key, callerOf(c)); r != nil {
				codes[d.Key] = r.Rig
			}
		}
		return nil
	})
	if err != nil {
		return err
	}
	status, err := take(c, lot)
	if err != nil {
		return err
	}
	if !rows {
		return c.answer(status, taskDataDoc{report.Version, receivedDoc{orEmpty(lot.Devices), lot.Skipped}})
	}
	var out bytes.Buffer
	rigOf := func(k taskdata.Key) (string, bool) { code, ok := codes[k]; return code, ok }
	if err := sheet.WriteCSV(&out, fieldusage.Table(fieldusage.Rows([]*taskdata.Report{report}, rigOf))); err != nil {
		return err
	}
	return c.bytes(status, csvType, out.Bytes())
}
