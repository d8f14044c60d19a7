package drill_test

import (
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"strings"
	"sync"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
	"github.com/nats-io/nats.go"

	"rigledger/events/storetest"
)

// The tests in this file are clients of the outer contract: plain NATS, plain
// MQTT 3.1.1 and HTTP, with nothing of the service's own code.

// event writes a CloudEvents 1.0 reading by hand.
func event(rig, id string, at time.Time, counters string) []byte {
	return fmt.Appendf(nil, `{"specversion":"1.0","id":"%s","source":"urn:rig:%s","type":"rig.reading.v1","time":"%s","data":{"counters":[%s]}}`,
		id, rig, at.UTC().Format(time.RFC3339Nano), counters)
}

func pumpArea(hours, hectares float64) string {
	return fmt.Sprintf(`{"meter":"pump","value":%g,"unit":"HUR"},{"meter":"area","value":%g,"unit":"H18"}`, hours, hectares)
}

// link is a rig's way to the service, NATS or MQTT.
type link interface {
	publish(t *testing.T, rig, kind string, body []byte)
	lastAck() (boot, seq int64)
}

type acks struct {
	mu   sync.Mutex
	last struct{ Boot, Seq int64 }
}

func (a *acks) take(body []byte) {
	a.mu.Lock()
	defer a.mu.Unlock()
	_ = json.Unmarshal(body, &a.last)
}

func (a *acks) lastAck() (int64, int64) {
	a.mu.Lock()
	defer a.mu.Unlock()
	return a.last.Boot, a.last.Seq
}

type natsLink struct {
	acks
	nc *nats.Conn
}

func dialNATS(t *testing.T, address, rig, user, password string) *natsLink {
	t.Helper()
	nc, err := nats.Connect("nats://"+address, nats.UserInfo(user, password), nats.CustomInboxPrefix("_INBOX_"+rig),
		nats.ErrorHandler(func(*nats.Conn, *nats.Subscription, error) {}))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(nc.Close)
	l := &natsLink{nc: nc}
	if _, err := nc.Subscribe("rig."+rig+".ack", func(m *nats.Msg) { l.take(m.Data) }); err != nil {
		t.Fatal(err)
	}
	if err := nc.Flush(); err != nil {
		t.Fatal(err)
	}
	return l
}

func (l *natsLink) publish(t *testing.T, rig, kind string, body []byte) {
	t.Helper()
	if err := errors.Join(l.nc.Publish("rig."+rig+"."+kind, body), l.nc.Flush()); err != nil {
		t.Fatal(err)
	}
}

type mqttLink struct {
	acks
	client mqtt.Client
}

func dialMQTT(t *testing.T, address, rig, user, password string) *mqttLink {
	t.Helper()
	l := &mqttLink{client: mqtt.NewClient(mqtt.NewClientOptions().AddBroker("tcp://" + address).SetClientID(rig).
		SetUsername(user).SetPassword(password).SetProtocolVersion(4))}
	wait := func(token mqtt.Token, what string) {
		t.Helper()
		if !token.WaitTimeout(10*time.Second) || token.Error() != nil {
			t.Fatalf("MQTT %s: %v", what, token.Error())
		}
	}
	wait(l.client.Connect(), "connect")
	t.Cleanup(func() { l.client.Disconnect(50) })
	wait(l.client.Subscribe("rig/"+rig+"/ack", 1, func(_ mqtt.Client, m mqtt.Message) { l.take(m.Payload()) }), "subscribe")
	return l
}

func (l *mqttLink) publish(t *testing.T, rig, kind string, body []byte) {
	t.Helper()
	token := l.client.Publish("rig/"+rig+"/"+kind, 1, false, body)
	if !token.WaitTimeout(10*time.Second) || token.Error() != nil {
		t.Fatalf("MQTT publish: %v", token.Error())
	}
}

// TestTheContractHolds walks the whole job as an outsider, over NATS and over
// MQTT, with the ledger in SQLite and in MongoDB.
func TestTheContractHolds(t *testing.T) {
	for _, store := range []string{"SQLite", "MongoDB"} {
		t.Run(store, func(t *testing.T) {
			args := []string{"--nats", "127.0.0.1:0", "--mqtt", "127.0.0.1:0", "--raise-every", "1s"}
			if store == "MongoDB" {
				args = append(args, "--mongo", storetest.Mongo(t), "--mongo-db", fmt.Sprintf("contract_%d", time.Now().UnixNano()))
			}
			p := serve(t, t.TempDir(), args...)
			for _, road := range []string{"NATS", "MQTT"} {
				t.Run(road, func(t *testing.T) {
					p.t = t
					rig := "A" + road
					user, password := p.rig(rig)
					var l link
					if road == "NATS" {
						l = dialNATS(t, p.NATS, rig, user, password)
					} else {
						l = dialMQTT(t, p.MQTT, rig, user, password)
					}
					walk(t, p, l, rig)
				})
			}
		})
	}
}

