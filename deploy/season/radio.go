package season

import (
	"context"
	"encoding/json"
	"fmt"
	"sort"
	"sync"
	"time"

	"github.com/nats-io/nats.go"
)

// Counter is one counter in a message.
type Counter struct {
	Meter string  `json:"meter"`
	Value float64 `json:"value"`
	Unit  string  `json:"unit"`
}

// Radio is a rig's link: it keeps every event until the service says that it
// is durable, and sends again what is not.
type Radio struct {
	rig  string
	boot int64

	mu    sync.Mutex
	nc    *nats.Conn
	seq   int64
	held  map[int64]message // not acked
	moved chan struct{}     // closed and renewed when an ack came
}

type message struct {
	kind string
	body json.RawMessage
}

// NewRadio gives the link of one boot of a rig. Connect it before sending.
func NewRadio(rig string, boot int64) *Radio {
	return &Radio{rig: rig, boot: boot, held: map[int64]message{}, moved: make(chan struct{})}
}

// Connect opens the link; nats.go keeps it open over restarts of the service.
func (r *Radio) Connect(url, user, password string, options ...nats.Option) error {
	options = append([]nats.Option{
		nats.UserInfo(user, password), nats.Name("rig " + r.rig), nats.CustomInboxPrefix("_INBOX_" + r.rig),
		nats.MaxReconnects(-1), nats.ReconnectWait(50 * time.Millisecond), nats.ReconnectJitter(20*time.Millisecond, 20*time.Millisecond),
	}, options...)
	nc, err := nats.Connect(url, options...)
	if err != nil {
		return fmt.Errorf("rig %s: %w", r.rig, err)
	}
	if _, err := nc.Subscribe("rig."+r.rig+".ack", func(m *nats.Msg) { r.acked(m.Data) }); err != nil {
		nc.Close()
		return fmt.Errorf("rig %s: %w", r.rig, err)
	}
	r.mu.Lock()
	r.nc = nc
	r.mu.Unlock()
	return nc.Flush()
}

// Close ends the link; what is held stays held.
func (r *Radio) Close() {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.nc != nil {
		r.nc.Close()
	}
}

// Reading records counters as the next event and gives its sequence. Nothing
// is sent yet.
func (r *Radio) Reading(at time.Time, counters ...Counter) int64 {
	return r.record("reading", at, map[string]any{"counters": counters})
}

// Defect records a fault as the next event.
func (r *Radio) Defect(at time.Time, part, text string, safety bool) int64 {
	return r.record("defect", at, map[string]any{"part": part, "text": text, "safety": safety})
}

func (r *Radio) record(kind string, at time.Time, data any) int64 {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.seq++
	body, err := json.Marshal(map[string]any{
		"specversion": "1.0", "id": fmt.Sprintf("%d:%d", r.boot, r.seq), "source": "urn:rig:" + r.rig,
		"type": "rig." + kind + ".v1", "time": at.UTC().Format("2006-01-02T15:04:05.000Z"), "data": data,
	})
	if err != nil {
		panic(err) // only values of our own are marshalled
	}
	r.held[r.seq] = message{kind: kind, body: body}
	return r.seq
}

// Send publishes events by sequence, in the order given, for the first time.
func (r *Radio) Send(seqs ...int64) { r.send(true, seqs) }

// Resend publishes events again, without the message id: the buffer would drop
// a message that it has seen, and then nobody would acknowledge it anew.
func (r *Radio) Resend(seqs ...int64) { r.send(false, seqs) }

func (r *Radio) send(first bool, seqs []int64) {
	r.mu.Lock()
	defer r.mu.Unlock()
	for _, seq := range seqs {
		m, ok := r.held[seq]
		if !ok {
			continue
		}
		id := ""
		if first {
			id = fmt.Sprintf("%s:%d:%d", r.rig, r.boot, seq)
		}
		r.publish(m.kind, m.body, id)
	}
}

// SendBatch publishes readings by sequence as one message.
func (r *Radio) SendBatch(seqs ...int64) {
	r.mu.Lock()
	defer r.mu.Unlock()
	var batch []json.RawMessage
	for _, seq := range seqs {
		if m, ok := r.held[seq]; ok && m.kind == "reading" {
			batch = append(batch, m.body)
		}
	}
	if body, err := json.Marshal(batch); err == nil && len(batch) > 0 {
		r.publish("reading", body, "")
	}
}

// publish does not wait for the buffer's word: the ack is what counts.
func (r *Radio) publish(kind string, body []byte, id string) {
	m := nats.NewMsg("rig." + r.rig + "." + kind)
	m.Data = body
	if id != "" {
		m.Header.Set("Nats-Msg-Id", id)
	}
	_ = r.nc.PublishMsg(m)
}

func (r *Radio) acked(text []byte) {
	var ack struct {
		Boot int64      `json:"boot"`
		Seq  int64      `json:"seq"`
		Have [][2]int64 `json:"have"`
	}
	if json.Unmarshal(text, &ack) != nil || ack.Boot != r.boot {
		return
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	for seq := range r.held {
		durable := seq <= ack.Seq
		for _, have := range ack.Have {
			durable = durable || seq >= have[0] && seq <= have[1]
		}
		if durable {
			delete(r.held, seq)
		}
	}
	close(r.moved)
	r.moved = make(chan struct{})
}

// Held lists what is not acked, oldest first.
func (r *Radio) Held() []int64 {
	r.mu.Lock()
	defer r.mu.Unlock()
	seqs := make([]int64, 0, len(r.held))
	for seq := range r.held {
		seqs = append(seqs, seq)
	}
	sort.Slice(seqs, func(i, j int) bool { return seqs[i] < seqs[j] })
	return seqs
}

// Drain sends what is held again and again, until all of it is acked.
func (r *Radio) Drain(ctx context.Context, again time.Duration) error {
	for {
		r.mu.Lock()
		left, moved := len(r.held), r.moved
		r.mu.Unlock()
		if left == 0 {
			return nil
		}
		timer := time.NewTimer(again)
		select {
		case <-moved:
			timer.Stop()
		case <-timer.C:
			r.Resend(r.Held()...)
		case <-ctx.Done():
			timer.Stop()
			return fmt.Errorf("rig %s: %d events were not acked: %w", r.rig, left, ctx.Err())
		}
	}
}
