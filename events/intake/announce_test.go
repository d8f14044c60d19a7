package intake

import (
	"context"
	"encoding/json"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nats.go"

	"rigledger/events"
)

func seal(t *testing.T, n uint64, facts ...events.Fact) *events.Commit {
	t.Helper()
	var entries []events.Entry
	for _, f := range facts {
		entries = append(entries, events.Entry{At: time.Date(2026, 5, 4, 9, 31, 12, 250e6, time.UTC), By: "rig:T01", Fact: f})
	}
	c, err := events.Seal(events.Head{N: n - 1}, time.Date(2026, 5, 4, 10, 0, 0, 0, time.UTC), entries)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

func TestFactsAreAnnouncedAsCloudEventsAndSecretsAreNot(t *testing.T) {
	s := startServer(t, t.TempDir())
	a := NewAnnouncer(own(t, s), nil)
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	go a.Run(ctx)
	ear, err := nats.Connect("nats://"+s.Addr(), nats.Token("reader-secret"))
	if err != nil {
		t.Fatal(err)
	}
	defer ear.Close()
	sub, _ := ear.SubscribeSync("ledger.>")
	ear.Flush()
	a.Announce(seal(t, 42,
		&events.TokenIssued{Token: "t1", Hash: "hidden"},
		&events.TokenRevoked{Token: "t1"},
		&events.CredentialIssued{Rig: "T01", User: "u", Hash: "hidden"},
		&events.RequestKept{Key: "k"},
		&events.MeterRead{Rig: "T01", Event: "3:1", Counters: []events.Counter{{Meter: "pump", Value: 4521780}}},
		&events.PlanPublished{Plan: "boom", Version: 2},
		&events.ReadingQuarantined{Quarantine: "q", Rig: "T 1.>"},
	))
	for i, want := range []struct{ subject, id, kind, rig string }{
		{"ledger.meter.read.T01", "42-4", "ledger.meter.read.v1", "T01"},
		{"ledger.plan.published._", "42-5", "ledger.plan.published.v1", ""},
		{"ledger.reading.quarantined._", "42-6", "ledger.reading.quarantined.v1", "T 1.>"},
	} {
		m, err := sub.NextMsg(5 * time.Second)
		if err != nil {
			t.Fatal(err)
		}
		e, err := sdk(m.Data)
		if err != nil {
			t.Fatalf("the CloudEvents SDK refuses %s: %v", m.Data, err)
		}
		if m.Subject != want.subject || e.ID() != want.id || e.Type() != want.kind || e.Subject() != want.rig || e.Source() != "urn:rigledger" ||
			!e.Time().Equal(time.Date(2026, 5, 4, 9, 31, 12, 250e6, time.UTC)) || fmt.Sprint(e.Extensions()["ledgercommit"]) != "42" {
			t.Errorf("%s: %s", m.Subject, m.Data)
		}
		if strings.Contains(string(m.Data), "hidden") {
			t.Errorf("a secret got out: %s", m.Data)
		}
		var read events.MeterRead
		if i == 0 && (json.Unmarshal(e.Data(), &read) != nil || read.Event != "3:1" || read.Counters[0].Value != 4521780) {
			t.Errorf("the fact is %s", e.Data())
		}
	}
	if m, err := sub.NextMsg(100 * time.Millisecond); err == nil {
		t.Errorf("more came: %s %s", m.Subject, m.Data)
	}
	if sent, dropped := a.Announced(); sent != 3 || dropped != 0 {
		t.Errorf("sent %d, dropped %d", sent, dropped)
	}
}

func TestEveryKindOfFactIsEitherAnnouncedOrPrivate(t *testing.T) {
	for _, kind := range events.Kinds() {
		hidden := strings.HasPrefix(kind, "token.") || kind == "credential.issued" || kind == "request.kept" ||
			strings.HasPrefix(kind, "hook.") || strings.HasPrefix(kind, "calendar.")
		if events.Private(kind) != hidden {
			t.Errorf("%s: private is %v", kind, events.Private(kind))
		}
	}
}

func TestAnAnnouncerThatCannotKeepUpDropsAndCounts(t *testing.T) {
	s := startServer(t, t.TempDir())
	a := NewAnnouncer(own(t, s), nil) // nobody runs it
	c := seal(t, 1, &events.PlanAdopted{Rig: "T01"}, &events.PlanAdopted{Rig: "T01"})
	began := time.Now()
	for range announceQueue + 10 {
		a.Announce(c)
	}
	if _, dropped := a.Announced(); dropped != 20 {
		t.Errorf("dropped %d facts, want 20", dropped)
	}
	if took := time.Since(began); took > 10*time.Second {
		t.Errorf("the desk was held up for %v", took)
	}
	// A fact larger than a message is left out and counted; the next one goes out.
	ear, err := nats.Connect("nats://"+s.Addr(), nats.UserInfo(ListenerUser, "reader-secret"))
	if err != nil {
		t.Fatal(err)
	}
	defer ear.Close()
	sub, _ := ear.SubscribeSync("ledger.>")
	ear.Flush()
	b := NewAnnouncer(own(t, s), nil)
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	go b.Run(ctx)
	b.Announce(seal(t, 2, &events.PlanPublished{Text: strings.Repeat("x", MaxMessage)}, &events.PlanAdopted{Rig: "T01"}))
	if m, err := sub.NextMsg(5 * time.Second); err != nil || m.Subject != "ledger.plan.adopted.T01" {
		t.Errorf("got %v %v", m, err)
	}
	if _, dropped := b.Announced(); dropped != 1 {
		t.Errorf("dropped %d facts, want 1", dropped)
	}
}
