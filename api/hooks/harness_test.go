package hooks_test

import (
	"context"
	"crypto/hmac"
	"crypto/sha256"
	"encoding/base64"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"rigledger/api/feed"
	"rigledger/api/hooks"
	"rigledger/events"
	"rigledger/events/sqlitestore"
	"rigledger/fleet"
)

// verify is the receiver's side of Standard Webhooks 1.0.0, written from the
// specification and not with our code: any signature in the header may match.
func verify(secret string, header http.Header, body []byte) bool {
	key, err := base64.StdEncoding.DecodeString(secret[len("whsec_"):])
	if err != nil || len(key) < 24 || len(key) > 64 {
		return false
	}
	sent, err := strconv.ParseInt(header.Get("webhook-timestamp"), 10, 64)
	if age := time.Since(time.Unix(sent, 0)); err != nil || age < -5*time.Second || age > 5*time.Minute {
		return false
	}
	mac := hmac.New(sha256.New, key)
	fmt.Fprintf(mac, "%s.%s.%s", header.Get("webhook-id"), header.Get("webhook-timestamp"), body)
	for _, one := range strings.Fields(header.Get("webhook-signature")) {
		version, text, _ := strings.Cut(one, ",")
		got, err := base64.StdEncoding.DecodeString(text)
		if version == "v1" && err == nil && hmac.Equal(got, mac.Sum(nil)) {
			return true
		}
	}
	return false
}

// The example of the specification's own test vectors holds for our verifier.
func TestTheVerifierTakesTheSpecificationsExample(t *testing.T) {
	// Source: Standard Webhooks 1.0.0, section "Signature scheme", from memory; its
	// timestamp is long past, so the age is left out here.
	key, _ := base64.StdEncoding.DecodeString("MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw")
	mac := hmac.New(sha256.New, key)
	mac.Write([]byte(`msg_p5jXN8AQM9LWM0D4loKWxJek.1614265330.{"test": 2432232314}`))
	if got := base64.StdEncoding.EncodeToString(mac.Sum(nil)); got != "g0hM9SsE+OTPJTGt/tmIKtSyZlE3uFJELVlNIOLJ1OE=" {
		t.Errorf("signature %s", got)
	}
}

// taken is one request that a receiver got.
type taken struct {
	id, kind, body string
	header         http.Header
	at             time.Time
	status         int
}

// receiver is other farm software: it answers as answer says.
type receiver struct {
	*httptest.Server
	mu     sync.Mutex
	got    []taken
	answer func(n int, w http.ResponseWriter, r *http.Request) int // n from 0
}

func newReceiver(t *testing.T, answer func(n int, w http.ResponseWriter, r *http.Request) int) *receiver {
	r := &receiver{answer: answer}
	r.Server = httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, q *http.Request) {
		body, _ := io.ReadAll(q.Body)
		var m struct{ Type string }
		_ = json.Unmarshal(body, &m)
		r.mu.Lock()
		n := len(r.got)
		r.got = append(r.got, taken{id: q.Header.Get("webhook-id"), kind: m.Type, body: string(body), header: q.Header.Clone(), at: time.Now()})
		r.mu.Unlock()
		status := 200
		if r.answer != nil {
			status = r.answer(n, w, q)
		}
		r.mu.Lock()
		r.got[n].status = status
		r.mu.Unlock()
		w.WriteHeader(status)
	}))
	t.Cleanup(r.Close)
	return r
}

func (r *receiver) all() []taken {
	r.mu.Lock()
	defer r.mu.Unlock()
	return slices.Clone(r.got)
}

// texts lists what was taken with a 2xx, each once, in the order it came first.
func (r *receiver) texts() (texts []string) {
	for _, g := range r.all() {
		var m struct {
			Data struct {
				Fact struct{ Text string }
			}
		}
		_ = json.Unmarshal([]byte(g.body), &m)
		if g.status/100 == 2 && !slices.Contains(texts, m.Data.Fact.Text) {
			texts = append(texts, m.Data.Fact.Text)
		}
	}
	return texts
}

// yard is a fleet with one rig and a worker.
type yard struct {
	t     *testing.T
	fleet *fleet.Fleet
	store events.Store
	w     *hooks.Worker
	stop  func()
	o     hooks.Options
}

func newYard(t *testing.T, o hooks.Options) *yard {
	t.Helper()
	store, err := sqlitestore.Open(context.Background(), filepath.Join(t.TempDir(), "ledger.db"))
	if err != nil {
		t.Fatal(err)
	}
	y := &yard{t: t, store: store, o: o}
	y.open()
	t.Cleanup(func() {
		y.close()
		_ = store.Close()
	})
	if err := y.fleet.PublishStarters(context.Background()); err != nil {
		t.Fatal(err)
	}
	for _, rig := range []string{"N01", "S01"} {
		y.do(&fleet.RegisterRig{
			Rig: rig, Name: rig, Class: "trailed", Yard: map[string]string{"N01": "north", "S01": "south"}[rig], WidthM: 24, TankL: 3500,
			Meters: []fleet.StartMeter{{Meter: "pump", Quantity: "hours"}}, Plan: "trailed-boom",
		})
	}
	return y
}

func (y *yard) open() {
	y.t.Helper()
	var err error
	if y.fleet, err = fleet.Open(context.Background(), fleet.Options{Store: y.store}); err != nil {
		y.t.Fatal(err)
	}
	o := y.o
	o.Feed = &feed.Reader{Fleet: y.fleet}
	y.w = hooks.New(o)
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- y.w.Run(ctx) }()
	y.stop = sync.OnceFunc(func() {
		cancel()
		if err := <-ended; err != nil {
			y.t.Error(err)
		}
	})
}

func (y *yard) close() {
	y.stop()
	y.fleet.Close()
}

func (y *yard) do(cmd fleet.Command) {
	y.t.Helper()
	if _, err := y.fleet.Do(context.Background(), "test", cmd, nil); err != nil {
		y.t.Fatal(err)
	}
}

func (y *yard) hook(url string, kinds, yards []string) (id, secret string) {
	y.t.Helper()
	cmd, secret := fleet.NewHook()
	cmd.Name, cmd.URL, cmd.Kinds, cmd.Yards = "office", url, kinds, yards
	y.do(cmd)
	return cmd.ID(), secret
}

func (y *yard) report(rig, text string) {
	y.t.Helper()
	y.do(&fleet.ReportDefect{ID: fleet.NewDefectID(), Rig: rig, Text: text})
}

func (y *yard) state(id string) (h fleet.Hook) {
	y.fleet.View(func(s *fleet.State) {
		if s.Hooks[id] != nil {
			h = *s.Hooks[id]
		}
	})
	return h
}

func (y *yard) eventually(what string, ok func() bool) {
	y.t.Helper()
	for end := time.Now().Add(20 * time.Second); !ok(); time.Sleep(5 * time.Millisecond) {
		if time.Now().After(end) {
			y.t.Fatalf("not in time: %s", what)
		}
	}
}

// quick delays, so that a day of failures passes in a second.
var quick = hooks.Options{
	Private: true, Timeout: 300 * time.Millisecond, Delays: []time.Duration{10 * time.Millisecond, 20 * time.Millisecond},
	GiveUp: time.Hour, Record: time.Hour,
}

var defects = []string{"defect.reported"}
