package intake

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"time"

	"github.com/nats-io/nats.go/jetstream"

	"rigledger/events"
)

// The road has three stages, each on its own goroutine, so that the next batch
// is read while the last one is being committed and the one before
// acknowledged: read (decode) → take (the Desk) → settle (acks).
const (
	fetchMessages = 1000     // asked from the stream ahead
	fetchBytes    = 16 << 20 // of them, at most
	waiting       = 512      // messages read and not yet taken
	batchMessages = 500
	batchArrivals = 500 // a batch is closed when it has these; one message may exceed it
	maxDelay      = 15 * time.Second
	lastCommit    = 10 * time.Second // for the commit in hand when the intake stops
)

// parcel is one message and what it said.
type parcel struct {
	msg      jetstream.Msg
	arrivals []events.Arrival
}

// batch is what one call of Take makes durable.
type batch struct {
	parcels  []parcel
	arrivals []events.Arrival
	acks     []events.Ack
}

// take runs the three stages until ctx ends (nil) or the consumer is lost.
func (in *Intake) take(ctx context.Context, stream jetstream.Stream, consumer jetstream.Consumer) error {
	run, stop := context.WithCancelCause(ctx)
	defer stop(nil)
	read := make(chan parcel, waiting)
	consuming, err := consumer.Consume(func(m jetstream.Msg) {
		p := parcel{m, Decode(m.Subject(), m.Data(), in.now())}
		select {
		case read <- p:
		case <-run.Done():
			m.Nak() // comes again at once, not after the ack wait
		}
	},
		jetstream.PullMaxMessagesWithBytesLimit(fetchMessages, fetchBytes),
		jetstream.PullExpiry(30*time.Second),
		jetstream.PullHeartbeat(5*time.Second),
		jetstream.ConsumeErrHandler(func(_ jetstream.ConsumeContext, err error) {
			if gone(err) {
				stop(fmt.Errorf("consumer %s: %w", ConsumerName, err))
			} else if errors.Is(err, jetstream.ErrNoHeartbeat) {
				in.road.set(fmt.Errorf("consumer %s: %w", ConsumerName, err)) // watch clears it
			}
		}))
	if err != nil {
		return fmt.Errorf("consume from stream %s: %w", StreamName, err)
	}
	in.road.clear()

	// The commit in hand is let finish when ctx ends, for a while: a batch whose
	// fate is unknown comes twice for nothing.
	finish, giveUp := context.WithCancel(context.WithoutCancel(ctx))
	defer giveUp()
	defer context.AfterFunc(run, func() { time.AfterFunc(lastCommit, giveUp) })()

	var stages sync.WaitGroup
	taken := make(chan *batch, 2)
	stages.Go(func() {
		defer close(taken)
		in.takeBatches(run, finish, read, taken)
	})
	stages.Go(func() {
		for b := range taken {
			in.settle(b)
		}
	})
	stages.Go(func() {
		if err := in.watch(run, stream, consumer); err != nil {
			stop(err)
		}
	})
	select {
	case <-run.Done():
	case <-consuming.Closed():
		stop(errors.New("the stream ended its deliveries"))
	}
	stages.Wait()
	consuming.Drain() // what is still on its way is given back by the handler
	select {
	case <-consuming.Closed():
	case <-time.After(2 * time.Second):
	}
	for {
		select {
		case p := <-read:
			p.msg.Nak()
			continue
		default:
		}
		break
	}
	if ctx.Err() != nil {
		in.nc.FlushTimeout(2 * time.Second) // acks leave before the caller closes the connection
		return nil
	}
	return context.Cause(run)
}

// takeBatches puts together what waits and hands it to the Desk, one batch at a
// time, until ctx ends. A single reading does not wait for company.
func (in *Intake) takeBatches(ctx, finish context.Context, read <-chan parcel, taken chan<- *batch) {
	failures := 0
	for ctx.Err() == nil {
		b := &batch{}
		select {
		case <-ctx.Done():
			return
		case p := <-read:
			b.add(p)
		}
	fill:
		for len(b.parcels) < batchMessages && len(b.arrivals) < batchArrivals {
			select {
			case p := <-read:
				b.add(p)
			default:
				break fill
			}
		}
		if err := in.offer(finish, b); err != nil {
			delay := min(in.firstDelay<<min(failures, 10), maxDelay)
			failures++
			for _, p := range b.parcels {
				p.msg.NakWithDelay(delay)
			}
			if ctx.Err() != nil {
				return
			}
			in.failed.Add(1)
			in.table.set(fmt.Errorf("the desk does not take readings: %w", err))
			in.log.Warn("the desk did not take a batch; it comes again", "messages", len(b.parcels), "after", delay, "error", err)
			select { // the rest would fare no better
			case <-ctx.Done():
				return
			case <-time.After(delay):
			}
			continue
		}
		failures = 0
		in.table.clear()
		taken <- b
	}
}

// offer calls the Desk.
func (in *Intake) offer(ctx context.Context, b *batch) (err error) {
	if len(b.arrivals) == 0 {
		return nil // empty arrays only
	}
	b.acks, err = in.desk.Take(ctx, b.arrivals)
	return err
}

func (b *batch) add(p parcel) {
	if b.parcels == nil {
		b.parcels = make([]parcel, 0, 64)
		b.arrivals = make([]events.Arrival, 0, 64)
	}
	b.parcels = append(b.parcels, p)
	b.arrivals = append(b.arrivals, p.arrivals...)
}

// settle tells the rigs and then the stream. In this order: when the process
// ends between the two, the message comes again and the rig is told again.
func (in *Intake) settle(b *batch) {
	in.sendAcks(b)
	for _, p := range b.parcels {
		if err := p.msg.Ack(); err != nil {
			in.log.Debug("acknowledge to the stream", "error", err) // comes again; the desk knows it
		}
	}
	faults := 0
	for i := range b.arrivals {
		if b.arrivals[i].Fault != "" {
			faults++
		}
	}
	in.messages.Add(uint64(len(b.parcels)))
	in.arrivals.Add(uint64(len(b.arrivals)))
	in.faults.Add(uint64(faults))
	in.batches.Add(1)
}
