package hooks

import (
	"context"
	"fmt"
	"strings"
	"sync"
	"time"
	"unicode"
	"unicode/utf8"

	"rigledger/api/feed"
	"rigledger/events"
	"rigledger/fleet"
)

// follower delivers for one hook.
type follower struct {
	w  *Worker
	id string

	mu           sync.Mutex
	at           events.Position // everything before it was delivered or not wanted
	sent         bool            // something was delivered since the position was noted
	failing      time.Time       // since when the receiver does not take
	noted        events.Position // as on record
	notedFailing time.Time
}

// hook gives the hook as it stands; ok is false when it ended or was disabled.
func (f *follower) hook() (h fleet.Hook, ok bool) {
	f.w.fleet.View(func(s *fleet.State) {
		if now := s.Hooks[f.id]; now != nil && now.Disabled == "" {
			h, ok = *now, true
		}
	})
	return h, ok
}

// follow delivers until the hook ends or ctx does.
func (f *follower) follow(ctx context.Context) {
	for ctx.Err() == nil {
		changed := f.w.fleet.Changed()
		h, ok := f.hook()
		if !ok {
			return
		}
		f.mu.Lock()
		if f.at.Before(h.Position) { // another instance came further
			f.at = h.Position
		}
		at := f.at
		f.mu.Unlock()
		page, err := f.w.feed.Read(ctx, feed.Filter{Kinds: h.Kinds, Held: h.Yards, Quiet: true}, at, batch)
		if err != nil {
			f.w.log.Warn("the feed cannot be read for a hook", "hook", f.id, "error", err)
			f.wait(ctx, time.Second)
			continue
		}
		for i := range page.Facts {
			if !f.deliver(ctx, &page.Facts[i]) {
				return
			}
		}
		f.mu.Lock()
		if f.at.Before(page.Next) {
			f.at = page.Next
		}
		f.mu.Unlock()
		if page.More() {
			continue
		}
		select {
		case <-changed:
		case <-ctx.Done():
		}
	}
}

// deliver tries until the fact was taken; it is false when the hook is over.
func (f *follower) deliver(ctx context.Context, fact *feed.Fact) bool {
	f.mu.Lock()
	since := f.failing
	f.mu.Unlock()
	tries := 0
	if !since.IsZero() { // it failed before a restart too
		tries = f.triesIn(time.Since(since))
	}
	for attempt := 1; ; attempt++ {
		h, ok := f.hook()
		if !ok {
			return false
		}
		d := f.w.send(ctx, &h, webhookID(fact), message{Type: fact.Kind, Timestamp: fact.At, Data: fact})
		if ctx.Err() != nil && !d.Delivered {
			return false // cut off by our own end: it is tried again after it
		}
		d.Position, d.Attempt = fact.Position.String(), attempt
		f.w.note(f.id, d)
		now := time.Now()
		f.mu.Lock()
		if d.Delivered {
			f.at, f.sent, f.failing = fact.Position, true, time.Time{}
			f.mu.Unlock()
			return true
		}
		if f.failing.IsZero() {
			f.failing = now
		}
		since := f.failing
		f.mu.Unlock()
		switch {
		case d.gone:
			f.disable(ctx, "the receiver answered 410: it wants no more")
			return false
		case now.Sub(since) >= f.w.o.GiveUp:
			f.disable(ctx, fmt.Sprintf("not taken since %s; the last attempt: %s", since.UTC().Format(time.RFC3339), d.Detail))
			return false
		}
		delay := f.w.o.Delays[min(tries, len(f.w.o.Delays)-1)]
		tries++
		if !f.waitEnabled(ctx, max(delay, d.later)) {
			return false
		}
	}
}

// triesIn is how many attempts the delays leave room for in a time.
func (f *follower) triesIn(d time.Duration) (n int) {
	for _, delay := range f.w.o.Delays {
		if d -= delay; d < 0 {
			break
		}
		n++
	}
	return n
}

// waitEnabled waits for the next attempt; it is false when the hook or ctx ended
// meanwhile.
func (f *follower) waitEnabled(ctx context.Context, d time.Duration) bool {
	timer := time.NewTimer(d)
	defer timer.Stop()
	for {
		changed := f.w.fleet.Changed()
		if _, ok := f.hook(); !ok {
			return false
		}
		select {
		case <-timer.C:
			return true
		case <-changed:
		case <-ctx.Done():
			return false
		}
	}
}

func (f *follower) wait(ctx context.Context, d time.Duration) {
	select {
	case <-time.After(d):
	case <-ctx.Done():
	}
}

// disable stops the hook with a reason that its owner sees, at the position it
// came to.
func (f *follower) disable(ctx context.Context, why string) {
	at, failing, _ := f.news()
	why = plain(why)
	for {
		_, err := f.w.fleet.Do(ctx, by, &fleet.NoteDelivered{Hook: f.id, Position: at, Failing: failing}, nil)
		if err == nil {
			_, err = f.w.fleet.Do(ctx, by, &fleet.DisableHook{Hook: f.id, Reason: why}, nil)
		}
		if err == nil || fleet.CodeOf(err) == fleet.NotFound || ctx.Err() != nil {
			return
		}
		f.w.log.Warn("a hook could not be disabled", "hook", f.id, "error", err)
		f.wait(ctx, time.Second)
	}
}

// plain makes a reason, which may quote an error, one that the ledger takes.
func plain(why string) string {
	why = strings.Map(func(r rune) rune {
		if unicode.IsControl(r) || r == utf8.RuneError {
			return ' '
		}
		return r
	}, why)
	for len(why) > fleet.ReasonMost {
		_, size := utf8.DecodeLastRuneInString(why)
		why = why[:len(why)-size]
	}
	return why
}

// news gives how far the hook has come, and whether that is worth a commit. It
// is not for a little progress in which nothing was sent: our own records are
// such progress, and would make one another.
func (f *follower) news() (at events.Position, failing time.Time, worth bool) {
	f.mu.Lock()
	defer f.mu.Unlock()
	worth = f.sent || !f.failing.Equal(f.notedFailing) || f.at.Commit >= f.noted.Commit+skipsMost
	f.sent = false
	return f.at, f.failing, worth
}
