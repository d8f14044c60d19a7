package intake

import (
	"context"
	"errors"
	"fmt"
	"reflect"
	"time"

	"github.com/nats-io/nats.go/jetstream"
)

// Names of what intake owns on the NATS side.
const (
	StreamName   = "RIGS"
	ConsumerName = "ledger"
)

const (
	defaultBytes  = 1 << 30
	keepFor       = 14 * 24 * time.Hour
	repeatsWithin = 2 * time.Minute
	ackWait       = 30 * time.Second
	maxAckPending = 4096
)

// errSettings says that the stream or its consumer stands with settings that
// cannot be changed to ours; waiting does not heal it.
var errSettings = errors.New("cannot be given the settings that rigledger needs")

// ensureStream creates the stream or changes the one that stands; settings
// that are not ours (placement, description) stay as they are.
func (in *Intake) ensureStream(ctx context.Context) (jetstream.Stream, error) {
	want := func(c *jetstream.StreamConfig) {
		c.Name = StreamName
		c.Subjects = []string{"rig.*.reading", "rig.*.defect", "rig.*.condition"}
		c.Retention = jetstream.LimitsPolicy
		c.Storage = jetstream.FileStorage
		c.Discard = jetstream.DiscardNew // a full buffer refuses, it does not forget
		c.MaxBytes = in.maxBytes
		c.MaxAge = keepFor
		c.MaxMsgs, c.MaxMsgsPerSubject = -1, -1
		c.MaxMsgSize = MaxMessage
		c.Duplicates = repeatsWithin
		c.NoAck, c.DenyPurge = false, false
		if in.replicas > 0 {
			c.Replicas = in.replicas
		}
	}
	stream, err := in.js.Stream(ctx, StreamName)
	if errors.Is(err, jetstream.ErrStreamNotFound) {
		c := jetstream.StreamConfig{Replicas: 1}
		want(&c)
		if stream, err = in.js.CreateStream(ctx, c); err == nil {
			return stream, nil
		}
		if errors.Is(err, jetstream.ErrStreamNameAlreadyInUse) { // another instance was faster
			stream, err = in.js.Stream(ctx, StreamName)
		}
	}
	if err != nil {
		return nil, settled("create stream "+StreamName, err)
	}
	c := stream.CachedInfo().Config
	before := c
	want(&c)
	if reflect.DeepEqual(before, c) {
		return stream, nil
	}
	if stream, err = in.js.UpdateStream(ctx, c); err != nil {
		return nil, settled("change the settings of stream "+StreamName, err)
	}
	in.log.Info("changed the settings of the stream", "stream", StreamName)
	return stream, nil
}

func (in *Intake) ensureConsumer(ctx context.Context, stream jetstream.Stream) (jetstream.Consumer, error) {
	c := jetstream.ConsumerConfig{
		Durable:       ConsumerName,
		Description:   "rigledger's own: acknowledged after the commit",
		DeliverPolicy: jetstream.DeliverAllPolicy,
		AckPolicy:     jetstream.AckExplicitPolicy,
		AckWait:       in.ackWait,
		MaxAckPending: maxAckPending,
		MaxDeliver:    -1,
	}
	consumer, err := stream.CreateOrUpdateConsumer(ctx, c)
	if err != nil {
		return nil, settled("create consumer "+ConsumerName+" of stream "+StreamName, err)
	}
	return consumer, nil
}

// settled tells an error of settings from one that passes: the server answered,
// and not with a failure of its own (500 and above).
func settled(what string, err error) error {
	var api *jetstream.APIError
	if errors.As(err, &api) && api.Code >= 400 && api.Code < 500 && api.ErrorCode != jetstream.JSErrCodeStreamNotFound {
		return fmt.Errorf("%s: %w: %w", what, errSettings, err)
	}
	// Some refusals of an update carry code 500 although the server is well.
	if errors.As(err, &api) && api.ErrorCode == codeUpdateRefused {
		return fmt.Errorf("%s: %w: %w", what, errSettings, err)
	}
	return fmt.Errorf("%s: %w", what, err)
}

// codeUpdateRefused is the server's JSStreamInvalidConfigF / update error,
// given for changes such as another kind of storage.
const codeUpdateRefused = 10052

// watch looks after stream and consumer until the consumer is gone (an error)
// or ctx ends: it keeps Stats, and empties the buffer behind the ledger. Under
// limits retention acknowledged messages would stay and fill the stream up.
func (in *Intake) watch(ctx context.Context, stream jetstream.Stream, consumer jetstream.Consumer) error {
	tick := time.NewTicker(in.watchEvery)
	defer tick.Stop()
	var purged time.Time
	for {
		select {
		case <-ctx.Done():
			return nil
		case <-tick.C:
		}
		ask, cancel := context.WithTimeout(ctx, 5*time.Second)
		info, err := consumer.Info(ask)
		var state *jetstream.StreamInfo
		if err == nil {
			state, err = stream.Info(ask)
		}
		cancel()
		switch {
		case ctx.Err() != nil:
			return nil
		case gone(err):
			return err
		case err != nil:
			in.road.set(fmt.Errorf("ask for the state of stream %s: %w", StreamName, err))
			continue
		}
		in.road.clear()
		in.pending.Store(info.NumPending + uint64(max(info.NumAckPending, 0)))
		in.buffered.Store(state.State.Bytes)
		full := state.State.Bytes > uint64(in.maxBytes)/2
		floor := info.AckFloor.Stream
		if floor >= state.State.FirstSeq && state.State.Msgs > 0 && (full || time.Since(purged) >= in.purgeEvery) {
			ask, cancel := context.WithTimeout(ctx, 10*time.Second)
			err := stream.Purge(ask, jetstream.WithPurgeSequence(floor+1)) // up to floor, not beyond
			cancel()
			if err != nil && ctx.Err() == nil {
				in.log.Warn("cannot empty the buffer behind the ledger", "stream", StreamName, "error", err)
				continue
			}
			purged = time.Now()
			in.purges.Add(1)
		}
		if full && info.NumPending > 0 {
			in.log.Warn("the buffer of what rigs sent is more than half full", "bytes", state.State.Bytes, "of", in.maxBytes)
		}
	}
}

// gone says that stream or consumer are no more.
func gone(err error) bool {
	return errors.Is(err, jetstream.ErrConsumerNotFound) || errors.Is(err, jetstream.ErrConsumerDeleted) ||
		errors.Is(err, jetstream.ErrConsumerDoesNotExist) || errors.Is(err, jetstream.ErrStreamNotFound)
}
