package intake

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"rigledger/events"
)

// doors lets in rig <X> as user-<X> with password pw-<X>, and one token.
type doors struct{}

func (doors) RigFor(user, password string) (string, bool) {
	rig, ok := strings.CutPrefix(user, "user-")
	return rig, ok && password == "pw-"+rig
}
func (doors) ListenerFor(user, password string) bool {
	return user == ListenerUser && password == "reader-secret"
}

// desk keeps what it took, as the real one does, once for each rig and event.
type desk struct {
	mu      sync.Mutex
	durable map[string]events.Arrival // by rig and event
	order   []string
	calls   int
	fail    int // refuse so many calls first
}

func (d *desk) Take(_ context.Context, arrivals []events.Arrival) ([]events.Ack, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.calls++
	if d.fail > 0 {
		d.fail--
		return nil, errors.New("disk full")
	}
	if d.durable == nil {
		d.durable = map[string]events.Arrival{}
	}
	byRig := map[string]*events.Ack{}
	for _, a := range arrivals {
		key := a.Rig + "/" + a.Event
		if _, known := d.durable[key]; !known {
			d.durable[key] = a
			d.order = append(d.order, key)
		}
		ack := byRig[a.Rig]
		if ack == nil {
			ack = &events.Ack{Rig: a.Rig}
			byRig[a.Rig] = ack
		}
		if _, _, ok := events.ParseSequence(a.Event); !ok {
			ack.IDs = append(ack.IDs, a.Event)
		}
	}
	var acks []events.Ack
	for rig, ack := range byRig {
		now, _ := d.highest(rig)
		ack.Boot, ack.Seq = now.Boot, now.Seq
		acks = append(acks, *ack)
	}
	return acks, nil
}

func (d *desk) AckFor(rig string) (events.Ack, bool) {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.highest(rig)
}

// highest sequence with none missing below it, of boot 1.
func (d *desk) highest(rig string) (events.Ack, bool) {
	a := events.Ack{Rig: rig, Boot: 1}
	for {
		if _, ok := d.durable[fmt.Sprintf("%s/1:%d", rig, a.Seq+1)]; !ok {
			return a, a.Seq > 0
		}
		a.Seq++
	}
}

func (d *desk) count() int {
	d.mu.Lock()
	defer d.mu.Unlock()
	return len(d.durable)
}

func (d *desk) got(key string) (events.Arrival, bool) {
	d.mu.Lock()
	defer d.mu.Unlock()
	a, ok := d.durable[key]
	return a, ok
}

// testLog shows warnings when RIGLEDGER_TEST_LOG is set.
func testLog() *slog.Logger {
	if os.Getenv("RIGLEDGER_TEST_LOG") == "" {
		return slog.New(slog.DiscardHandler)
	}
	return slog.New(slog.NewTextHandler(os.Stderr, &slog.HandlerOptions{Level: slog.LevelDebug}))
}

func startServer(t testing.TB, dir string) *Server {
	t.Helper()
	s, err := StartServer(ServerOptions{Listen: "127.0.0.1:0", MQTT: "127.0.0.1:0", StoreDir: dir,
		Credentials: doors{}, Logger: testLog()})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(s.Shutdown)
	return s
}

func own(t testing.TB, s *Server) *nats.Conn {
	t.Helper()
	nc, err := s.Connect()
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(nc.Close)
	return nc
}

// newIntake has the clock of a test: everything that waits waits less.
func newIntake(nc *nats.Conn, d Desk) *Intake {
	in := New(nc, Options{Desk: d, Logger: testLog(), MaxBytes: 8 << 20})
	in.watchEvery, in.purgeEvery = 100*time.Millisecond, 100*time.Millisecond
	in.repeatEvery, in.firstDelay = 200*time.Millisecond, 50*time.Millisecond
	in.ackWait = 2 * time.Second
	return in
}

// run starts in and stops it at the end of the test, or when stop is called.
func run(t testing.TB, in *Intake) (stop func()) {
	t.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- in.Run(ctx) }()
	stop = sync.OnceFunc(func() {
		cancel()
		select {
		case err := <-done:
			if err != nil {
				t.Errorf("Run: %v", err)
			}
		case <-time.After(15 * time.Second):
			t.Error("Run does not end")
		}
	})
	t.Cleanup(stop)
	eventually(t, "the intake is ready", func() bool { return in.Ready() == nil })
	return stop
}

