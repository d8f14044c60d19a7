package intake

import (
	"context"
	"fmt"
	"sync/atomic"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"rigledger/events"
)

// nothing is a desk that costs nothing, so that the road alone is measured.
type nothing struct{ taken atomic.Int64 }

func (n *nothing) Take(_ context.Context, arrivals []events.Arrival) ([]events.Ack, error) {
	for i := range arrivals {
		if arrivals[i].Fault != "" {
			return nil, fmt.Errorf("fault %s", arrivals[i].Detail)
		}
	}
	n.taken.Add(int64(len(arrivals)))
	return []events.Ack{{Rig: "T01", Boot: 1, Seq: n.taken.Load()}}, nil
}
func (n *nothing) AckFor(rig string) (events.Ack, bool) {
	return events.Ack{Rig: rig, Boot: 1, Seq: n.taken.Load()}, true
}

// BenchmarkIntake puts the same messages through the stream twice: by a bare
// loop of fetch and ack, and through the intake (decode, desk, acks to rig and
// stream). Both are timed from the first publish until the stream counts every
// message as acknowledged. ratio is the intake's speed over the bare loop's.
// The drain figures leave publishing out: the messages wait in the stream.
func BenchmarkIntake(b *testing.B) {
	const messages = 40_000
	var texts [][]byte
	for i := range 1000 {
		texts = append(texts, reading("T01", fmt.Sprintf("1:%d", i), 1256.05))
	}
	for _, mode := range []string{"published", "drain"} {
		b.Run(mode, func(b *testing.B) {
			var bare, consume, ours time.Duration
			for b.Loop() {
				bare += roadTime(b, texts, messages, mode == "drain", bareFetch)
				consume += roadTime(b, texts, messages, mode == "drain", bareConsume)
				ours += roadTime(b, texts, messages, mode == "drain", throughIntake)
			}
			n := float64(messages * b.N)
			b.ReportMetric(n/bare.Seconds(), "barefetch/s")
			b.ReportMetric(n/consume.Seconds(), "bareconsume/s")
			b.ReportMetric(n/ours.Seconds(), "intake/s")
			b.ReportMetric(bare.Seconds()/ours.Seconds(), "ratio")
			b.ReportMetric(consume.Seconds()/ours.Seconds(), "ratio-consume")
		})
	}
}

// roadTime measures one way of taking messages, on a server of its own.
func roadTime(b *testing.B, texts [][]byte, messages int, waiting bool, way func(context.Context, testing.TB, *nats.Conn, int)) time.Duration {
	b.Helper()
	s, err := StartServer(ServerOptions{Listen: "127.0.0.1:0", StoreDir: b.TempDir(), Credentials: doors{}})
	if err != nil {
		b.Fatal(err)
	}
	defer s.Shutdown()
	nc, err := s.Connect()
	if err != nil {
		b.Fatal(err)
	}
	defer nc.Close()
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	in := New(nc, Options{Desk: &nothing{}})
	if in.js, err = jetstream.New(nc); err != nil {
		b.Fatal(err)
	}
	stream, err := in.ensureStream(ctx)
	if err != nil {
		b.Fatal(err)
	}
	if _, err := in.ensureConsumer(ctx, stream); err != nil {
		b.Fatal(err)
	}
	rig := asRig(b, s, "T01")
	send := func() {
		for i := range messages {
			if err := rig.Publish("rig.T01.reading", texts[i%len(texts)]); err != nil {
				b.Error(err)
			}
			if i%500 == 499 { // a client that does not run ahead of the server
				rig.Flush()
			}
		}
	}
	if waiting {
		send()
		eventually(b, "all are in the stream", func() bool {
			info, err := stream.Info(ctx)
			return err == nil && info.State.Msgs == uint64(messages)
		})
	}
	began := time.Now()
	if !waiting {
		go send()
	}
	go way(ctx, b, nc, messages)
	consumer, err := stream.Consumer(ctx, ConsumerName)
	if err != nil {
		b.Fatal(err)
	}
	for {
		info, err := consumer.Info(ctx)
		if err == nil && info.AckFloor.Consumer >= uint64(messages) && info.NumAckPending == 0 {
			break
		}
		if time.Since(began) > time.Minute {
			b.Fatalf("not done: %+v", info)
		}
		time.Sleep(2 * time.Millisecond)
	}
	return time.Since(began)
}

func bareFetch(ctx context.Context, t testing.TB, nc *nats.Conn, messages int) {
	js, _ := jetstream.New(nc)
	c, err := js.Consumer(ctx, StreamName, ConsumerName)
	if err != nil {
		t.Error(err)
		return
	}
	for n := 0; n < messages && ctx.Err() == nil; {
		batch, err := c.Fetch(500, jetstream.FetchMaxWait(5*time.Second))
		if err != nil {
			return
		}
		for m := range batch.Messages() {
			m.Ack()
			n++
		}
	}
}

func bareConsume(ctx context.Context, t testing.TB, nc *nats.Conn, _ int) {
	js, _ := jetstream.New(nc)
	c, err := js.Consumer(ctx, StreamName, ConsumerName)
	if err != nil {
		t.Error(err)
		return
	}
	cc, err := c.Consume(func(m jetstream.Msg) { m.Ack() }, jetstream.PullMaxMessagesWithBytesLimit(fetchMessages, fetchBytes))
	if err != nil {
		t.Error(err)
		return
	}
	<-ctx.Done()
	cc.Stop()
}

func throughIntake(ctx context.Context, t testing.TB, nc *nats.Conn, _ int) {
	if err := New(nc, Options{Desk: &nothing{}}).Run(ctx); err != nil {
		t.Error(err)
	}
}
