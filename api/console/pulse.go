package console

import (
	"fmt"
	"net/http"
	"sync/atomic"
	"time"
)

// Bounds of the live pages: how many browsers may listen, how often they hear of
// news at most, and how often they hear that nothing is new.
const (
	pulsesMost  = 500
	pulseBreath = 2 * time.Second
	pulseAlive  = 20 * time.Second
	pulseWait   = 10 * time.Second // for a browser that does not take what is sent
)

type streams struct{ n atomic.Int64 }

func (s *streams) enter() bool {
	if s.n.Add(1) > pulsesMost {
		s.n.Add(-1)
		return false
	}
	return true
}

func (s *streams) leave() { s.n.Add(-1) }

// pulse tells a browser, as server-sent events, that the ledger has grown: the
// number of the newest commit and nothing else. The page then asks for itself anew.
func (c *Console) pulse(w http.ResponseWriter, r *http.Request) {
	w.Header().Set(partHeader, "pulse") // it is we who answer, not something on the way
	if _, _, ok := c.session(r); !ok {
		w.WriteHeader(http.StatusNoContent) // ends the browser's attempts
		return
	}
	if !c.open.enter() {
		w.Header().Set("Retry-After", "60")
		w.WriteHeader(http.StatusServiceUnavailable)
		return
	}
	defer c.open.leave()
	w.Header().Set("Content-Type", "text/event-stream")
	w.Header().Set("Cache-Control", "no-store")
	rc := http.NewResponseController(w)
	_ = rc.SetReadDeadline(time.Time{})
	send := func(text string) bool {
		_ = rc.SetWriteDeadline(time.Now().Add(pulseWait))
		_, err := fmt.Fprint(w, text)
		return err == nil && rc.Flush() == nil
	}
	told := uint64(0)
	alive := time.NewTicker(pulseAlive)
	defer alive.Stop()
	for {
		changed := c.fleet.Changed() // before the look, so that nothing falls in between
		if n := c.fleet.Head().N; n != told {
			if _, _, ok := c.session(r); !ok || !send(fmt.Sprintf("retry: 3000\nevent: commit\ndata: %d\n\n", n)) {
				return
			}
			told = n
		}
		select {
		case <-time.After(pulseBreath):
		case <-r.Context().Done():
			return
		case <-c.stopping:
			return
		}
		for waiting := true; waiting; {
			select {
			case <-changed:
				waiting = false
			case <-alive.C:
				if _, _, ok := c.session(r); !ok || !send(": alive\n\n") {
					return
				}
			case <-r.Context().Done():
				return
			case <-c.stopping:
				return
			}
		}
	}
}