func eventually(t testing.TB, what string, is func() bool) {
	t.Helper()
	for deadline := time.Now().Add(10 * time.Second); !is(); time.Sleep(5 * time.Millisecond) {
		if time.Now().After(deadline) {
			t.Fatalf("never came about: %s", what)
		}
	}
}

func asRig(t testing.TB, s *Server, rig string, more ...nats.Option) *nats.Conn {
	t.Helper()
	nc, err := nats.Connect("nats://"+s.Addr(), append([]nats.Option{nats.UserInfo("user-"+rig, "pw-"+rig),
		nats.CustomInboxPrefix(InboxPrefix(rig)), nats.ErrorHandler(func(*nats.Conn, *nats.Subscription, error) {})}, more...)...)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(nc.Close)
	return nc
}

func reading(rig, id string, hours float64) []byte {
	return fmt.Appendf(nil, `{"specversion":"1.0","id":%q,"source":"urn:rig:%s","type":"rig.reading.v1","time":"2026-05-04T09:31:12.250Z",`+
		`"data":{"counters":[{"meter":"pump","value":%v,"unit":"HUR"},{"meter":"area","value":5617.8,"unit":"H18"}]}}`, id, rig, hours)
}

func publish(t testing.TB, nc *nats.Conn, subject string, data []byte, id string) {
	t.Helper()
	m := nats.NewMsg(subject)
	m.Data = data
	if id != "" {
		m.Header.Set(nats.MsgIdHdr, id)
	}
	if err := nc.PublishMsg(m); err != nil {
		t.Fatal(err)
	}
	if err := nc.Flush(); err != nil {
		t.Fatal(err)
	}
}

// nextAck waits for an ack that satisfies is.
func nextAck(t testing.TB, sub *nats.Subscription, what string, is func(events.Ack) bool) events.Ack {
	t.Helper()
	for deadline := time.Now().Add(10 * time.Second); time.Now().Before(deadline); {
		m, err := sub.NextMsg(time.Until(deadline))
		if err != nil {
			break
		}
		if a, ok := ParseAck(m.Data); ok && is(a) {
			return a
		}
	}
	t.Fatalf("no ack came: %s", what)
	return events.Ack{}
}

func TestAReadingOverNATSReachesTheDeskAndIsAcked(t *testing.T) {
	s := startServer(t, t.TempDir())
	d := &desk{}
	in := newIntake(own(t, s), d)
	run(t, in)
	rig := asRig(t, s, "T01")
	acks, _ := rig.SubscribeSync("rig.T01.ack")
	rig.Flush()
	began := time.Now()
	publish(t, rig, "rig.T01.reading", reading("T01", "1:1", 1256.05), "")
	nextAck(t, acks, "1:1", func(a events.Ack) bool { return a.Boot == 1 && a.Seq == 1 })
	t.Logf("published, durable, acked in %v", time.Since(began))
	a, ok := d.got("T01/1:1")
	if !ok || a.Fault != "" || a.Via != "rig.T01.reading" || a.Kind != events.KindReading || len(a.Counters) != 2 ||
		a.Counters[0] != (events.RawCounter{Meter: "pump", Value: 1256.05, Unit: "HUR"}) ||
		!a.Time.Equal(time.Date(2026, 5, 4, 9, 31, 12, 250e6, time.UTC)) {
		t.Fatalf("the desk got %+v", a)
	}
	publish(t, rig, "rig.T01.defect", []byte(`{"specversion":"1.0","id":"word","source":"urn:rig:T01","type":"rig.defect.v1","time":"2026-05-04T09:31:12Z","data":{"text":"guard gone","safety":true}}`), "")
	nextAck(t, acks, "by id", func(a events.Ack) bool { return slices.Contains(a.IDs, "word") })
	eventually(t, "the stream knows both as done", func() bool { st := in.Stats(); return st.Messages == 2 && st.Pending == 0 })
}

func TestWhatCannotBeReadReachesTheDeskToo(t *testing.T) {
	s := startServer(t, t.TempDir())
	d := &desk{}
	in := newIntake(own(t, s), d)
	run(t, in)
	rig := asRig(t, s, "T01")
	publish(t, rig, "rig.T01.reading", []byte("pump 12.5"), "")
	publish(t, rig, "rig.T01.reading", []byte("[]"), "")
	eventually(t, "the fault at the desk", func() bool { a, ok := d.got("T01/"); return ok && a.Fault == FaultJSON })
	eventually(t, "both done", func() bool { st := in.Stats(); return st.Messages == 2 && st.Faults == 1 })
}

