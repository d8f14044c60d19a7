package drill_test

import (
	"context"
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nats-server/v2/server"

	"rigledger/deploy/season"
	"rigledger/events/storetest"
)

// existingNATS is a NATS server that is not ours, as a contractor may already run.
func existingNATS(t *testing.T) (url string) {
	t.Helper()
	s, err := server.NewServer(&server.Options{
		Host: "127.0.0.1", Port: -1, JetStream: true, StoreDir: t.TempDir(), NoSigs: true, NoLog: true,
		Username: "depot", Password: "depot-secret",
	})
	if err != nil {
		t.Fatal(err)
	}
	s.Start()
	if !s.ReadyForConnections(10 * time.Second) {
		t.Fatal("the NATS server did not come up")
	}
	t.Cleanup(func() { s.Shutdown(); s.WaitForShutdown() })
	return "nats://depot:depot-secret@" + s.Addr().String()
}

// TestTwoInstancesShareOneLedgerAndOneRoad runs two services on one MongoDB and
// one NATS server, writes through both, and kills first one and then the other.
func TestTwoInstancesShareOneLedgerAndOneRoad(t *testing.T) {
	url, mongo, db := existingNATS(t), storetest.Mongo(t), fmt.Sprintf("two_%d", time.Now().UnixNano())
	args := []string{"--nats-url", url, "--mongo", mongo, "--mongo-db", db, "--raise-every", "1s"}
	a := serve(t, t.TempDir(), args...)
	b := serve(t, t.TempDir(), args...)
	b.token = a.token // the ledger is one; the first start made its manager

	a.rig("TWO1")
	eventually(t, "the other instance sees the rig", time.Second, func() bool {
		code, _ := b.try("GET", "/v1/rigs/TWO1", nil)
		return code == 200
	})
	b.rig("TWO2")
	eventually(t, "the first instance sees the other's rig", time.Second, func() bool {
		code, _ := a.try("GET", "/v1/rigs/TWO2", nil)
		return code == 200
	})

	radios := map[string]*season.Radio{}
	for _, rig := range []string{"TWO1", "TWO2"} {
		radios[rig] = season.NewRadio(rig, 1)
		if err := radios[rig].Connect(strings.Replace(url, "depot:depot-secret@", "", 1), "depot", "depot-secret"); err != nil {
			t.Fatal(err)
		}
		defer radios[rig].Close()
	}
	start := time.Now().Add(-20 * 24 * time.Hour).Truncate(time.Second)
	hours := 0.0
	work := func(readings int) {
		t.Helper()
		for range readings {
			hours = math.Round((hours+0.05)*100) / 100
			for _, radio := range radios {
				radio.Send(radio.Reading(start.Add(time.Duration(hours*float64(time.Hour))), season.Counter{Meter: "pump", Value: hours, Unit: "HUR"}))
			}
		}
	}
	drain := func() {
		t.Helper()
		ctx, cancel := context.WithTimeout(context.Background(), 60*time.Second)
		defer cancel()
		for _, radio := range radios {
			if err := radio.Drain(ctx, time.Second); err != nil {
				t.Fatal(err)
			}
		}
	}
	agree := func(sides ...*process) {
		t.Helper()
		for _, side := range sides {
			for rig := range radios {
				eventually(t, fmt.Sprintf("%s shows %v h", rig, hours), time.Second, func() bool {
					got, _ := side.totals(rig)
					return math.Abs(got-hours) < 0.001
				})
			}
		}
	}
	work(60)
	drain()
	agree(a, b)

	work(20)
	a.kill()
	work(20)
	drain()
	agree(b)

	a.start()
	work(20)
	b.kill()
	work(20)
	drain()
	agree(a)

	b.start()
	agree(a, b)
	// Raised by whoever came first, once.
	var items struct {
		Items []struct{ Item string }
	}
	eventually(t, "an item", 10*time.Second, func() bool {
		a.call("GET", "/v1/items?rig=TWO1&limit=500", nil, 200, &items)
		return len(items.Items) > 0
	})
	if out := rigledger(t, "verify", "--mongo", mongo, "--mongo-db", db); !strings.Contains(out, "verified") {
		t.Errorf("verify: %s", out)
	}
	a.stop()
	b.stop()
}

// TestTheTwoStoresExportTheSameBytes carries out the same work on both stores
// under a fixed clock and compares the exports.
func TestTheTwoStoresExportTheSameBytes(t *testing.T) {
	a, b := exportOf(t, "sqlite"), exportOf(t, "mongo")
	if a != b {
		t.Errorf("the exports differ: %d and %d bytes\n%.2000s\n%.2000s", len(a), len(b), a, b)
	}
	if strings.Count(a, "\n") < 10 {
		t.Errorf("an export of %d lines says too little", strings.Count(a, "\n"))
	}
}
