package fleet

import (
	"context"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"rigledger/events"
	"rigledger/fleet/plan"
)

// uses knows when each token was last used here, to the second. What survives a
// restart is a fact for the first use of a day (NoteUses): a commit for every
// request would be more ledger than the work it records.
type uses struct{ byToken sync.Map } // token → *atomic.Int64, Unix milliseconds

func (u *uses) note(token string, now time.Time) {
	at, ok := u.byToken.Load(token)
	if !ok {
		at, _ = u.byToken.LoadOrStore(token, new(atomic.Int64))
	}
	last := at.(*atomic.Int64)
	if ms := now.UnixMilli(); ms-last.Load() >= 1000 {
		last.Store(ms)
	}
}

func (u *uses) of(token string) time.Time {
	if at, ok := u.byToken.Load(token); ok {
		return unixMilli(at.(*atomic.Int64).Load())
	}
	return time.Time{}
}

// LastUsed is when a token was last used: to the second where that was here,
// else the hour on record, of the first use on the last day. Zero: never.
func (f *Fleet) LastUsed(t *Token) time.Time {
	if here := f.uses.of(t.Token); here.After(t.LastUsed) {
		return here.Truncate(time.Second)
	}
	return t.LastUsed
}

// NoteUses puts on record which tokens were used on a day for which that is not
// on record yet. It costs nothing while there are none.
func (f *Fleet) NoteUses(ctx context.Context) error {
	cmd := &noteUses{}
	f.View(func(s *State) {
		f.uses.byToken.Range(func(token, _ any) bool {
			if t := s.Tokens[token.(string)]; t != nil && s.newDay(t, f.uses.of(t.Token)) {
				cmd.used = append(cmd.used, used{t.Token, f.uses.of(t.Token)})
			}
			return true
		})
	})
	slices.SortFunc(cmd.used, func(a, b used) int { return a.at.Compare(b.at) })
	for part := range slices.Chunk(cmd.used, usesAtOnce) {
		if _, err := f.Do(ctx, "rigledger", &noteUses{part}, nil); err != nil {
			return err
		}
	}
	return nil
}

// usesAtOnce is how many are put into one commit, which has room for 512 facts.
const usesAtOnce = 200

// KeepUses notes uses until ctx ends. A failure is only logged: nobody waits
// for it, and the next turn tries again.
func (f *Fleet) KeepUses(ctx context.Context, every time.Duration) error {
	turn := time.NewTicker(every)
	defer turn.Stop()
	for {
		select {
		case <-ctx.Done():
			return nil
		case <-turn.C:
		}
		if err := f.NoteUses(ctx); err != nil && ctx.Err() == nil {
			f.log.Warn("when tokens were last used could not be put on record", "error", err)
		}
	}
}

func (s *State) newDay(t *Token, at time.Time) bool {
	return t.LastUsed.IsZero() || plan.Of(at, s.zone).After(plan.Of(t.LastUsed, s.zone))
}

type used struct {
	token string
	at    time.Time
}

type noteUses struct{ used []used }

func (n *noteUses) Touches() []string { return []string{"tokens"} }

func (n *noteUses) Decide(d Deciding) ([]events.Entry, error) {
	var facts []events.Entry
	for _, u := range n.used {
		if t := d.Tokens[u.token]; t != nil && d.newDay(t, u.at) { // another instance may have noted it
			e := d.entry(&events.TokenUsed{Token: u.token})
			e.At = u.at.UTC().Truncate(time.Hour)
			facts = append(facts, e)
		}
	}
	return facts, nil
}