func walk(t *testing.T, p *process, l link, rig string) {
	start := time.Now().Add(-30 * 24 * time.Hour).UTC().Truncate(time.Second)
	hour := func(h float64) time.Time { return start.Add(time.Duration(h * float64(time.Hour))) }
	totals := func(hours, hectares float64) {
		t.Helper()
		eventually(t, fmt.Sprintf("totals of %v h and %v ha", hours, hectares), 15*time.Second, func() bool {
			h, ha := p.totals(rig)
			return math.Abs(h-hours) < 0.01 && math.Abs(ha-hectares) < 0.01
		})
	}

	// Readings in order, twice, late, and as a batch.
	l.publish(t, rig, "reading", event(rig, "1:1", hour(1), pumpArea(1, 12.5)))
	l.publish(t, rig, "reading", event(rig, "1:3", hour(3), pumpArea(3, 37.5)))
	l.publish(t, rig, "reading", event(rig, "1:3", hour(3), pumpArea(3, 37.5)))
	l.publish(t, rig, "reading", event(rig, "1:2", hour(2), pumpArea(2, 25)))
	l.publish(t, rig, "reading", fmt.Appendf(nil, "[%s,%s]", event(rig, "1:4", hour(4), pumpArea(4, 50)), event(rig, "1:5", hour(5), pumpArea(5, 62.5))))
	totals(5, 62.5)
	eventually(t, "an ack up to 1:5", 15*time.Second, func() bool {
		boot, seq := l.lastAck()
		return boot == 1 && seq == 5
	})

	// Bad messages: refused or held, each with its reason, and nothing lost.
	l.publish(t, rig, "reading", event(rig, "1:6", time.Now().Add(time.Hour), pumpArea(6, 70)))
	l.publish(t, rig, "reading", event(rig, "1:7", hour(6), pumpArea(4, 70)))
	l.publish(t, rig, "reading", []byte(`{"specversion":"1.0","id":"1:8","source":"urn:rig:`+rig+`","type":"rig.reading.v1","time":"yesterday","data":{"counters":[]}}`))
	l.publish(t, rig, "reading", []byte(`not an event at all`))
	want := []string{"bad-json", "bad-time", "falls", "future"}
	eventually(t, "four messages in quarantine", 15*time.Second, func() bool {
		reasons := p.quarantine(rig)
		for _, w := range want {
			if !strings.Contains(strings.Join(reasons, " "), w) {
				return false
			}
		}
		return len(reasons) == len(want)
	})
	totals(5, 70) // the area counter of the reading with the falling pump counter was good
	l.publish(t, "OTHER", "reading", event("OTHER", "1:1", hour(1), pumpArea(1, 1)))

	// The filter's 10 h (common practice) pass: an item is raised; finishing it starts the next cycle.
	// With it the rig says where it is.
	where := strings.Replace(string(event(rig, "1:9", hour(12), pumpArea(12, 80))), `"data":{`, `"data":{"position":{"latitude":0.25,"longitude":-0.5},`, 1)
	l.publish(t, rig, "reading", []byte(where))
	totals(12, 80)
	var places struct {
		Features []struct {
			Geometry struct{ Coordinates []float64 }
		}
	}
	p.call("GET", "/v1/exchange/positions?rig="+rig, nil, 200, &places)
	if len(places.Features) != 1 || fmt.Sprint(places.Features[0].Geometry.Coordinates) != "[-0.5 0.25]" { // RFC 7946, section 3.1.1: longitude first
		t.Errorf("the rig's place is %+v", places)
	}
	item := rig + "-filter-suction.suction-filter."
	eventually(t, "an item for the suction filter", 15*time.Second, func() bool {
		stage, status := p.item(item + "1")
		return stage == "raised" && (status == "due" || status == "overdue")
	})
	p.call("POST", "/v1/items/"+item+"1/finish", map[string]any{"by": "Ana", "at": hour(12), "minutes": 20, "findings": "clean"}, 200, nil)
	if stage, _ := p.item(item + "1"); stage != "done" {
		t.Errorf("stage %q after finishing, want done", stage)
	}
	l.publish(t, rig, "reading", event(rig, "1:10", hour(22.5), pumpArea(22.4, 90)))
	eventually(t, "the second cycle's item", 15*time.Second, func() bool {
		stage, status := p.item(item + "2")
		return stage == "raised" && (status == "due" || status == "overdue")
	})

	// Nothing came of the other rig's subject, and no stranger gets in.
	for _, reason := range p.quarantine("OTHER") {
		t.Errorf("a message under another rig's subject arrived: %s", reason)
	}
	if nc, err := nats.Connect("nats://" + p.NATS); err == nil {
		nc.Close()
		t.Error("an anonymous client was let in")
	}
}

// quarantine lists the reasons of what is held for a rig.
func (p *process) quarantine(rig string) (reasons []string) {
	p.t.Helper()
	var q struct {
		Quarantine []struct{ Rig, Reason string } `json:"quarantine"`
	}
	p.call("GET", "/v1/quarantine?limit=500", nil, 200, &q)
	for _, h := range q.Quarantine {
		if h.Rig == rig {
			reasons = append(reasons, h.Reason)
		}
	}
	return reasons
}

// item gives how an item stands, "" while there is none.
func (p *process) item(id string) (stage, status string) {
	p.t.Helper()
	code, text := p.try("GET", "/v1/items/"+id, nil)
	if code != 200 {
		return "", ""
	}
	var it struct{ Stage, Status string }
	if err := json.Unmarshal(text, &it); err != nil {
		p.t.Fatal(err)
	}
	return it.Stage, it.Status
}
