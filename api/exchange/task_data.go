package exchange

import (
	"bytes"
	"context"
	"errors"
	"sync"
	"time"

	"rigledger/api/call"
	"rigledger/api/exchange/fieldusage"
	"rigledger/api/exchange/receive"
	"rigledger/api/exchange/sheet"
	"rigledger/api/exchange/taskdata"
	"rigledger/api/shape"
	"rigledger/fleet"
)

// TaskDataPath is where task data is sent; the bound of its bodies is its own.
const TaskDataPath = "/v1/exchange/taskdata"

// TaskDataMost is the largest zip taken.
const TaskDataMost = 64 << 20

// Bounds of what is taken at a time. While a set is received it holds a file and
// its sender's line; while it is unpacked, some hundreds of MiB in memory. So none
// is unpacked before the whole of it is here.
const (
	receivingMost  = 12 // at a time
	receivingEach  = 3  // of them of one token
	unpackingMost  = 2
	unpackingQueue = 20 * time.Second // how long one that was received waits to be unpacked
)

var zipTypes = map[string]bool{"application/zip": true, "application/x-zip-compressed": true, "application/octet-stream": true}

// Resources answer other farm software.
type Resources struct {
	calendars sync.Map // calendar → *calendarAnswer
	receiving call.Shares
	unpacking chan struct{} // bounds how much task data is unpacked at a time
}

// New gives resources that nobody has asked yet.
func New() *Resources {
	return &Resources{
		receiving: call.Shares{All: receivingMost, Each: receivingEach},
		unpacking: make(chan struct{}, unpackingMost),
	}
}

// taskDataDoc is what became of a set of task data, device by device.
type taskDataDoc struct {
	Version string `json:"version"`
	receivedDoc
}

// PostTaskData takes the lifetime counters of zipped task data as readings and
// reports the totals of its tasks.
func (res *Resources) PostTaskData(c *call.Call) error {
	named, err := receive.ParseRigs(c.Query.Words("device"))
	if err != nil {
		c.Query.Fail("device", err.Error())
	}
	rows := len(c.Query.Words("rows", "csv")) > 0
	var zone *time.Location
	if name := c.Query.Text("zone"); name != "" {
		if zone, err = time.LoadLocation(name); err != nil || name == "Local" {
			c.Query.Fail("zone", "must be a time zone like Europe/Berlin")
		}
	}
	if err := c.Query.Err(); err != nil {
		return err
	}
	if !zipTypes[c.MediaType()] {
		return &call.Problem{Kind: call.MediaType, Detail: "send Content-Type: application/zip"}
	}
	leave, taken := res.receiving.Enter(c.Who.Token)
	switch taken {
	case call.TakenOwn:
		return &call.Problem{Kind: call.TooMany, Detail: "this token sends as many sets of task data at a time as it may; wait for the answers"}
	case call.TakenAll:
		return &call.Problem{Kind: call.Busy, Detail: "much other task data is being received; send it again in a moment"}
	}
	defer leave()
	done, err := c.Spool()
	if err != nil {
		return err
	}
	defer done()
	waited, stop := context.WithTimeout(c.Context(), unpackingQueue)
	defer stop()
	select {
	case res.unpacking <- struct{}{}:
		defer func() { <-res.unpacking }()
	case <-waited.Done():
		return &call.Problem{Kind: call.Busy, Detail: "other task data is being read; send it again in a moment"}
	}
	raw, err := c.ReadBody()
	if err != nil {
		return err
	}
	if zone == nil {
		err = c.View(func(s *fleet.State) error { zone = s.Zone(); return nil })
		if err != nil {
			return err
		}
	}
	report, err := taskdata.ReadZip(bytes.NewReader(raw), int64(len(raw)), zone, taskdata.DefaultLimits)
	switch {
	case errors.Is(err, taskdata.ErrRefused), errors.Is(err, taskdata.ErrNotTaskData), errors.Is(err, taskdata.ErrZone):
		return &call.Problem{Kind: call.Invalid, Detail: call.Clip(err.Error(), 500)}
	case err != nil:
		return err
	}
	var lot *receive.Lot
	codes := map[taskdata.Key]string{}
	err = c.View(func(s *fleet.State) error {
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
		return c.Answer(status, taskDataDoc{report.Version, receivedDoc{shape.List(lot.Devices), lot.Skipped}})
	}
	var out bytes.Buffer
	rigOf := func(k taskdata.Key) (string, bool) { code, ok := codes[k]; return code, ok }
	if err := sheet.WriteCSV(&out, fieldusage.Table(fieldusage.Rows([]*taskdata.Report{report}, rigOf))); err != nil {
		return err
	}
	return c.Bytes(status, csvType, out.Bytes())
}
