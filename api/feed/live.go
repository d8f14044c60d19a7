package feed

import (
	"bytes"
	"context"
	"encoding/json"
	"net/http"
	"strconv"
	"time"

	"rigledger/api/call"
	"rigledger/events"
)

// Bounds of live streams.
const (
	streamsMost   = 200
	streamsEach   = 20                    // of them of one token
	streamBatch   = 100                   // facts that are read at a time
	streamBreath  = 20 * time.Millisecond // between two readings, so that busy times cost few of them
	streamPatient = 30 * time.Second      // how long a reader may take to take what is written
	keepAlive     = 15 * time.Second
)

// stream is one live stream on its way.
type stream struct {
	res    *Resources
	c      *call.Call
	rc     *http.ResponseController
	filter Filter
	at     events.Position // up to where everything that is wanted was sent
	told   events.Position // what the reader knows of at
	buf    bytes.Buffer
}

// GetFeedLive sends facts as they come, as server-sent events. It ends with the
// token, with the service, or when the reader does not take what is sent.
func (res *Resources) GetFeedLive(c *call.Call) error {
	now := events.After(c.Fleet.Head().N)
	filter, at := readQuery(c, c.Request.Header.Get(lastID), now)
	if err := c.Query.Err(); err != nil {
		return err
	}
	if err := c.WaitFor(at.Commit); err != nil {
		return err
	}
	leave, taken := res.streams.Enter(c.Who.Token)
	switch taken {
	case call.TakenOwn:
		return &call.Problem{Kind: call.TooManyOwnStreams, Detail: "this token has " + strconv.Itoa(streamsEach) + " live streams open; close one, or read /v1/feed"}
	case call.TakenAll:
		return &call.Problem{Kind: call.TooManyStreams, Detail: "as many live streams are open as may be; read /v1/feed instead, or try again"}
	}
	defer leave()

	s := &stream{res: res, c: c, rc: http.NewResponseController(c.Writer), filter: filter, at: at, told: at}
	c.SetCommit(c.Fleet.Head().N)
	c.SetHeader("Content-Type", "text/event-stream")
	c.SetHeader("Cache-Control", "no-store")
	c.Writer.WriteHeader(http.StatusOK)
	c.Writer.WriteHeaderNow()
	if c.Head() {
		return nil
	}
	// The server's timeouts are for requests that end. What waits for a reader that
	// does not take it has a deadline of its own.
	_ = s.rc.SetReadDeadline(time.Time{})
	// The position at once: who is cut off before the first fact misses none.
	s.buf.WriteString("retry: 2000\nid: " + at.String() + "\n\n")
	if s.flush() {
		s.run()
	}
	return nil
}

func (s *stream) run() {
	ctx, fleet := s.c.Context(), s.c.Fleet
	if until := s.c.Who.Until; !until.IsZero() {
		var stop context.CancelFunc
		ctx, stop = context.WithTimeout(ctx, until.Sub(s.c.Fleet.Now()))
		defer stop()
	}
	alive := time.NewTicker(keepAlive)
	defer alive.Stop()
	for {
		changed := fleet.Changed() // before the reading, so that nothing falls in between
		if !s.admitted() {         // the commit that woke us may have ended the token
			return
		}
		page, err := s.res.Reader.Read(ctx, s.filter, s.at, streamBatch)
		if err != nil || !s.send(&page) {
			return
		}
		var wake <-chan struct{}
		breath := time.NewTimer(streamBreath)
		select {
		case <-breath.C:
		case <-ctx.Done():
			return
		case <-s.res.Stopping:
			return
		}
		if page.More() {
			continue
		}
		wake = changed
		for wake != nil {
			select {
			case <-wake:
				wake = nil
			case <-alive.C:
				if !s.keepAlive() {
					return
				}
			case <-ctx.Done():
				return
			case <-s.res.Stopping:
				return
			}
		}
	}
}

// send writes the facts of a page; it is false when the stream is over.
func (s *stream) send(page *Page) bool {
	for i := range page.Facts {
		f := &page.Facts[i]
		text, err := json.Marshal(f) // one line: JSON escapes line ends
		if err != nil {
			s.c.Log.Error("a fact cannot be shown", "position", f.Position, "error", err)
			return false
		}
		s.buf.WriteString("id: " + f.Position.String() + "\nevent: " + f.Kind + "\ndata: ")
		s.buf.Write(text)
		s.buf.WriteString("\n\n")
		s.told = f.Position
	}
	s.at = page.Next
	return s.buf.Len() == 0 || s.flush()
}

// keepAlive shows that the stream lives, and how far it has come where nothing
// was wanted: an id without data moves Last-Event-ID and is no event.
func (s *stream) keepAlive() bool {
	s.buf.WriteString(": alive\n")
	if s.told.Before(s.at) {
		s.buf.WriteString("id: " + s.at.String() + "\n")
		s.told = s.at
	}
	s.buf.WriteString("\n")
	return s.admitted() && s.flush()
}

// admitted asks again for the token, which may have ended since.
func (s *stream) admitted() bool {
	_, ok := s.c.Holder()
	return ok
}

func (s *stream) flush() bool {
	_ = s.rc.SetWriteDeadline(time.Now().Add(streamPatient))
	_, err := s.c.Writer.Write(s.buf.Bytes())
	s.buf.Reset()
	return err == nil && s.rc.Flush() == nil
}
