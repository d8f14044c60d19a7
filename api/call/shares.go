package call

import "sync"

// Shares bounds how many requests hold something scarce for long, in all and of one
// token, so that no token can hold all of it. The bounds are set before the first.
type Shares struct {
	All, Each int

	mu   sync.Mutex
	held int
	of   map[string]int // by token
}

// Taken says why a share was not to be had.
type Taken int

// Why a share was not to be had.
const (
	Free     Taken = iota // it was
	TakenAll              // as many are held as may be
	TakenOwn              // the token holds as many as it may
)

// Enter takes a share for a token; leave gives it back and must be called where
// taken is Free.
func (s *Shares) Enter(token string) (leave func(), taken Taken) {
	s.mu.Lock()
	defer s.mu.Unlock()
	switch {
	case s.of[token] >= s.Each:
		return nil, TakenOwn
	case s.held >= s.All:
		return nil, TakenAll
	}
	if s.of == nil {
		s.of = map[string]int{}
	}
	s.held++
	s.of[token]++
	return func() {
		s.mu.Lock()
		defer s.mu.Unlock()
		s.held--
		if s.of[token]--; s.of[token] == 0 {
			delete(s.of, token)
		}
	}, Free
}
