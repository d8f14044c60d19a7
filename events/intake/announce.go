package intake

import (
	"context"
	"encoding/json"
	"log/slog"
	"strconv"
	"strings"
	"sync/atomic"
	"time"

	"github.com/nats-io/nats.go"

	"rigledger/events"
)

// announceQueue is how many commits may wait to be announced.
const announceQueue = 1024

// Announcer tells other software on NATS what was committed. It is a
// convenience: it never holds up the desk, so when more comes than it can send
// it leaves commits out and counts them. The reliable way is the feed.
type Announcer struct {
	// Changes gives, for each fact of a commit, the addresses of what it changed.
	// It is set before Run; nil leaves them out.
	Changes func(c *events.Commit) [][]string

	nc      *nats.Conn
	log     *slog.Logger
	queue   chan *events.Commit
	sent    atomic.Uint64
	dropped atomic.Uint64
}

// NewAnnouncer makes an Announcer; Run does its work.
func NewAnnouncer(nc *nats.Conn, log *slog.Logger) *Announcer {
	if log == nil {
		log = slog.New(slog.DiscardHandler)
	}
	return &Announcer{nc: nc, log: log.With("part", "announcer"), queue: make(chan *events.Commit, announceQueue)}
}

// Announce queues the facts of c and returns at once.
func (a *Announcer) Announce(c *events.Commit) {
	select {
	case a.queue <- c:
	default:
		a.dropped.Add(uint64(len(c.Facts)))
	}
}

// Announced gives how many facts were sent, and how many were left out because
// the queue or the connection was full or the fact too large for a message.
func (a *Announcer) Announced() (sent, dropped uint64) { return a.sent.Load(), a.dropped.Load() }

// Run sends what is queued until ctx ends.
func (a *Announcer) Run(ctx context.Context) {
	for {
		select {
		case <-ctx.Done():
			return
		case c := <-a.queue:
			var changes [][]string
			if a.Changes != nil {
				changes = a.Changes(c)
			}
			for i := range c.Facts {
				var of []string
				if i < len(changes) {
					of = changes[i]
				}
				a.publish(c, i, of)
			}
		}
	}
}

// announcement is a fact as a CloudEvents 1.0 event.
type announcement struct {
	SpecVersion string      `json:"specversion"`
	ID          string      `json:"id"` // <commit>-<index of the fact, from 0>
	Source      string      `json:"source"`
	Type        string      `json:"type"`
	Subject     string      `json:"subject,omitempty"` // the rig
	Time        time.Time   `json:"time"`              // when it holds in the field
	ContentType string      `json:"datacontenttype"`
	Commit      uint64      `json:"ledgercommit"`
	By          string      `json:"ledgerby,omitempty"`
	Changes     string      `json:"ledgerchanges,omitempty"` // addresses, separated by spaces: an extension is no list
	Data        events.Fact `json:"data"`
}

func (a *Announcer) publish(c *events.Commit, i int, changes []string) {
	e := &c.Facts[i]
	kind, rig := e.Fact.Kind(), e.Fact.Subject()
	if events.Private(kind) {
		return
	}
	fact := e.Fact
	if file, ok := fact.(*events.FileKept); ok { // its bytes are had from the API
		short := *file
		short.Bytes = nil
		fact = &short
	}
	text, err := json.Marshal(announcement{
		SpecVersion: "1.0", ID: strconv.FormatUint(c.N, 10) + "-" + strconv.Itoa(i), Source: "urn:rigledger",
		Type: "ledger." + kind + ".v1", Subject: rig, Time: e.At, ContentType: "application/json",
		Commit: c.N, By: e.By, Changes: strings.Join(changes, " "), Data: fact,
	})
	if err == nil {
		err = a.nc.Publish(AnnounceSubject(kind, rig), text)
	}
	if err != nil {
		a.dropped.Add(1)
		a.log.Debug("announce", "commit", c.N, "fact", i, "error", err)
		return
	}
	a.sent.Add(1)
}

// AnnounceSubject is ledger.<kind>.<rig>, ledger.meter.read.T01; what is about
// the whole fleet has "_" for the rig.
func AnnounceSubject(kind, rig string) string {
	if !ValidRig(rig) {
		rig = "_"
	}
	return "ledger." + kind + "." + rig
}
