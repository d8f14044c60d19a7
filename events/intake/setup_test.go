package intake

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/nats-io/nats.go"

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
	fail    int    // refuse so many calls first
	refuse  string // refuse calls with this event
}

func (d *desk) Take(_ context.Context, arrivals []events.Arrival) ([]events.Ack, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.calls++
	if d.fail > 0 {
		d.fail--
		return nil, errors.New("disk full")
	}
	for _, a := range arrivals {
		if d.refuse != "" && a.Event == d.refuse {
			return nil, errors.New("no room for " + a.Event)
		}
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
