package intake

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nats.go/jetstream"

	"rigledger/events"
)

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
	d := &desk{refuse: "1:2"}
	in := newIntake(nc, d)
	in.watchEvery = time.Second // both messages are in before the first look
	run(t, in)
	rig := asRig(t, s, "T01")
	publish(t, rig, "rig.T01.reading", reading("T01", "1:1", 1), "")
	eventually(t, "the first is durable", func() bool { return in.Stats().Messages == 1 })
	publish(t, rig, "rig.T01.reading", reading("T01", "1:2", 1), "")
	eventually(t, "the second is refused", func() bool { return in.Stats().Failed > 0 })
	js, _ := jetstream.New(nc)
	state := func() jetstream.StreamState {
		st, err := js.Stream(context.Background(), StreamName)
		if err != nil {
			t.Fatal(err)
		}
		return st.CachedInfo().State
	}
	eventually(t, "the first is removed", func() bool { return in.Stats().Purges > 0 })
	if st := state(); st.FirstSeq != 2 || st.Msgs != 1 {
		t.Errorf("%d messages from %d, want the one that is not durable", st.Msgs, st.FirstSeq)
	}
	d.mu.Lock()
	d.refuse = ""
	d.mu.Unlock()
	eventually(t, "an empty stream", func() bool { return d.count() == 2 && state().Msgs == 0 })
}