func TestADeskThatFailsGetsEverythingAgain(t *testing.T) {
	s := startServer(t, t.TempDir())
	d := &desk{fail: 3}
	in := newIntake(own(t, s), d)
	run(t, in)
	rig := asRig(t, s, "T01")
	for i := 1; i <= 40; i++ {
		publish(t, rig, "rig.T01.reading", reading("T01", fmt.Sprintf("1:%d", i), float64(i)), "")
	}
	eventually(t, "the failure shows in Ready", func() bool { return in.Stats().Failed > 0 })
	eventually(t, "all forty are durable", func() bool { return d.count() == 40 })
	eventually(t, "ready again and nothing left", func() bool { return in.Ready() == nil && in.Stats().Pending == 0 })
	if f := in.Stats().Failed; f != 3 {
		t.Errorf("%d calls failed, want 3", f)
	}
}

func TestAFullStreamRefusesAndForgetsNothing(t *testing.T) {
	s := startServer(t, t.TempDir())
	nc := own(t, s)
	d := &desk{fail: 1 << 30}
	in := newIntake(nc, d)
	in.maxBytes = 64 << 10
	stop := run(t, in)
	stop() // the stream stands, nobody takes from it
	rig := asRig(t, s, "T01")
	accepted, refused := 0, 0
	for i := 1; i <= 400; i++ {
		m, err := rig.Request("rig.T01.reading", reading("T01", fmt.Sprintf("1:%d", i), float64(i)), 5*time.Second)
		if err != nil {
			t.Fatal(err)
		}
		if strings.Contains(string(m.Data), `"error"`) {
			refused++
		} else {
			accepted++
		}
	}
	if refused == 0 || accepted == 0 {
		t.Fatalf("%d accepted, %d refused: want some of both", accepted, refused)
	}
	d.mu.Lock()
	d.fail = 0
	d.mu.Unlock()
	in = newIntake(nc, d)
	in.maxBytes = 64 << 10
	run(t, in)
	eventually(t, "what was accepted is durable", func() bool { return d.count() == accepted })
	for i := 1; i <= accepted; i++ { // the first ones, not the last
		if _, ok := d.got(fmt.Sprintf("T01/1:%d", i)); !ok {
			t.Fatalf("reading %d was accepted and is lost", i)
		}
	}
	eventually(t, "the buffer is emptied and takes again", func() bool {
		m, err := rig.Request("rig.T01.reading", reading("T01", "1:401", 401), 5*time.Second)
		return err == nil && !strings.Contains(string(m.Data), `"error"`)
	})
}

func TestAcknowledgedMessagesAreRemovedAndOthersAreNot(t *testing.T) {
	s := startServer(t, t.TempDir())
	nc := own(t, s)
	d := &desk{}
	in := newIntake(nc, d)
	run(t, in)
	rig := asRig(t, s, "T01")
	for i := 1; i <= 10; i++ {
		publish(t, rig, "rig.T01.reading", reading("T01", fmt.Sprintf("1:%d", i), 1), "")
	}
	js, _ := jetstream.New(nc)
	messages := func() uint64 {
		st, err := js.Stream(context.Background(), StreamName)
		if err != nil {
			t.Fatal(err)
		}
		return st.CachedInfo().State.Msgs
	}
	eventually(t, "an empty stream", func() bool { return d.count() == 10 && messages() == 0 })
	d.mu.Lock()
	d.fail = 1 << 30
	d.mu.Unlock()
	publish(t, rig, "rig.T01.reading", reading("T01", "1:11", 1), "")
	eventually(t, "refused at the desk", func() bool { return in.Stats().Failed > 1 })
	time.Sleep(3 * in.purgeEvery)
	if n := messages(); n != 1 {
		t.Errorf("%d messages in the stream, want the one that is not durable", n)
	}
}

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
			js.DeleteStream(ctx, StreamName)
			if _, err := js.CreateStream(ctx, c); err != nil {
				t.Fatal(err)
			}
			defer js.DeleteStream(ctx, c.Name)
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
