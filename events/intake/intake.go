package intake

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"sync"
	"sync/atomic"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"rigledger/events"
)

// Desk is where arrivals become facts.
type Desk interface {
	// Take makes all arrivals durable, as facts or in quarantine, and says what the
	// rigs may forget. An error means that the caller cannot know: it brings all
	// of them again, later.
	Take(ctx context.Context, arrivals []events.Arrival) ([]events.Ack, error)
	// AckFor gives what is durable of a rig now; false when nothing is known.
	AckFor(rig string) (events.Ack, bool)
}

// Options of an Intake. Desk is needed, the rest has defaults.
type Options struct {
	Desk     Desk
	Logger   *slog.Logger
	Now      func() time.Time // the clock; time.Now
	Replicas int              // of the stream in a cluster; 0 leaves it as it stands
	MaxBytes int64            // of the stream; 1 GiB
}

// Intake brings what rigs sent to the Desk, and its acknowledgements back.
type Intake struct {
	nc       *nats.Conn
	js       jetstream.JetStream
	desk     Desk
	log      *slog.Logger
	now      func() time.Time
	replicas int
	maxBytes int64

	ackWait, watchEvery, purgeEvery, repeatEvery, firstDelay time.Duration

	road, table trouble // the way to us; the Desk's own

	hears hearing

	messages, arrivals, faults, batches, failed, acks, repeats, purges, healed atomic.Uint64
	pending, buffered                                                          atomic.Uint64
}

// Stats are counts since the start, and gauges of the moment.
type Stats struct {
	Messages uint64 // acknowledged to the stream
	Arrivals uint64 // events handed to the Desk and durable
	Faults   uint64 // of those, not understood
	Batches  uint64 // calls of Take that succeeded
	Failed   uint64 // calls of Take that did not
	Acks     uint64 // sent to rigs
	Repeats  uint64 // of those, sent again
	Purges   uint64 // times the buffer was emptied behind the ledger
	Healed   uint64 // times consumption was set up again

	Pending  uint64 // gauge: messages in the buffer and not acknowledged
	Buffered uint64 // gauge: bytes in the buffer
}

// New makes an Intake on a connection that stays the caller's.
func New(nc *nats.Conn, o Options) *Intake {
	in := &Intake{
		nc: nc, desk: o.Desk, log: o.Logger, now: o.Now, replicas: o.Replicas, maxBytes: o.MaxBytes,
		ackWait: ackWait, watchEvery: 5 * time.Second, purgeEvery: time.Minute,
		repeatEvery: 5 * time.Second, firstDelay: 250 * time.Millisecond,
	}
	if in.log == nil {
		in.log = slog.New(slog.DiscardHandler)
	}
	in.log = in.log.With("part", "intake")
	if in.now == nil {
		in.now = time.Now
	}
	if in.maxBytes <= 0 {
		in.maxBytes = defaultBytes
	}
	in.road.set(errors.New("intake has not started"))
	return in
}

// Run works until ctx ends and returns nil then. It returns an error only for
// what waiting cannot heal, such as a stream whose settings cannot be changed;
// a lost connection or a deleted consumer shows in Ready and is set right.
func (in *Intake) Run(ctx context.Context) error {
	js, err := jetstream.New(in.nc)
	if err != nil {
		return fmt.Errorf("intake: %w", err)
	}
	in.js = js
	defer in.road.set(errors.New("intake has stopped"))

	repeating, endRepeating := context.WithCancel(ctx)
	var repeater sync.WaitGroup
	repeater.Go(func() { in.repeatAcks(repeating) })
	defer repeater.Wait()
	defer endRepeating()

	const firstPause, lastPause = 100 * time.Millisecond, 5 * time.Second
	pause := firstPause
	for {
		began := time.Now()
		err := in.consume(ctx)
		if ctx.Err() != nil {
			return nil
		}
		if errors.Is(err, errSettings) {
			return fmt.Errorf("intake: %w", err)
		}
		in.road.set(err)
		in.log.Warn("consumption stopped, setting it up again", "error", err)
		if time.Since(began) > 30*time.Second {
			pause = firstPause
		}
		select {
		case <-ctx.Done():
			return nil
		case <-time.After(pause):
		}
		pause = min(2*pause, lastPause)
		in.healed.Add(1)
	}
}

// consume sets up stream and consumer and takes messages until ctx ends or the
// consumer is lost.
func (in *Intake) consume(ctx context.Context) error {
	ask, cancel := context.WithTimeout(ctx, 10*time.Second)
	defer cancel()
	stream, err := in.ensureStream(ask)
	if err != nil {
		return err
	}
	consumer, err := in.ensureConsumer(ask, stream)
	if err != nil {
		return err
	}
	return in.take(ctx, stream, consumer)
}

// Ready says why nothing can come in at the moment; nil when all is well.
func (in *Intake) Ready() error {
	if !in.nc.IsConnected() {
		return errNotConnected
	}
	if err := in.road.get(); err != nil {
		return err
	}
	return in.table.get()
}

// Stats gives the counts.
func (in *Intake) Stats() Stats {
	return Stats{
		Messages: in.messages.Load(), Arrivals: in.arrivals.Load(), Faults: in.faults.Load(),
		Batches: in.batches.Load(), Failed: in.failed.Load(), Acks: in.acks.Load(), Repeats: in.repeats.Load(),
		Purges: in.purges.Load(), Healed: in.healed.Load(), Pending: in.pending.Load(), Buffered: in.buffered.Load(),
	}
}

// trouble holds the error that stands at the moment, if any.
type trouble struct{ p atomic.Pointer[error] }

func (t *trouble) set(err error) { t.p.Store(&err) }
func (t *trouble) clear()        { t.p.Store(nil) }
func (t *trouble) get() error {
	if p := t.p.Load(); p != nil {
		return *p
	}
	return nil
}
