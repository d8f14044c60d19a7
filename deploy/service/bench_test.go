package service_test

import (
	"context"
	"fmt"
	"log/slog"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"rigledger/deploy/service"
	"rigledger/events/intake"
	"rigledger/fleet"
)

// rigsOfBench and perRig make the messages of one round.
const (
	rigsOfBench = 20
	perRig      = 1000
)

// BenchmarkIntake measures the whole road, from published to durable in SQLite
// and acked to the rigs, in messages a second; each message is one event with
// two counters. "ratio" sets it against a bare JetStream stream of the same
// settings whose consumer fetches and acks the same messages, in the same run.
func BenchmarkIntake(b *testing.B) {
	s, err := service.Start(b.Context(), service.Options{
		Data: b.TempDir(), HTTP: "127.0.0.1:0", NATS: "127.0.0.1:0", Zone: time.UTC, Log: slog.New(slog.DiscardHandler),
		RaiseEvery: time.Hour,
	})
	if err != nil {
		b.Fatal(err)
	}
	defer s.Close()
	var connections []*nats.Conn
	for i := range rigsOfBench {
		code := fmt.Sprintf("B%02d", i)
		_, err := s.Fleet.Do(b.Context(), "bench", &fleet.RegisterRig{
			Rig: code, Name: code, Class: "trailed", Yard: "north", WidthM: 24, TankL: 3500,
			Meters: []fleet.StartMeter{{Meter: "pump", Quantity: "hours"}, {Meter: "area", Quantity: "area"}},
		}, nil)
		if err != nil {
			b.Fatal(err)
		}
		cmd, user, password := fleet.NewCredential(code)
		if _, err := s.Fleet.Do(b.Context(), "bench", cmd, nil); err != nil {
			b.Fatal(err)
		}
		nc, err := nats.Connect("nats://"+s.Addresses.NATS, nats.UserInfo(user, password), nats.CustomInboxPrefix(intake.InboxPrefix(user)))
		if err != nil {
			b.Fatal(err)
		}
		defer nc.Close()
		connections = append(connections, nc)
	}
	var ours, bare time.Duration
	round := 0
	for b.Loop() {
		texts := roundOf(round)
		round++
		ours += throughService(b, s, connections, texts, round)
		bare += throughBareStream(b, texts)
	}
	messages := float64(round * rigsOfBench * perRig)
	b.ReportMetric(messages/ours.Seconds(), "events/s")
	b.ReportMetric(messages/bare.Seconds(), "bare/s")
	b.ReportMetric(bare.Seconds()/ours.Seconds(), "ratio")
}

// roundOf writes the messages of a round, one after the other for each rig.
func roundOf(round int) [][]byte {
	start := time.Now().Add(-300 * 24 * time.Hour)
	texts := make([][]byte, 0, rigsOfBench*perRig)
	for n := range perRig {
		k := round*perRig + n
		for i := range rigsOfBench {
			texts = append(texts, fmt.Appendf(nil,
				`{"specversion":"1.0","id":"1:%d","source":"urn:rig:B%02d","type":"rig.reading.v1","time":"%s","data":{"counters":[{"meter":"pump","value":%.4f,"unit":"HUR"},{"meter":"area","value":%.4f,"unit":"H18"}]}}`,
				k+1, i, start.Add(time.Duration(k)*10*time.Second).UTC().Format("2006-01-02T15:04:05.000Z"), float64(k)*0.0025, float64(k)*0.03))
		}
	}
	return texts
}

func throughService(b *testing.B, s *service.Service, connections []*nats.Conn, texts [][]byte, round int) time.Duration {
	b.Helper()
	done := make(chan string, rigsOfBench)
	want := fmt.Sprintf(`"seq":%d`, round*perRig)
	for i, nc := range connections {
		sub, err := nc.Subscribe(fmt.Sprintf("rig.B%02d.ack", i), func(m *nats.Msg) {
			if contains(m.Data, want) {
				select {
				case done <- m.Subject:
				default:
				}
			}
		})
		if err != nil {
			b.Fatal(err)
		}
		defer func() { _ = sub.Unsubscribe() }()
		_ = nc.Flush()
	}
	began := time.Now()
	for k, text := range texts {
		i := k % rigsOfBench
		if err := connections[i].Publish(fmt.Sprintf("rig.B%02d.reading", i), text); err != nil {
			b.Fatal(err)
		}
	}
	for _, nc := range connections {
		_ = nc.Flush()
	}
	acked := map[string]bool{}
	timeout := time.After(2 * time.Minute)
	for len(acked) < rigsOfBench {
		select {
		case subject := <-done:
			acked[subject] = true
		case <-timeout:
			b.Fatalf("only %d of %d rigs were acked everything", len(acked), rigsOfBench)
		}
	}
	return time.Since(began)
}

func contains(text []byte, part string) bool {
	for i := 0; i+len(part) <= len(text); i++ {
		if string(text[i:i+len(part)]) == part && (i+len(part) == len(text) || text[i+len(part)] < '0' || text[i+len(part)] > '9') {
			return true
		}
	}
	return false
}

// throughBareStream publishes the same bytes from as many connections into a
// stream that nobody but a fetching and acking consumer looks at.
func throughBareStream(b *testing.B, texts [][]byte) time.Duration {
	b.Helper()
	server, err := intake.StartServer(intake.ServerOptions{Listen: "127.0.0.1:0", StoreDir: b.TempDir(), Credentials: everybody{}, Logger: slog.New(slog.DiscardHandler)})
	if err != nil {
		b.Fatal(err)
	}
	defer server.Shutdown()
	nc, err := server.Connect()
	if err != nil {
		b.Fatal(err)
	}
	defer nc.Close()
	js, err := jetstream.New(nc)
	if err != nil {
		b.Fatal(err)
	}
	ctx, cancel := context.WithTimeout(b.Context(), 2*time.Minute)
	defer cancel()
	stream, err := js.CreateStream(ctx, jetstream.StreamConfig{Name: "BARE", Subjects: []string{"rig.*.reading"}, Storage: jetstream.FileStorage, Discard: jetstream.DiscardNew, MaxBytes: 1 << 30})
	if err != nil {
		b.Fatal(err)
	}
	consumer, err := stream.CreateConsumer(ctx, jetstream.ConsumerConfig{Durable: "bare", AckPolicy: jetstream.AckExplicitPolicy, MaxAckPending: 10_000})
	if err != nil {
		b.Fatal(err)
	}
	var connections []*nats.Conn
	for i := range rigsOfBench {
		rig := fmt.Sprintf("B%02d", i)
		c, err := nats.Connect("nats://"+server.Addr(), nats.UserInfo(rig, "x"))
		if err != nil {
			b.Fatal(err)
		}
		defer c.Close()
		connections = append(connections, c)
	}
	began := time.Now()
	go func() {
		for k, text := range texts {
			i := k % rigsOfBench
			_ = connections[i].Publish(fmt.Sprintf("rig.B%02d.reading", i), text)
		}
		for _, c := range connections {
			_ = c.Flush()
		}
	}()
	for got := 0; got < len(texts); {
		batch, err := consumer.Fetch(500, jetstream.FetchMaxWait(time.Second))
		if err != nil {
			b.Fatal(err)
		}
		for m := range batch.Messages() {
			if err := m.Ack(); err != nil {
				b.Fatal(err)
			}
			got++
		}
	}
	return time.Since(began)
}

type everybody struct{}

func (everybody) RigFor(user, _ string) (string, bool) { return user, true }
func (everybody) ListenerFor(string, string) bool      { return false }
