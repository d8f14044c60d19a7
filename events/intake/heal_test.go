package intake

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"rigledger/events"
)

func TestADeletedConsumerOrStreamIsSetUpAgain(t *testing.T) {
	s := startServer(t, t.TempDir())
	nc := own(t, s)
	d := &desk{}
	in := newIntake(nc, d)
	run(t, in)
	js, _ := jetstream.New(nc)
	rig := asRig(t, s, "T01")
	for i, destroy := range []func() error{
		func() error { return js.DeleteConsumer(context.Background(), StreamName, ConsumerName) },
		func() error { return js.DeleteStream(context.Background(), StreamName) },
	} {
		before := in.Stats().Healed
		if err := destroy(); err != nil {
			t.Fatal(err)
		}
		eventually(t, "the loss is noticed", func() bool { return in.Stats().Healed > before })
		eventually(t, "ready again", func() bool { return in.Ready() == nil })
		publish(t, rig, "rig.T01.reading", reading("T01", fmt.Sprintf("1:%d", i+1), 1), "")
		eventually(t, "a reading comes through", func() bool { return d.count() == i+1 })
	}
}

func TestUnackedMessagesSurviveARestartOfTheServer(t *testing.T) {
	dir := t.TempDir()
	s := startServer(t, dir)
	d := &desk{fail: 1 << 30}
	nc := own(t, s)
	in := newIntake(nc, d)
	stop := run(t, in)
	rig := asRig(t, s, "T01")
	for i := 1; i <= 20; i++ {
		// With the stream's receipt: without it a message may still be on its way
		// into the stream when the server stops, and only the rig has it.
		if _, err := rig.Request("rig.T01.reading", reading("T01", fmt.Sprintf("1:%d", i), 1), 5*time.Second); err != nil {
			t.Fatal(err)
		}
	}
	eventually(t, "refused at the desk", func() bool { return in.Stats().Failed > 0 })
	stop()
	if in.Ready() == nil {
		t.Error("a stopped intake says it is ready")
	}
	nc.Close()
	s.Shutdown()

	s = startServer(t, dir)
	d.mu.Lock()
	d.fail = 0
	d.mu.Unlock()
	in = newIntake(own(t, s), d)
	run(t, in)
	eventually(t, "all twenty are durable", func() bool { return d.count() == 20 })
}

func TestALostServerShowsInReadyAndHeals(t *testing.T) {
	dir := t.TempDir()
	s := startServer(t, dir)
	_, port, _ := strings.Cut(s.Addr(), ":")
	nc, err := Connect("nats://user-T01:pw-T01@"+s.Addr(), testLog())
	if err != nil {
		t.Fatal(err)
	}
	defer nc.Close()
	in := New(nc, Options{Desk: &desk{}})
	in.road.clear() // as if it consumed: this is about the connection
	if err := in.Ready(); err != nil {
		t.Fatal(err)
	}
	s.Shutdown()
	eventually(t, "the loss shows", func() bool { return errors.Is(in.Ready(), errNotConnected) })
	s, err = StartServer(ServerOptions{Listen: "127.0.0.1:" + port, StoreDir: dir, Credentials: doors{}})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(s.Shutdown)
	eventually(t, "it is connected again", func() bool { return in.Ready() == nil })
}

func TestARepeatThatTheStreamDropsIsAckedAllTheSame(t *testing.T) {
	s := startServer(t, t.TempDir())
	d := &desk{}
	in := newIntake(own(t, s), d)
	run(t, in)
	rig := asRig(t, s, "T01")
	publish(t, rig, "rig.T01.reading", reading("T01", "1:1", 1), "T01-1:1")
	publish(t, rig, "rig.T01.reading", reading("T01", "word", 1), "T01-word")
	eventually(t, "durable", func() bool { return in.Stats().Messages == 2 })
	// The rig did not listen; it sends again, and now it does.
	acks, _ := rig.SubscribeSync("rig.T01.ack")
	rig.Flush()
	m := nats.NewMsg("rig.T01.reading")
	m.Data = reading("T01", "1:1", 1)
	m.Header.Set(nats.MsgIdHdr, "T01-1:1")
	answer, err := rig.RequestMsg(m, 5*time.Second)
	if err != nil || !strings.Contains(string(answer.Data), `"duplicate": true`) {
		t.Fatalf("the stream did not drop the repeat: %v %s", err, answer.Data)
	}
	nextAck(t, acks, "a repeated ack", func(a events.Ack) bool { return a.Boot == 1 && a.Seq == 1 && slices.Contains(a.IDs, "word") })
	if in.Stats().Messages != 2 {
		t.Error("the repeat went through the stream: this test shows nothing")
	}
}

