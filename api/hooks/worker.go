package hooks

import (
	"context"
	"log/slog"
	"net/http"
	"slices"
	"sync"
	"time"

	"rigledger/api/feed"
	"rigledger/events"
	"rigledger/fleet"
)

// Options say how hooks are delivered. Zero values are the usual ones.
type Options struct {
	Feed    *feed.Reader
	Log     *slog.Logger  // nil for none
	Private bool          // may send to private, loopback and link-local addresses
	Timeout time.Duration // of one attempt; 20 s

	Delays []time.Duration // between attempts; the last one repeats
	GiveUp time.Duration   // a hook that has failed for so long is disabled; 24 h
	Record time.Duration   // how often at most a hook's position is put on record; one minute
}

// usualDelays between attempts: the first failure is tried again soon, and all
// together they last over a day, as Standard Webhooks 1.0.0 asks for.
var usualDelays = []time.Duration{
	5 * time.Second, 30 * time.Second, 2 * time.Minute, 10 * time.Minute, time.Hour, 3 * time.Hour, 6 * time.Hour,
}

const (
	logMost   = 100  // deliveries that are remembered for each hook
	batch     = 100  // facts that are read at a time
	skipsMost = 1000 // commits without anything wanted after which the position is put on record
	by        = "hooks"
)

// Worker delivers. Make it with New; Run does its work. Its log works without.
type Worker struct {
	feed   *feed.Reader
	fleet  *fleet.Fleet
	log    *slog.Logger
	client *http.Client
	o      Options

	mu        sync.Mutex
	followers map[string]*follower
	logs      map[string][]Delivery // newest last

	ended chan struct{} // a follower ended: its hook may be enabled again by now
}

// New makes a worker.
func New(o Options) *Worker {
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	if o.Timeout == 0 {
		o.Timeout = 20 * time.Second // Standard Webhooks 1.0.0: 15 to 30 s
	}
	if len(o.Delays) == 0 {
		o.Delays = usualDelays
	}
	if o.GiveUp == 0 {
		o.GiveUp = 24 * time.Hour
	}
	if o.Record == 0 {
		o.Record = time.Minute
	}
	return &Worker{
		feed: o.Feed, fleet: o.Feed.Fleet, log: o.Log, client: newClient(o.Private, o.Timeout), o: o,
		followers: map[string]*follower{}, logs: map[string][]Delivery{}, ended: make(chan struct{}, 1),
	}
}

// Run delivers until ctx ends, then puts on record how far it came.
func (w *Worker) Run(ctx context.Context) error {
	inner, stop := context.WithCancel(ctx)
	var running sync.WaitGroup
	record := time.NewTicker(w.o.Record)
	defer record.Stop()
	for {
		changed := w.fleet.Changed()
		w.start(inner, &running)
		select {
		case <-changed:
		case <-w.ended:
		case <-record.C:
			w.record(ctx)
		case <-ctx.Done():
			stop()
			running.Wait()
			last, cancel := context.WithTimeout(context.WithoutCancel(ctx), 2*time.Second)
			defer cancel()
			w.record(last)
			return nil
		}
	}
}

// start begins to follow for every hook that is not followed yet.
func (w *Worker) start(ctx context.Context, running *sync.WaitGroup) {
	known := map[string]bool{}
	var wanted []*follower
	w.fleet.View(func(s *fleet.State) {
		for id, h := range s.Hooks {
			known[id] = true
			if h.Disabled == "" {
				wanted = append(wanted, &follower{w: w, id: id, at: h.Position, failing: h.Failing, noted: h.Position, notedFailing: h.Failing})
			}
		}
	})
	w.mu.Lock()
	defer w.mu.Unlock()
	for id := range w.logs {
		if !known[id] {
			delete(w.logs, id)
		}
	}
	for _, f := range wanted {
		if w.followers[f.id] != nil {
			continue
		}
		w.followers[f.id] = f
		running.Go(func() {
			f.follow(ctx)
			if ctx.Err() == nil { // at the end its position is still to be put on record
				w.drop(f.id)
			}
		})
	}
}

func (w *Worker) drop(hook string) {
	w.mu.Lock()
	delete(w.followers, hook)
	w.mu.Unlock()
	select {
	case w.ended <- struct{}{}:
	default:
	}
}

// record puts on record how far each hook has come, where that is worth a
// commit: a commit for nothing would be news for the next look.
func (w *Worker) record(ctx context.Context) {
	w.mu.Lock()
	followers := make([]*follower, 0, len(w.followers))
	for _, f := range w.followers {
		followers = append(followers, f)
	}
	w.mu.Unlock()
	var running sync.WaitGroup
	for _, f := range followers {
		at, failing, worth := f.news()
		if !worth {
			continue
		}
		running.Go(func() {
			if _, err := w.fleet.Do(ctx, by, &fleet.NoteDelivered{Hook: f.id, Position: at, Failing: failing}, nil); err != nil {
				w.log.Warn("how far a hook has come could not be put on record", "hook", f.id, "error", err)
				f.mu.Lock()
				f.sent = true // so that it is tried again
				f.mu.Unlock()
				return
			}
			f.mu.Lock()
			f.noted, f.notedFailing = at, failing
			f.mu.Unlock()
		})
	}
	running.Wait()
}

// note remembers a delivery.
func (w *Worker) note(hook string, d Delivery) {
	w.mu.Lock()
	defer w.mu.Unlock()
	log := append(w.logs[hook], d)
	if len(log) > logMost {
		log = slices.Clone(log[len(log)-logMost:])
	}
	w.logs[hook] = log
}

// Deliveries gives this instance's last attempts for a hook, the newest first.
func (w *Worker) Deliveries(hook string) []Delivery {
	w.mu.Lock()
	defer w.mu.Unlock()
	log := slices.Clone(w.logs[hook])
	slices.Reverse(log)
	return log
}

// Progress gives how far a hook has come and since when it fails, as known here
// or on record, whichever is further.
func (w *Worker) Progress(h *fleet.Hook) (at events.Position, failing time.Time) {
	w.mu.Lock()
	f := w.followers[h.Hook]
	w.mu.Unlock()
	at, failing = h.Position, h.Failing
	if f != nil && h.Disabled == "" {
		f.mu.Lock()
		defer f.mu.Unlock()
		if !f.at.Before(at) {
			at, failing = f.at, f.failing
		}
	}
	return at, failing
}
