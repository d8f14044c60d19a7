package call

import (
	"sync"
	"time"

	"golang.org/x/time/rate"
)

// burstFor is how many requests a token may make at once, in seconds' worth of
// its rate.
const burstFor = 4

// limits bounds how often each token may ask. Only valid tokens get a limiter,
// so there are never more than tokens.
type limits struct {
	byToken sync.Map
}

// wait says how long a token must wait before it may ask, 0 when it may now. A rate
// of 0 is no bound.
func (l *limits) wait(token string, perSecond float64) time.Duration {
	if perSecond <= 0 {
		return 0
	}
	known, ok := l.byToken.Load(token)
	if !ok {
		known, _ = l.byToken.LoadOrStore(token, rate.NewLimiter(rate.Limit(perSecond), max(1, int(burstFor*perSecond))))
	}
	now := time.Now()
	turn := known.(*rate.Limiter).ReserveN(now, 1)
	d := turn.DelayFrom(now)
	if d > 0 {
		turn.CancelAt(now) // it is refused and asks again
	}
	return d
}