func TestAStreamWithOtherSettingsIsChangedOrRefused(t *testing.T) {
	s := startServer(t, t.TempDir())
	nc := own(t, s)
	js, _ := jetstream.New(nc)
	ctx := context.Background()
	if _, err := js.CreateStream(ctx, jetstream.StreamConfig{Name: StreamName, Description: "kept", Subjects: []string{"rig.*.reading"}}); err != nil {
		t.Fatal(err)
	}
	in := newIntake(nc, &desk{})
	stop := run(t, in)
	st, err := js.Stream(ctx, StreamName)
	if err != nil {
		t.Fatal(err)
	}
	if c := st.CachedInfo().Config; len(c.Subjects) != 3 || c.Discard != jetstream.DiscardNew || c.MaxBytes != 8<<20 || c.Description != "kept" {
		t.Errorf("settings are %+v", c)
	}
	stop()
	for name, c := range map[string]jetstream.StreamConfig{
		"kept in memory":           {Name: StreamName, Subjects: []string{"rig.*.reading"}, Storage: jetstream.MemoryStorage},
		"that is a mirror":         {Name: StreamName, Mirror: &jetstream.StreamSource{Name: "OTHER"}},
		"whose subjects are taken": {Name: "OTHERS", Subjects: []string{"rig.>"}},
	} {
		t.Run("a stream "+name+" is a clear error", func(t *testing.T) {
			// A server of its own: a stream's files go some time after the stream.
			nc := own(t, startServer(t, t.TempDir()))
			js, _ := jetstream.New(nc)
			if _, err := js.CreateStream(ctx, c); err != nil {
				t.Fatal(err)
			}
			ctx, cancel := context.WithTimeout(ctx, 5*time.Second)
			defer cancel()
			err := newIntake(nc, &desk{}).Run(ctx)
			if !errors.Is(err, errSettings) {
				t.Errorf("Run gave %v", err)
			}
			t.Log(err)
		})
	}
}

// slow is a desk whose commit takes a while.
type slow struct {
	desk
	began chan struct{}
}

func (s *slow) Take(ctx context.Context, arrivals []events.Arrival) ([]events.Ack, error) {
	select {
	case s.began <- struct{}{}:
	default:
	}
	select {
	case <-ctx.Done():
		return nil, ctx.Err()
	case <-time.After(500 * time.Millisecond):
	}
	return s.desk.Take(ctx, arrivals)
}

func TestStoppingLetsTheCommitInHandFinishAndGivesTheRestBack(t *testing.T) {
	s := startServer(t, t.TempDir())
	nc := own(t, s)
	d := &slow{began: make(chan struct{}, 1)}
	in := newIntake(nc, d)
	in.ackWait = time.Minute // what is not given back would not come in time
	stop := run(t, in)
	rig := asRig(t, s, "T01")
	acks, _ := rig.SubscribeSync("rig.T01.ack")
	publish(t, rig, "rig.T01.reading", reading("T01", "1:1", 1), "")
	<-d.began
	for i := 2; i <= 30; i++ {
		if _, err := rig.Request("rig.T01.reading", reading("T01", fmt.Sprintf("1:%d", i), 1), 5*time.Second); err != nil {
			t.Fatal(err)
		}
	}
	stop()
	nextAck(t, acks, "the commit in hand", func(a events.Ack) bool { return a.Seq == 1 })
	if n := d.count(); n != 1 {
		t.Errorf("%d durable, want the one in hand", n)
	}
	in = newIntake(nc, d)
	in.ackWait = time.Minute
	run(t, in)
	eventually(t, "the rest comes again at once", func() bool { return d.count() == 30 })
}
