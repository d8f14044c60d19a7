//go:build unix

package intake

import (
	"context"
	"fmt"
	"slices"
	"sync/atomic"
	"syscall"
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

// BenchmarkIntake puts the same messages through the stream by a bare loop of
// fetch and ack, by a bare callback, and through the intake (decode, desk, acks
// to rig and stream). Each is timed from the first publish until the stream
// counts every message as acknowledged, on a server of its own in this process.
// ratio is the intake's speed over the bare loop's, by the median of the
// rounds; cpu-ratio the same by processor time, which says more on a machine
// that has other work. In drain, publishing is left out: the messages wait in
// the stream.
func BenchmarkIntake(b *testing.B) {
	const messages = 20_000
	var texts [][]byte
	for i := range 1000 {
		texts = append(texts, reading("T01", fmt.Sprintf("1:%d", i), 1256.05))
	}
	for _, mode := range []string{"published", "drain"} {
		b.Run(mode, func(b *testing.B) {
			ways := []func(context.Context, testing.TB, *nats.Conn, int){bareFetch, bareConsume, throughIntake}
			wall, cpu := make([][]float64, len(ways)), make([][]float64, len(ways))
			for b.Loop() {
				for i, way := range ways {
					w, c := roadTime(b, texts, messages, mode == "drain", way)
					wall[i], cpu[i] = append(wall[i], w.Seconds()), append(cpu[i], c.Seconds())
				}
			}
			b.Logf("seconds a round: bare fetch %.2f, bare consume %.2f, intake %.2f", wall[0], wall[1], wall[2])
			b.ReportMetric(messages/median(wall[0]), "fetch/s")
			b.ReportMetric(messages/median(wall[1]), "consume/s")
			b.ReportMetric(messages/median(wall[2]), "intake/s")
			b.ReportMetric(median(wall[0])/median(wall[2]), "ratio")
			b.ReportMetric(median(wall[1])/median(wall[2]), "ratio-consume")
			b.ReportMetric(median(cpu[0])/median(cpu[2]), "cpu-ratio")
			b.ReportMetric(median(cpu[1])/median(cpu[2]), "cpu-ratio-consume")
			b.ReportMetric(1e6*median(cpu[2])/messages, "cpu-µs/msg")
		})
	}
}

func median(all []float64) float64 {
	all = slices.Sorted(slices.Values(all))
	return all[len(all)/2]
}

// processorTime is what this process has used, in user and system mode.
func processorTime(t testing.TB) time.Duration {
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		t.Fatal(err)
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}

// roadTime measures one way of taking messages, on a server of its own.
func roadTime(b *testing.B, texts [][]byte, messages int, waiting bool, way func(context.Context, testing.TB, *nats.Conn, int)) (wall, cpu time.Duration) {
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
	began, used := time.Now(), processorTime(b)
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
	return time.Since(began), processorTime(b) - used
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
