package console

import (
	"math"
	"strconv"
	"time"

	"rigledger/events"
	"rigledger/fleet"
)

// commitPage is one commit: what it put on record, and its place in the chain.
type commitPage struct {
	commitCard
	Prev         string // hash of the one before, "" for the first
	All          bool   // the reader sees every fact of it
	Before, Next uint64 // the nearest of which the reader may see something, 0 for none near
	Newest       bool
}

// showCommit shows a commit as far as the reader may see it. One of which nothing
// may be seen is not there, whatever it holds.
func showCommit(v *visit) error {
	n, err := strconv.ParseUint(v.param("commit"), 10, 53)
	none := &fleet.Error{Code: fleet.NotFound, Message: word("There is no such commit, or your token may see nothing of it.")}
	if err != nil || n == 0 {
		return none
	}
	var found *events.Commit
	err = v.fleet.ReadCommits(v.r.Context(), n, func(c *events.Commit) error {
		found = c
		return fleet.ErrEnough
	})
	if err != nil {
		return err
	}
	if found == nil || found.N != n {
		return none
	}
	d := commitPage{commitCard: v.commitCard(found, math.MaxInt), Newest: n == v.fleet.Head().N}
	if len(d.Facts) == 0 {
		return none
	}
	if d.All = len(d.Facts) == d.Size; n > 1 {
		d.Prev = found.Prev.String()
	}
	sees := func(c *events.Commit) bool { return len(v.commitCard(c, 1).Facts) > 0 }
	err = v.backwards(n-1, commitsLooked, commitBytes, func(c *events.Commit) bool {
		if sees(c) {
			d.Before = c.N
		}
		return d.Before == 0
	})
	if err != nil {
		return err
	}
	looked, bytes := 0, 0
	err = v.fleet.ReadCommits(v.r.Context(), n+1, func(c *events.Commit) error {
		if sees(c) {
			d.Next = c.N
			return fleet.ErrEnough
		}
		if looked, bytes = looked+1, bytes+c.Size(); looked >= commitsLooked || bytes >= commitBytes {
			return fleet.ErrEnough
		}
		return nil
	})
	if err != nil {
		return err
	}
	return v.show("commit.html", word("Commit")+" "+strconv.FormatUint(n, 10), "/ledger", d)
}

// seesFact says whether a reader may see a fact in the ledger: what the feed
// shows; to managers of the whole fleet who was let in; to operators what the
// pages of their rigs show. Within View.
func (v *visit) seesFact(s *fleet.State, fact events.Fact) bool {
	kind := fact.Kind()
	all := len(v.who.Yards) == 0
	rig := s.Rigs[fact.Subject()]
	switch {
	case events.Private(kind) && !(all && v.may(managers...)), kind == "request.kept":
		return false
	case rig != nil:
		return v.who.MaySee(rig.Yard)
	}
	return all && v.may(watching...)
}

// lineOf is a fact of a commit in words. Within View.
func lineOf(s *fleet.State, c *events.Commit, i int) factLine {
	e := &c.Facts[i]
	words := tell(s, e.Fact)
	rig := e.Fact.Subject()
	line := factLine{
		Position: events.Position{Commit: c.N, Index: i}, Words: words.What, Detail: words.About,
		Kind: e.Fact.Kind(), Rig: rig, Known: s.Rigs[rig] != nil, By: e.By, At: e.At,
	}
	if c.Recorded.Sub(e.At).Abs() >= time.Minute {
		line.Elsewhen, line.Late = true, lateness(e.At, c.Recorded)
	}
	return line
}
