package hooks_test

import (
	"context"
	"fmt"
	"net/http"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"rigledger/api/feed"
	"rigledger/api/hooks"
	"rigledger/events"
	"rigledger/fleet"
)

// once checks that every fact came under one id, whatever went wrong between.
func once(t *testing.T, r *receiver, secret string) {
	t.Helper()
	ids, bodies := map[string]string{}, map[string]string{}
	for _, g := range r.all() {
		if !verify(secret, g.header, []byte(g.body)) {
			t.Errorf("the signature of %s does not hold", g.id)
		}
		if old, known := ids[g.body]; known && old != g.id {
			t.Errorf("the same fact came as %s and as %s", old, g.id)
		}
		if old, known := bodies[g.id]; known && old != g.body {
			t.Errorf("%s came with two bodies", g.id)
		}
		ids[g.body], bodies[g.id] = g.id, g.body
		if strings.Contains(g.id, ".") || g.header.Get("Content-Type") != "application/json" {
			t.Errorf("id %q, type %q", g.id, g.header.Get("Content-Type"))
		}
	}
}

func TestAReceiverThatFailsHangsAndRedirectsGetsEverythingInOrder(t *testing.T) {
	elsewhere := newReceiver(t, nil)
	r := newReceiver(t, func(n int, w http.ResponseWriter, q *http.Request) int {
		switch n {
		case 0:
			return 500
		case 1:
			<-q.Context().Done() // hangs until we hang up
		case 2:
			w.Header().Set("Location", elsewhere.URL)
			return 307
		case 3:
			panic(http.ErrAbortHandler) // breaks off
		case 5:
			return 404
		}
		return 204
	})
	y := newYard(t, quick)
	y.report("N01", "before the hook")
	id, secret := y.hook(r.URL, defects, nil)
	for _, text := range []string{"one", "two", "three"} {
		y.report("N01", text)
	}
	y.eventually("three are taken", func() bool { return len(r.texts()) == 3 })
	if got := strings.Join(r.texts(), " "); got != "one two three" {
		t.Errorf("taken: %s", got)
	}
	if n := len(r.all()); n != 8 {
		t.Errorf("%d requests, want 5 failed and 3 taken", n)
	}
	if len(elsewhere.all()) != 0 {
		t.Error("a redirect was followed")
	}
	once(t, r, secret)
	var failed []string
	y.eventually("the log is complete", func() bool { return len(y.w.Deliveries(id)) == 8 })
	log := y.w.Deliveries(id)
	slices.Reverse(log)
	for _, d := range log {
		if !d.Delivered {
			failed = append(failed, fmt.Sprintf("%d %s", d.Attempt, d.Detail))
		}
	}
	want := []string{"1 answered 500", "2 no answer in time", "3 answered 307: redirects are not followed", "4 EOF", "1 answered 404"}
	if !slices.Equal(failed, want) {
		t.Errorf("failures %q, want %q", failed, want)
	}
	h := y.state(id)
	if at, failing := y.w.Progress(&h); !failing.IsZero() || at.Commit != y.fleet.Head().N {
		t.Errorf("it stands at %s, failing %v", at, failing)
	}
}

func TestEachHookGetsItsKindsAndYards(t *testing.T) {
	y := newYard(t, quick)
	every, north := newReceiver(t, nil), newReceiver(t, nil)
	y.hook(every.URL, nil, nil)
	y.hook(north.URL, defects, []string{"north"})
	y.report("S01", "south")
	y.report("N01", "north")
	at := time.Now().UTC()
	if _, _, err := y.fleet.TakeReport(context.Background(), []events.Arrival{{
		Via: "rig.N01.reading", Rig: "N01", Event: "1:1", Time: at, Kind: events.KindReading, Payload: []byte("x"),
		Counters: []events.RawCounter{{Meter: "pump", Value: 1, Unit: "HUR"}},
	}}); err != nil {
		t.Fatal(err)
	}
	y.do(&fleet.ChangeWork{Rig: "S01", Date: "2026-05-04"})
	y.eventually("the one without kinds has it all", func() bool { return len(every.all()) == 3 })
	y.eventually("north has its own", func() bool { return len(north.all()) == 1 })
	time.Sleep(50 * time.Millisecond)
	var kinds []string
	for _, g := range every.all() {
		kinds = append(kinds, g.kind)
	}
	if !slices.Equal(kinds, []string{"defect.reported", "defect.reported", "work.changed"}) {
		t.Errorf("without kinds came %v", kinds)
	}
	if got := north.all(); len(got) != 1 || !strings.Contains(got[0].body, `"text":"north"`) {
		t.Errorf("north got %v", got)
	}
}

