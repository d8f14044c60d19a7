package drill_test

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"net/http"
	"strings"
	"sync"
	"testing"
	"time"

	"rigledger/deploy/season"
	"rigledger/events/storetest"
)

// TestTheServerOfTheLedgerHangsAndDiesAndNothingIsLostOrCountedTwice takes the
// MongoDB server away from the running program, first by making it hang, then by
// killing it, while rigs send and people write.
func TestTheServerOfTheLedgerHangsAndDiesAndNothingIsLostOrCountedTwice(t *testing.T) {
	// The program's patience is ten seconds; the rest is for a loaded machine.
	const answered, told = 16 * time.Second, 20 * time.Second
	m := storetest.NewFailingMongo(t)
	args := []string{"--nats", "127.0.0.1:0", "--mongo", m.URI, "--mongo-db", "reach", "--raise-every", "1s"}
	p := serve(t, t.TempDir(), args...)
	user, password := p.rig("R01")
	radio := season.NewRadio("R01", 1)
	if err := radio.Connect("nats://"+p.NATS, user, password); err != nil {
		t.Fatal(err)
	}
	defer radio.Close()
	start, hours := time.Now().Add(-20*24*time.Hour).Truncate(time.Second), 0.0
	work := func(readings int) {
		for range readings {
			hours = math.Round((hours+0.05)*100) / 100
			radio.Send(radio.Reading(start.Add(time.Duration(hours*float64(time.Hour))), season.Counter{Meter: "pump", Value: hours, Unit: "HUR"}))
		}
	}
	acked := func() {
		t.Helper()
		ctx, cancel := context.WithTimeout(context.Background(), 90*time.Second)
		defer cancel()
		// The rig does not send again: what came in meanwhile waits in the buffer.
		if err := radio.Drain(ctx, time.Hour); err != nil {
			t.Fatal(err)
		}
	}
	work(20)
	acked()

	reported := 0
	for _, c := range []struct {
		name       string
		fail, back func()
	}{
		{"it hangs", m.Hang, m.GoOn},
		{"it is killed", m.Kill, m.Restart},
	} {
		c.fail()
		work(20)
		var writers sync.WaitGroup
		keys := make([]string, 6)
		for i := range keys {
			keys[i] = fmt.Sprintf("%s-%d", strings.ReplaceAll(c.name, " ", "-"), i)
			writers.Go(func() {
				began := time.Now()
				status, header, text := p.report(keys[i])
				if status != 503 || header.Get("Retry-After") == "" {
					t.Errorf("%s: a write has status %d and Retry-After %q, want 503 and a time: %s", c.name, status, header.Get("Retry-After"), text)
				}
				if took := time.Since(began); took > answered {
					t.Errorf("%s: a write was answered after %s", c.name, took)
				}
			})
		}
		var ready []byte
		eventually(t, c.name+": /readyz tells", told, func() bool {
			var status int
			status, ready = p.try("GET", "/readyz", nil)
			return status == 503
		})
		var said struct {
			Checks []struct {
				Check string
				OK    bool
			}
		}
		if err := json.Unmarshal(ready, &said); err != nil || len(said.Checks) == 0 || said.Checks[0].Check != "ledger" || said.Checks[0].OK {
			t.Errorf("%s: /readyz does not name the ledger: %s", c.name, ready)
		}
		writers.Wait()
		if _, ready = p.try("GET", "/readyz", nil); bytes.Contains(ready, []byte("127.0.0.1")) {
			t.Errorf("%s: /readyz shows an address: %s", c.name, ready)
		}
		if n := len(radio.Held()); n != 20 {
			t.Errorf("%s: %d readings are not acked, want the 20 that are not durable", c.name, n)
		}

		c.back()
		eventually(t, c.name+": /readyz is well again", 60*time.Second, func() bool {
			status, _ := p.try("GET", "/readyz", nil)
			return status == 200
		})
		for _, key := range keys {
			if status, _, text := p.report(key); status != 201 {
				t.Errorf("%s: %s sent again has status %d: %s", c.name, key, status, text)
			}
			reported++
		}
		acked()
		if got, _ := p.totals("R01"); math.Abs(got-hours) > 0.001 {
			t.Errorf("%s: %v h, the counter shows %v", c.name, got, hours)
		}
	}
	var list struct{ Defects []struct{ Text string } }
	p.call("GET", "/v1/defects?rig=R01&limit=500", nil, 200, &list)
	if len(list.Defects) != reported {
		t.Errorf("%d defects on record, %d were reported: %v", len(list.Defects), reported, list)
	}
	p.stop()
	if out := rigledger(t, "verify", "--mongo", m.URI, "--mongo-db", "reach"); !strings.Contains(out, "verified") {
		t.Errorf("verify: %s", out)
	}
}

// report sends a defect under an Idempotency-Key, once; status 0 says that there was no answer.
func (p *process) report(key string) (int, http.Header, string) {
	p.t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
	defer cancel()
	body := fmt.Sprintf(`{"rig":"R01","text":"drips at %s","safety":false}`, key)
	req, err := http.NewRequestWithContext(ctx, "POST", "http://"+p.HTTP+"/v1/defects", strings.NewReader(body))
	if err != nil {
		p.t.Error(err)
		return 0, nil, ""
	}
	req.Header.Set("Authorization", "Bearer "+p.token)
	req.Header.Set("Content-Type", "application/json")
	req.Header.Set("Idempotency-Key", key)
	res, err := http.DefaultClient.Do(req)
	if err != nil {
		return 0, nil, err.Error()
	}
	defer res.Body.Close()
	text, _ := io.ReadAll(res.Body)
	return res.StatusCode, res.Header, string(text)
}
