package intake

import (
	"context"
	"encoding/json"
	"slices"
	"sync"
	"time"

	"rigledger/events"
)

// Bounds of what is remembered and sent.
const (
	hearFor       = 2 * time.Minute // as long as the stream drops repeats
	maxHeard      = 10_000          // rigs
	maxIDs        = 128             // ids in one ack
	maxIDsKept    = 64              // ids remembered of one rig
	maxRanges     = 512             // ranges in one ack
	maxRepeatTick = 2_000           // acks repeated at one tick
)

// hearing remembers the rigs heard of late. A rig that sends again with the
// same Nats-Msg-Id is not heard here, since the stream drops the repeat; if it
// missed its ack it would wait for ever. So acks are repeated for a while.
type hearing struct {
	mu   sync.Mutex
	rigs map[string]*heard
}

type heard struct {
	last time.Time // when something new came
	sent time.Time // when it was told
	ids  []string  // acked by id of late
}

// ParseAck reads a message on rig.<rig>.ack. Only a document with both boot and
// seq is an ack. Anything else on the subject proves nothing and must not make a
// rig forget: another rig can direct the broker's receipt for its own message
// there, {"stream":"RIGS","seq":7}.
func ParseAck(data []byte) (events.Ack, bool) {
	var a struct {
		Boot, Seq *int64
		Have      [][2]int64
		IDs       []string
	}
	if json.Unmarshal(data, &a) != nil || a.Boot == nil || a.Seq == nil {
		return events.Ack{}, false
	}
	return events.Ack{Boot: *a.Boot, Seq: *a.Seq, Have: a.Have, IDs: a.IDs}, true
}

// sendAcks publishes what a batch made durable, at once.
func (in *Intake) sendAcks(b *batch) {
	now := in.now()
	in.hears.mu.Lock()
	for i := range b.arrivals {
		in.hears.note(b.arrivals[i].Rig, now)
	}
	for i := range b.acks {
		in.hears.told(&b.acks[i], now)
	}
	in.hears.mu.Unlock()
	for i := range b.acks {
		in.publishAck(b.acks[i])
	}
}

func (h *hearing) note(rig string, now time.Time) {
	if r := h.rigs[rig]; r != nil {
		r.last = now
		return
	}
	if h.rigs == nil {
		h.rigs = map[string]*heard{}
	}
	if len(h.rigs) < maxHeard && ValidRig(rig) {
		h.rigs[rig] = &heard{last: now}
	}
}

func (h *hearing) told(a *events.Ack, now time.Time) {
	r := h.rigs[a.Rig]
	if r == nil {
		return
	}
	r.sent = now
	if len(a.IDs) > 0 {
		r.ids = append(r.ids, a.IDs...)
		if extra := len(r.ids) - maxIDsKept; extra > 0 {
			r.ids = slices.Clone(r.ids[extra:])
		}
	}
}

// due lists the rigs to tell again and forgets those not heard for long.
func (h *hearing) due(now time.Time, every time.Duration) map[string][]string {
	h.mu.Lock()
	defer h.mu.Unlock()
	again := map[string][]string{}
	for rig, r := range h.rigs {
		switch {
		case now.Sub(r.last) > hearFor:
			delete(h.rigs, rig)
		case now.Sub(r.sent) >= every && len(again) < maxRepeatTick:
			r.sent = now
			again[rig] = slices.Clone(r.ids)
		}
	}
	return again
}

// repeatAcks tells each rig heard of late where it stands.
func (in *Intake) repeatAcks(ctx context.Context) {
	tick := time.NewTicker(in.repeatEvery)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
		for rig, ids := range in.hears.due(in.now(), in.repeatEvery) {
			a, ok := in.desk.AckFor(rig)
			if !ok && len(ids) == 0 {
				continue
			}
			a.Rig, a.IDs = rig, ids
			in.publishAck(a)
			in.repeats.Add(1)
		}
	}
}

// publishAck sends one ack, in several messages when it names many ids. An ack
// that is lost is repeated; one that names fewer ranges than it could is safe.
func (in *Intake) publishAck(a events.Ack) {
	if !ValidRig(a.Rig) {
		return
	}
	if len(a.Have) > maxRanges {
		a.Have = a.Have[:maxRanges]
	}
	ids := a.IDs
	for {
		a.IDs = ids[:min(len(ids), maxIDs)]
		ids = ids[len(a.IDs):]
		text, err := json.Marshal(a)
		if err == nil {
			err = in.nc.Publish(ackSubject(a.Rig), text)
		}
		if err != nil {
			in.log.Debug("acknowledge to a rig", "rig", a.Rig, "error", err)
			return
		}
		in.acks.Add(1)
		if len(ids) == 0 {
			return
		}
	}
}
