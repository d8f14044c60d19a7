package console

import (
	"crypto/subtle"
	"sync"
	"time"

	"rigledger/fleet"
)

// Bounds of the refused forms that wait for the page that shows them: how many,
// how many of one person, how large one may be, and how long they wait.
const (
	refusalsMost    = 400
	refusalsOfOne   = 5
	refusalMostText = 128 << 10
	refusalWait     = 10 * time.Minute
)

// refusals are forms that were refused, each kept for one showing to the session
// that sent it. They are in this instance's memory alone: what a person loses
// with them is a message and, without script, what was typed.
type refusals struct {
	mu      sync.Mutex
	waiting []waitingRefusal // in the order they came
}

type waitingRefusal struct {
	id, session, path string
	at                time.Time
	of                *refused
}

// keep gives the name under which a refusal waits; false if it is too large.
func (k *refusals) keep(r *refused, token, path string, now time.Time) (id string, ok bool) {
	size := 0
	for name, values := range r.typed {
		for _, value := range values {
			size += len(name) + len(value)
		}
	}
	if size > refusalMostText {
		return "", false
	}
	one := waitingRefusal{id: fleet.Secret()[:16], session: formToken(token), path: path, at: now, of: r}
	k.mu.Lock()
	defer k.mu.Unlock()
	stay, mine := k.waiting[:0], 0
	for _, w := range k.waiting {
		if w.session == one.session {
			mine++
		}
	}
	for _, w := range k.waiting {
		switch {
		case now.Sub(w.at) > refusalWait:
		case w.session == one.session && mine >= refusalsOfOne:
			mine--
		default:
			stay = append(stay, w)
		}
	}
	clear(k.waiting[len(stay):])
	if len(stay) >= refusalsMost {
		stay = stay[1:]
	}
	k.waiting = append(stay, one)
	return one.id, true
}

// take gives a refusal to the session and the page that it is for, once.
func (k *refusals) take(id, token, path string) *refused {
	k.mu.Lock()
	defer k.mu.Unlock()
	for i, w := range k.waiting {
		if w.id == id && w.path == path && subtle.ConstantTimeCompare([]byte(w.session), []byte(formToken(token))) == 1 {
			k.waiting = append(k.waiting[:i], k.waiting[i+1:]...)
			return w.of
		}
	}
	return nil
}
