package hooks

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/url"
	"strconv"
	"time"

	"github.com/oklog/ulid/v2"

	"rigledger/api/feed"
	"rigledger/fleet"
)

// message is the body of a delivery, by Standard Webhooks 1.0.0.
type message struct {
	Type      string    `json:"type"`      // the kind of fact
	Timestamp time.Time `json:"timestamp"` // when it holds in the field
	Data      any       `json:"data"`      // the fact as the feed shows it
}

// Delivery is one attempt to deliver.
type Delivery struct {
	ID        string    `json:"id"`                 // the webhook-id
	Position  string    `json:"position,omitempty"` // of the fact in the feed
	Kind      string    `json:"kind"`
	At        time.Time `json:"at"`
	Attempt   int       `json:"attempt"` // from 1
	Delivered bool      `json:"delivered"`
	Status    int       `json:"status,omitempty"` // of the answer, if one came
	Detail    string    `json:"detail"`
	Seconds   float64   `json:"seconds"`

	gone bool // the receiver wants no more

	// later is how much time it asked for. It is not put on record: after a restart
	// one attempt comes early, which the receiver may refuse as before, and it can
	// say again how long; a commit for each refusal would be more ledger than that is worth.
	later time.Duration
}

// webhookID is the same for a fact however often it is sent, over restarts and
// from any instance. It has no dot, which separates what is signed.
func webhookID(f *feed.Fact) string {
	return strconv.FormatUint(f.Commit, 10) + "-" + strconv.Itoa(f.Index)
}

// send makes one attempt.
func (w *Worker) send(ctx context.Context, h *fleet.Hook, id string, m message) Delivery {
	began := time.Now()
	d := Delivery{ID: id, Kind: m.Type, At: began.UTC(), Attempt: 1}
	defer func() { d.Seconds = float64(time.Since(began).Milliseconds()) / 1000 }()
	body, err := json.Marshal(m)
	if err != nil {
		d.Detail = "the fact cannot be shown: " + err.Error()
		return d
	}
	r, err := http.NewRequestWithContext(ctx, http.MethodPost, h.URL, bytes.NewReader(body))
	if err != nil {
		d.Detail = "the address cannot be used"
		return d
	}
	timestamp := strconv.FormatInt(began.Unix(), 10)
	r.Header.Set("Content-Type", "application/json")
	r.Header.Set("User-Agent", "rigledger")
	r.Header.Set("webhook-id", id)
	r.Header.Set("webhook-timestamp", timestamp)
	r.Header.Set("webhook-signature", sign(h.Secrets(w.fleet.Now()), id, timestamp, body))
	answer, err := w.client.Do(r)
	if err != nil {
		d.Detail = whyNot(err)
		return d
	}
	_, _ = io.Copy(io.Discard, io.LimitReader(answer.Body, 4<<10))
	_ = answer.Body.Close()
	d.Status = answer.StatusCode
	d.Detail = fmt.Sprintf("answered %d", d.Status)
	switch {
	case d.Status >= 200 && d.Status < 300:
		d.Delivered = true
	case d.Status >= 300 && d.Status < 400:
		d.Detail += ": redirects are not followed"
	case d.Status == http.StatusGone:
		d.gone = true
	case d.Status == http.StatusTooManyRequests, d.Status == http.StatusServiceUnavailable:
		d.later = retryAfter(answer.Header.Get("Retry-After"), time.Now())
	}
	return d
}

// whyNot says what went wrong without the address, which may hold a secret.
func whyNot(err error) string {
	var timeout net.Error
	var at *url.Error
	switch {
	case errors.As(err, &timeout) && timeout.Timeout():
		return "no answer in time"
	case errors.As(err, &at):
		return at.Err.Error()
	}
	return err.Error()
}

// retryAfterMost bounds what a receiver may ask for.
const retryAfterMost = 6 * time.Hour

// retryAfter reads seconds or a date (RFC 9110, section 10.2.3).
func retryAfter(text string, now time.Time) time.Duration {
	var d time.Duration
	if s, err := strconv.ParseInt(text, 10, 32); err == nil {
		d = time.Duration(s) * time.Second
	} else if t, err := http.ParseTime(text); err == nil {
		d = t.Sub(now)
	}
	return min(max(d, 0), retryAfterMost)
}

// Test sends a message of the type hook.test at once and says what came of it.
// It changes nothing about the hook.
func (w *Worker) Test(ctx context.Context, h fleet.Hook) Delivery {
	d := w.send(ctx, &h, "test-"+ulid.Make().String(), message{
		Type: "hook.test", Timestamp: time.Now().UTC(), Data: map[string]string{"hook": h.Hook, "name": h.Name},
	})
	w.note(h.Hook, d)
	return d
}
