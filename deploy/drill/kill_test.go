package drill_test

import (
	"bufio"
	"context"
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"sync"
	"testing"
	"time"

	"rigledger/deploy/season"
)

// TestKilledFiftyTimesDuringIntakeNothingIsLostOrCountedTwice lets rigs send
// without a pause while the service is killed and started again. What a rig was
// acked must be in the ledger, exactly once, and the totals must be the last counters.
func TestKilledFiftyTimesDuringIntakeNothingIsLostOrCountedTwice(t *testing.T) {
	const kills, rigs = 50, 5
	p := serve(t, t.TempDir(), "--nats", freePort(t))
	senders := make([]*sender, rigs)
	ctx, stop := context.WithCancel(context.Background())
	defer stop()
	var sending sync.WaitGroup
	for i := range senders {
		code := fmt.Sprintf("K%02d", i+1)
		user, password := p.rig(code)
		s := &sender{code: code, radio: season.NewRadio(code, 1)}
		if err := s.radio.Connect("nats://"+p.NATS, user, password); err != nil {
			t.Fatal(err)
		}
		defer s.radio.Close()
		senders[i] = s
		sending.Go(func() { s.send(ctx) })
	}
	rnd := rand.New(rand.NewPCG(7, 50))
	for range kills {
		time.Sleep(time.Duration(30+rnd.IntN(300)) * time.Millisecond)
		p.kill()
		p.start()
	}
	stop()
	sending.Wait()

	drain, cancel := context.WithTimeout(context.Background(), 60*time.Second)
	defer cancel()
	sent := 0
	for _, s := range senders {
		if err := s.radio.Drain(drain, 500*time.Millisecond); err != nil {
			t.Fatal(err)
		}
		sent += s.sent
	}
	for _, s := range senders {
		hours, hectares := p.totals(s.code)
		if math.Abs(hours-s.pump) > 0.0003 || math.Abs(hectares-s.area) > 0.0003 {
			t.Errorf("%s: totals %v h %v ha, its counters show %v h %v ha", s.code, hours, hectares, s.pump, s.area)
		}
	}
	p.stop()

	// Everything was acked; so everything must be on record, once.
	seen := map[string]int{}
	held := 0
	lines := bufio.NewScanner(strings.NewReader(rigledger(t, "export", "ledger", "--data", p.data)))
	lines.Buffer(nil, 32<<20)
	for lines.Scan() {
		var c struct {
			Facts []struct {
				Kind string
				Fact struct{ Rig, Event string }
			}
		}
		if err := json.Unmarshal(lines.Bytes(), &c); err != nil {
			t.Fatal(err)
		}
		for _, f := range c.Facts {
			switch f.Kind {
			case "meter.read":
				seen[f.Fact.Rig+" "+f.Fact.Event]++
			case "reading.quarantined":
				held++
			}
		}
	}
	if len(seen) != sent || held != 0 {
		t.Errorf("%d events on record and %d held, %d were sent", len(seen), held, sent)
	}
	for event, times := range seen {
		if times != 1 {
			t.Errorf("%s stands %d times in the ledger", event, times)
		}
	}
	if out := rigledger(t, "verify", "--data", p.data); !strings.Contains(out, "verified") {
		t.Errorf("verify: %s", out)
	}
	t.Logf("%d events from %d rigs over %d kills", sent, rigs, kills)
}

// sender is a rig at work: a reading every few milliseconds, a minute apart on
// its own clock, resending what is not acked.
type sender struct {
	code  string
	radio *season.Radio
	sent  int
	pump  float64
	area  float64
}

func (s *sender) send(ctx context.Context) {
	at := time.Now().Add(-60 * 24 * time.Hour).Truncate(time.Second)
	for i := 0; ctx.Err() == nil; i++ {
		at = at.Add(time.Minute)
		s.pump = math.Round((s.pump+0.0125)*10000) / 10000 // 45 s, whole seconds in base units
		s.area = math.Round((s.area+0.2)*10000) / 10000
		seq := s.radio.Reading(at, season.Counter{Meter: "pump", Value: s.pump, Unit: "HUR"}, season.Counter{Meter: "area", Value: s.area, Unit: "H18"})
		s.sent++
		s.radio.Send(seq)
		switch {
		case i%7 == 0: // twice
			s.radio.Send(seq)
		case i%50 == 0: // what a lost connection swallowed
			s.radio.Resend(s.radio.Held()...)
		}
		time.Sleep(5 * time.Millisecond)
	}
}