func TestARestartInBetweenLosesNothingAndKeepsTheIds(t *testing.T) {
	broken := true
	var mu sync.Mutex
	r := newReceiver(t, func(int, http.ResponseWriter, *http.Request) int {
		mu.Lock()
		defer mu.Unlock()
		if broken {
			return 500
		}
		return 200
	})
	o := quick
	o.Delays = []time.Duration{time.Hour} // only a restart tries again
	y := newYard(t, o)
	id, secret := y.hook(r.URL, defects, nil)
	y.report("N01", "one")
	y.eventually("one was tried", func() bool { return len(y.w.Deliveries(id)) == 1 })
	y.report("N01", "two")
	y.close()
	y.open()
	since := y.state(id).Failing
	if since.IsZero() {
		t.Error("the failing is not on record")
	}
	y.eventually("one was tried again", func() bool { return len(y.w.Deliveries(id)) == 1 })
	mu.Lock()
	broken = false
	mu.Unlock()
	y.close()
	y.report2("S01", "while the hooks were away")
	y.open()
	y.eventually("all three are taken", func() bool { return len(r.texts()) == 3 })
	if got := strings.Join(r.texts(), ", "); got != "one, two, while the hooks were away" {
		t.Errorf("taken: %s", got)
	}
	once(t, r, secret)
	if a := r.all(); a[0].id != a[1].id || a[1].id != a[2].id {
		t.Errorf("the first fact came as %s, %s and %s", a[0].id, a[1].id, a[2].id)
	}
	y.close()
	y.open()
	time.Sleep(100 * time.Millisecond)
	if n := len(r.all()); n != 5 || !y.state(id).Failing.IsZero() {
		t.Errorf("after a quiet restart %d requests, failing %v", n, y.state(id).Failing)
	}
}

// report2 reports while the worker does not run.
func (y *yard) report2(rig, text string) {
	y.t.Helper()
	f, err := fleet.Open(context.Background(), fleet.Options{Store: y.store})
	if err != nil {
		y.t.Fatal(err)
	}
	defer f.Close()
	if _, err := f.Do(context.Background(), "test", &fleet.ReportDefect{ID: fleet.NewDefectID(), Rig: rig, Text: text}, nil); err != nil {
		y.t.Fatal(err)
	}
}

func TestGoneAndLongFailureDisableWithAVisibleReason(t *testing.T) {
	status := 410
	var mu sync.Mutex
	r := newReceiver(t, func(int, http.ResponseWriter, *http.Request) int {
		mu.Lock()
		defer mu.Unlock()
		return status
	})
	o := quick
	o.GiveUp = 100 * time.Millisecond
	y := newYard(t, o)
	id, secret := y.hook(r.URL, defects, nil)
	y.report("N01", "one")
	y.eventually("410 disables", func() bool { return y.state(id).Disabled != "" })
	if h := y.state(id); !strings.Contains(h.Disabled, "410") || len(r.all()) != 1 {
		t.Errorf("disabled for %q after %d requests", h.Disabled, len(r.all()))
	}
	y.report("N01", "two")
	time.Sleep(50 * time.Millisecond)
	if len(r.all()) != 1 {
		t.Error("a disabled hook was sent to")
	}
	mu.Lock()
	status = 502
	mu.Unlock()
	y.do(&fleet.EnableHook{Hook: id})
	y.eventually("long failure disables", func() bool { return y.state(id).Disabled != "" })
	if h := y.state(id); !strings.Contains(h.Disabled, "answered 502") || !strings.HasPrefix(h.Disabled, "not taken since 20") {
		t.Errorf("disabled for %q", h.Disabled)
	}
	mu.Lock()
	status = 200
	mu.Unlock()
	y.do(&fleet.EnableHook{Hook: id})
	y.eventually("enabled, it goes on where it stood", func() bool { return strings.Join(r.texts(), " ") == "one two" })
	once(t, r, secret)
}

