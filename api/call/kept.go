package call

import (
	"bytes"
	"compress/gzip"
	"net/http"
	"slices"
	"strings"
	"sync"

	"rigledger/fleet"
	"rigledger/fleet/plan"
)

// keptLists are answers of long lists, kept while the ledger stands still: many
// screens and programs ask for the same few lists again and again. An answer is
// good for the commit and the day that it was made of, and for callers that see
// the same yards. Of those who ask for the same while it is being made, one makes it.
type keptLists struct {
	mu     sync.Mutex
	lists  map[string]*keptList
	flying map[string]*keptFlight
	bytes  int
}

type keptList struct {
	commit uint64
	today  plan.Date
	header http.Header // those that the list sets itself
	body   []byte

	once     sync.Once
	squeezed []byte // the body with gzip, once somebody wants it so
}

// size is about what it takes up.
func (l *keptList) size(key string) int { return len(l.body)*5/4 + len(key) + 1024 }

// take keeps an answer that is about to be sent.
func (l *keptList) take(h http.Header, status int, body []byte) {
	if status != http.StatusOK || len(body) > keptMost/4 {
		return
	}
	l.header, l.body = http.Header{}, body
	for _, name := range keptHeaders {
		if v, ok := h[name]; ok {
			l.header[name] = v
		}
	}
}

// keptFlight is a list in the making.
type keptFlight struct {
	done chan struct{}
	list *keptList // nil when it was refused, or is too large to keep
}

// keptMost bounds what is kept, in bytes; past it everything is let go.
const keptMost = 32 << 20

// keptHeaders are what an answer is made of beside its body.
var keptHeaders = []string{"Content-Type", "Link", "Rigledger-Commit", "Cache-Control"}

// Kept gives a handler of a list that depends on nothing but the state, the day,
// the yards that the caller may see, and the query.
func Kept(make func(c *Call) error) func(c *Call) error {
	return func(c *Call) error {
		if len(c.Request.Header["If-None-Match"]) > 0 {
			return make(c)
		}
		lists, key := &c.at.lists, c.keptKey()
		// What was there when the caller asked is enough, however fast commits come.
		var head uint64
		var today plan.Date
		c.Fleet.View(func(s *fleet.State) { head, today = s.Head.N, c.Today(s) })
		for {
			list, flight, mine := lists.find(key, head, today)
			switch {
			case list != nil:
				return c.showKept(list)
			case mine:
				c.keeping = &keptList{today: today}
				defer lists.land(key, flight, c.keeping) // also when it panics: others wait for it
				return make(c)
			}
			select {
			case <-flight.done:
			case <-c.Context().Done():
				return nil // nobody is there to hear it
			}
			// It may have begun before what this caller waits for.
			if l := flight.list; l != nil && l.commit >= head && l.today == today {
				return c.showKept(l)
			}
			if flight.list == nil {
				return make(c) // refused, most likely: each with its own words
			}
		}
	}
}

// keptKey is what an answer depends on beside the state and the day.
func (c *Call) keptKey() string {
	yards := slices.Sorted(slices.Values(c.Who.Yards))
	query := c.Request.URL.Query()
	query.Del("after_commit")
	return c.Request.URL.Path + "?" + query.Encode() + " " + string(c.Who.Role) + " " + c.Who.Rig + " " + strings.Join(yards, ",")
}

func (c *Call) showKept(l *keptList) error {
	h := c.Writer.Header()
	for _, name := range keptHeaders {
		if v, ok := l.header[name]; ok {
			h[name] = v
		}
	}
	if _, takes := c.Writer.(*compressing); takes && len(l.body) > compressLeast {
		h.Set("Content-Encoding", "gzip")
		return c.WriteJSON(http.StatusOK, l.gzip())
	}
	return c.WriteJSON(http.StatusOK, l.body)
}

// gzip compresses the body, once for all who want it so.
func (l *keptList) gzip() []byte {
	l.once.Do(func() {
		var b bytes.Buffer
		z, _ := gzip.NewWriterLevel(&b, gzip.BestSpeed) // the level is a good one
		_, _ = z.Write(l.body)                          // a buffer takes everything
		_ = z.Close()
		l.squeezed = b.Bytes()
	})
	return l.squeezed
}

// find gives the list as it is, or the flight to wait for; mine says that the
// caller is to make it.
func (k *keptLists) find(key string, head uint64, today plan.Date) (list *keptList, flight *keptFlight, mine bool) {
	k.mu.Lock()
	defer k.mu.Unlock()
	if l := k.lists[key]; l != nil && l.commit >= head && l.today == today {
		return l, nil, false
	}
	if flight = k.flying[key]; flight != nil {
		return nil, flight, false
	}
	if k.flying == nil {
		k.flying = map[string]*keptFlight{}
	}
	flight = &keptFlight{done: make(chan struct{})}
	k.flying[key] = flight
	return nil, flight, true
}

func (k *keptLists) land(key string, flight *keptFlight, l *keptList) {
	k.mu.Lock()
	defer k.mu.Unlock()
	delete(k.flying, key)
	if l.body != nil {
		flight.list = l
		if old := k.lists[key]; old != nil {
			k.bytes -= old.size(key)
		}
		if k.bytes += l.size(key); k.lists == nil || k.bytes > keptMost {
			k.lists, k.bytes = map[string]*keptList{}, l.size(key)
		}
		k.lists[key] = l
	}
	close(flight.done)
}
