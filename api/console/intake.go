package console

import (
	"cmp"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"rigledger/fleet"
)

var intakePages = []page{{"/intake", watching, showIntake}}

// Bounds of what one page of the intake shows.
const (
	heldOnPage   = 20
	silentOnPage = 30
)

// intakeView is what the intake shows: what waits for a decision first, then who
// is not heard of, then what came in as it should.
type intakeView struct {
	Filter  intakeFilter
	Yards   []option
	Reasons []option
	States  []option

	Held           []heldCard
	Total          int // that the filter lets through
	Waiting        int // open in all that the reader may see
	First, Last    int
	Earlier, Later string // addresses of the pages around, "" for none

	Silent     []silentRig
	SilentMore int
	SilentDays int

	Lately []cameIn
	Void   *voidForm
}

// intakeFilter is what the address asks for.
type intakeFilter struct {
	Yard, Reason, State, Rig string
	From                     int
}

// address is the intake's own with this filter, from a place in the list on.
func (f intakeFilter) address(from int) string {
	q := url.Values{}
	for name, value := range map[string]string{"yard": f.Yard, "reason": f.Reason, "state": f.State, "rig": f.Rig} {
		if value != "" {
			q.Set(name, value)
		}
	}
	if from > 0 {
		q.Set("from", strconv.Itoa(from))
	}
	if len(q) == 0 {
		return "/intake"
	}
	return "/intake?" + q.Encode()
}

// silentRig is a rig that should be heard of and is not.
type silentRig struct {
	Rig, Name, Yard string
	Heard           time.Time // zero: never
	Days            int
}

func showIntake(v *visit) error {
	d := intakeView{
		Filter:     intakeFilter{Yard: v.query("yard"), Reason: v.query("reason"), State: v.query("state"), Rig: v.query("rig")},
		SilentDays: int(fleet.SilentAfter.Hours()) / 24,
	}
	d.Filter.From, _ = strconv.Atoi(v.query("from"))
	d.Filter.From = max(d.Filter.From, 0)
	d.States = optionsOf("", word("waiting for a decision"), "ended", word("decided"), "all", word("all"))
	err := error(nil)
	v.fleet.View(func(s *fleet.State) {
		d.choices(v, s)
		d.held(v, s)
		d.silent(v, s)
		d.Void, err = v.voidForm(s)
	})
	if err != nil {
		return err
	}
	if d.Lately, err = v.lately(d.Filter); err != nil {
		return err
	}
	return v.showLive("intake.html", word("Intake"), "/intake", d)
}

// choices lists the yards and reasons that there are to choose from.
func (d *intakeView) choices(v *visit, s *fleet.State) {
	yards, reasons := map[string]bool{}, map[string]bool{}
	for _, r := range s.Rigs {
		if v.who.MaySee(r.Yard) {
			yards[r.Yard] = true
		}
	}
	for _, h := range s.Held {
		if v.seesHeld(s, h) {
			reasons[h.Reason] = true
		}
	}
	d.Yards, d.Reasons = []option{{"", word("all yards")}}, []option{{"", word("all reasons")}}
	for _, y := range sortedKeys(yards) {
		d.Yards = append(d.Yards, option{y, y})
	}
	for _, r := range sortedKeys(reasons) {
		d.Reasons = append(d.Reasons, option{r, whyHeld(r).Short})
	}
}

func sortedKeys(of map[string]bool) []string {
	keys := make([]string, 0, len(of))
	for k := range of {
		keys = append(keys, k)
	}
	slices.Sort(keys)
	return keys
}

// seesHeld: what names no known rig is for managers of the whole fleet, as in
// the API.
func (v *visit) seesHeld(s *fleet.State, h *fleet.Held) bool {
	if r := s.Rigs[h.Rig]; r != nil {
		return v.who.MaySee(r.Yard)
	}
	return v.who.Role == fleet.RoleManager && len(v.who.Yards) == 0
}

// oneOfEach leaves one of what waits of one rig for one reason: that which was
// measured first, since the decision on it often settles the others. more says
// how many it stands for beside itself.
func oneOfEach(s *fleet.State, found []*fleet.Held) (kept []*fleet.Held, more map[*fleet.Held]int) {
	type alike struct{ rig, reason string }
	at := map[alike]int{}
	more = map[*fleet.Held]int{}
	for _, h := range found {
		i, known := at[alike{h.Rig, h.Reason}]
		switch {
		case s.Rigs[h.Rig] == nil: // messages of nobody have nothing in common
			kept = append(kept, h)
		case !known:
			at[alike{h.Rig, h.Reason}] = len(kept)
			kept = append(kept, h)
		default:
			first := kept[i]
			n := more[first] + 1
			if h.At.Before(first.At) {
				delete(more, first)
				first, kept[i] = h, h
			}
			more[first] = n
		}
	}
	return kept, more
}

// held fills in what waits, the newest first, a page of it.
func (d *intakeView) held(v *visit, s *fleet.State) {
	var found []*fleet.Held
	f := &d.Filter
	for _, h := range s.Held {
		if !v.seesHeld(s, h) {
			continue
		}
		open := h.Outcome == ""
		if open {
			d.Waiting++
		}
		r := s.Rigs[h.Rig]
		switch {
		case f.State == "" && !open, f.State == "ended" && open, f.Reason != "" && h.Reason != f.Reason:
		case f.Yard != "" && (r == nil || r.Yard != f.Yard), f.Rig != "" && h.Rig != f.Rig:
		default:
			found = append(found, h)
		}
	}
	slices.SortFunc(found, func(a, b *fleet.Held) int {
		return cmp.Or(b.HeldAt.Compare(a.HeldAt), b.At.Compare(a.At), strings.Compare(a.Quarantine, b.Quarantine))
	})
	var more map[*fleet.Held]int
	if f.State == "" && f.Rig == "" {
		found, more = oneOfEach(s, found)
	}
	d.Total = len(found)
	if f.From >= len(found) {
		f.From = 0
	}
	end := min(f.From+heldOnPage, len(found))
	for _, h := range found[f.From:end] {
		card := v.heldCard(s, h)
		card.More = more[h]
		d.Held = append(d.Held, card)
	}
	d.First, d.Last = f.From+1, end
	if f.From > 0 {
		d.Later = f.address(max(f.From-heldOnPage, 0))
	}
	if end < len(found) {
		d.Earlier = f.address(end)
	}
}

// silent fills in who is not heard of, the longest first.
func (d *intakeView) silent(v *visit, s *fleet.State) {
	for code, r := range s.Rigs {
		if !v.who.MaySee(r.Yard) || d.Filter.Yard != "" && r.Yard != d.Filter.Yard || !s.Silent(r, v.now) {
			continue
		}
		since := r.LastHeard
		if since.IsZero() {
			since = r.Registered
		}
		d.Silent = append(d.Silent, silentRig{code, r.Name, r.Yard, r.LastHeard, int(v.now.Sub(since).Hours()) / 24})
	}
	slices.SortFunc(d.Silent, func(a, b silentRig) int { return cmp.Or(cmp.Compare(b.Days, a.Days), strings.Compare(a.Rig, b.Rig)) })
	if more := len(d.Silent) - silentOnPage; more > 0 {
		d.Silent, d.SilentMore = d.Silent[:silentOnPage], more
	}
}