func TestRetryAfterIsHonoured(t *testing.T) {
	r := newReceiver(t, func(n int, w http.ResponseWriter, _ *http.Request) int {
		switch n {
		case 0:
			w.Header().Set("Retry-After", "1")
			return 429
		case 1:
			w.Header().Set("Retry-After", time.Now().Add(2*time.Second).UTC().Format(http.TimeFormat)) // whole seconds
			return 503
		}
		return 200
	})
	y := newYard(t, quick)
	_, secret := y.hook(r.URL, defects, nil)
	y.report("N01", "one")
	y.eventually("it is taken", func() bool { return len(r.texts()) == 1 })
	a := r.all()
	for i := 1; i <= 2; i++ {
		if d := a[i].at.Sub(a[i-1].at); d < 950*time.Millisecond || d > 15*time.Second {
			t.Errorf("attempt %d came after %v", i+1, d)
		}
	}
	once(t, r, secret)
}

func TestARotatedSecretSignsBesideTheOldOneForADay(t *testing.T) {
	r := newReceiver(t, nil)
	y := newYard(t, quick)
	id, old := y.hook(r.URL, defects, nil)
	cmd, secret := fleet.NewRotation(id)
	y.do(cmd)
	y.report("N01", "one")
	y.eventually("it is taken", func() bool { return len(r.all()) == 1 })
	once(t, r, secret)
	once(t, r, old)
	if n := len(strings.Fields(r.all()[0].header.Get("webhook-signature"))); n != 2 || old == secret {
		t.Errorf("%d signatures", n)
	}
	h := y.state(id)
	if s := h.Secrets(h.OldUntil(time.Now()).Add(-time.Second)); len(s) != 2 {
		t.Errorf("before the day is over %d secrets sign", len(s))
	}
	if s := h.Secrets(h.OldUntil(time.Now())); len(s) != 1 || s[0] != secret {
		t.Errorf("after the day %d secrets sign", len(s))
	}
	if d := time.Until(h.OldUntil(time.Now())); d < 23*time.Hour || d > 24*time.Hour {
		t.Errorf("the old one ends in %v", d)
	}
	y.do(&fleet.RemoveHook{Hook: id})
	y.report("N01", "two")
	time.Sleep(50 * time.Millisecond)
	if len(r.all()) != 1 {
		t.Error("a removed hook was sent to")
	}
}

func TestPrivateAddressesAreRefusedWhenTheyAreDialled(t *testing.T) {
	r := newReceiver(t, nil)
	o := quick
	o.Private = false
	y := newYard(t, o)
	_, port, _ := strings.Cut(strings.TrimPrefix(r.URL, "http://"), ":")
	for _, host := range []string{"127.0.0.1", "localhost", "[::1]", "[::ffff:127.0.0.1]", "0.0.0.0", "10.1.2.3", "172.16.0.1", "192.168.1.1", "169.254.169.254",
		"100.64.0.1", "[fe80::1]", "[fd00::1]", "[64:ff9b::7f00:1]", "[2002:7f00:1::]", "224.0.0.1", "255.255.255.255", "127.1", "2130706433"} {
		d := y.w.Test(context.Background(), fleet.Hook{HookAdded: events.HookAdded{Hook: "h", URL: "http://" + host + ":" + port, Secret: "whsec_AAAA"}})
		if d.Delivered || !strings.Contains(d.Detail, "private, loopback") && !strings.Contains(d.Detail, "no such host") && !strings.Contains(d.Detail, "lookup") {
			t.Errorf("%s: %+v", host, d)
		}
	}
	if len(r.all()) != 0 {
		t.Error("something was sent")
	}
	o.Private = true
	w := hooks.New(hooks.Options{Private: true, Feed: &feed.Reader{Fleet: y.fleet}})
	id, secret := y.hook(r.URL, nil, nil)
	if d := w.Test(context.Background(), y.state(id)); !d.Delivered || d.Kind != "hook.test" {
		t.Errorf("%+v", d)
	}
	once(t, r, secret)
}

// Our own records must not make more of themselves.
func TestAQuietHookWritesNothing(t *testing.T) {
	r := newReceiver(t, nil)
	o := quick
	o.Record = 10 * time.Millisecond
	y := newYard(t, o)
	id, _ := y.hook(r.URL, defects, nil)
	y.report("N01", "one")
	y.eventually("it is on record", func() bool {
		return y.state(id).Position.Index == 0 || y.state(id).Position.Commit >= y.fleet.Head().N-1
	})
	time.Sleep(60 * time.Millisecond)
	head := y.fleet.Head().N
	time.Sleep(150 * time.Millisecond)
	if now := y.fleet.Head().N; now != head {
		t.Errorf("%d commits were written for nothing", now-head)
	}
}
