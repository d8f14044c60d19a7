package console

import (
	"cmp"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"rigledger/events"
	"rigledger/fleet"
)

var ledgerPages = []page{
	{"/ledger", watching, showLedger},
	{"/ledger/commits/:commit", nil, showCommit}, // operators too: their rigs' pages name commits
}

// Bounds of one page of the ledger.
const (
	commitsOnPage = 25
	factsOfCommit = 12
	commitsLooked = 2000    // for readers who see only some
	commitBytes   = 8 << 20 // likewise
)

// ledgerView is the ledger's page: where the chain stands, and its newest links;
// or what was known at the end of a day.
type ledgerView struct {
	Head     events.Head
	Recorded time.Time
	Opening  fleet.Opening
	Kinds    []kindCount // nil for readers who are held to yards
	Facts    uint64
	Held     bool // to yards

	Commits []commitCard
	Before  uint64 // from where the page looks back, 0 for the newest
	Older   string // address of what is before, "" for nothing

	Day  string // what the form for a day shows
	Days []option
	Past *pastView
}

type kindCount struct {
	Kind, Words string
	N           uint64
}

// commitCard is one commit with what its reader may see of it.
type commitCard struct {
	N        uint64
	Hash     string
	Recorded time.Time
	Facts    []factLine
	More     int // facts that are not listed
	Size     int // facts in all
}

type factLine struct {
	Position      events.Position
	Words, Detail string
	Kind, Rig, By string
	Known         bool // the rig has a page
	At            time.Time
	Elsewhen      bool // it holds at another time than it was recorded
	Late          string
}

func showLedger(v *visit) error {
	d := ledgerView{Opening: v.fleet.Opening(), Held: len(v.who.Yards) > 0, Day: v.query("asof")}
	if d.Day != "" {
		return v.showPast(d)
	}
	today := v.today()
	d.Days = []option{{today.AddDays(-1).String(), word("Yesterday")}, {today.AddMonths(-1).String(), word("A month ago")}}
	before, err := strconv.ParseUint(cmp.Or(v.query("before"), "0"), 10, 53)
	if err != nil {
		return &fleet.Error{Code: fleet.Invalid, Message: word("A commit has a number.")}
	}
	d.Before = before
	v.fleet.View(func(s *fleet.State) {
		d.Head, d.Recorded = s.Head, s.Recorded
		d.count(v, s)
	})
	if err := d.look(v); err != nil {
		return err
	}
	if before > 0 {
		return v.show("ledger.html", word("Ledger"), "/ledger", d)
	}
	return v.showLive("ledger.html", word("Ledger"), "/ledger", d)
}

// count lists how many facts there are of each kind, for those who see all rigs;
// who may come in is the managers' business alone.
func (d *ledgerView) count(v *visit, s *fleet.State) {
	if d.Held {
		return
	}
	for kind, n := range s.FactCounts {
		if v.may(managers...) || !events.Private(kind) {
			d.Kinds = append(d.Kinds, kindCount{kind, wordsOfKind(kind), n})
			d.Facts += n
		}
	}
	slices.SortFunc(d.Kinds, func(a, b kindCount) int { return cmp.Or(cmp.Compare(b.N, a.N), strings.Compare(a.Kind, b.Kind)) })
}

// look gathers the commits of the page, the newest first.
func (d *ledgerView) look(v *visit) error {
	from := d.Head.N
	if d.Before > 0 {
		from = min(d.Before-1, d.Head.N)
	}
	last := uint64(0)
	err := v.backwards(from, commitsLooked, commitBytes, func(c *events.Commit) bool {
		if len(d.Commits) >= commitsOnPage {
			return false
		}
		last = c.N
		if card := v.commitCard(c, factsOfCommit); len(card.Facts) > 0 {
			d.Commits = append(d.Commits, card)
		}
		return true
	})
	if err != nil {
		return err
	}
	if last > 1 {
		d.Older = "/ledger?" + url.Values{"before": {strconv.FormatUint(last, 10)}}.Encode()
	}
	return nil
}

// commitCard gives a commit in words, at most so many facts of it, as far as the
// reader may see it.
func (v *visit) commitCard(c *events.Commit, most int) commitCard {
	card := commitCard{N: c.N, Hash: c.Hash.String(), Recorded: c.Recorded, Size: len(c.Facts)}
	v.fleet.View(func(s *fleet.State) {
		for i := range c.Facts {
			switch {
			case !v.seesFact(s, c.Facts[i].Fact):
			case len(card.Facts) >= most:
				card.More++
			default:
				card.Facts = append(card.Facts, lineOf(s, c, i))
			}
		}
	})
	return card
}
