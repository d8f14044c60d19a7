package console

import (
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"rigledger/events"
	"rigledger/fleet"
	"rigledger/fleet/meter"
	"rigledger/fleet/plan"
)

// pastOnPage is how many rigs one page of a day past shows: of each, its fitness
// is worked out twice.
const pastOnPage = 60

// pastView is the fleet as it was known at the end of a day, and what is known
// today about that day where the two differ.
type pastView struct {
	Day      string
	End      time.Time // of the day
	Head     events.Head
	Recorded time.Time
	Newest   bool // nothing was recorded since
	Yard     string
	Yards    []option
	Rigs     []pastRig
	All      int // rigs known then, that the filter lets through
	Differ   int // on this page
	Next     string
	Since    uint64 // commits since
}

// pastRig is one rig as it was known.
type pastRig struct {
	Rig, Name, Yard string
	Fitness         fleet.Fitness
	Totals          []pastTotal
	Open            []string
	OpenMore        int
	Certs           []pastCert
	Commit          uint64   // the newest about it then
	Now             []string // what is known today about that day and was not then, in words
	FitnessNow      string   // if it differs
	Gone            bool     // it is not in the fleet any more
}

type pastTotal struct {
	Meter, Unit string
	Total       float64
	Decimals    int
	ReadAt      time.Time
}

type pastCert struct{ Number, Expires string }

const openOfPast = 6

// showPast shows what was known at the end of a day.
func (v *visit) showPast(d ledgerView) error {
	day, err := plan.ParseDate(d.Day)
	if err != nil {
		return &fleet.Error{Code: fleet.Invalid, Message: word("The day must be like 2026-06-01.")}
	}
	if day.After(v.today()) {
		return &fleet.Error{Code: fleet.Invalid, Message: word("That day has not come yet. What will be due then stands in the season.")}
	}
	end := day.AddDays(1).Time(v.zone).Add(-time.Millisecond)
	p := &pastView{Day: d.Day, End: end, Yard: v.query("yard")}
	newest := false
	v.fleet.View(func(s *fleet.State) {
		d.Head, d.Recorded = s.Head, s.Recorded
		newest = !s.Recorded.After(end)
		if newest {
			p.fill(v, s)
		}
	})
	if !newest {
		s, err := v.fleet.AsOf(v.r.Context(), end)
		if err != nil {
			return err
		}
		p.fill(v, s)
	}
	p.Newest, p.Since = newest, d.Head.N-p.Head.N
	if !newest {
		for i := range p.Rigs {
			p.compare(v, &p.Rigs[i])
		}
	}
	d.Past = p
	return v.show("ledger.html", word("What we knew"), "/ledger", d)
}

// fill gathers the rigs as a state has them.
func (p *pastView) fill(v *visit, s *fleet.State) {
	p.Head, p.Recorded = s.Head, s.Recorded
	yards := map[string]bool{}
	var codes []string
	for code, r := range s.Rigs {
		if !v.who.MaySee(r.Yard) || r.Retired {
			continue
		}
		yards[r.Yard] = true
		if p.Yard == "" || r.Yard == p.Yard {
			codes = append(codes, code)
		}
	}
	p.Yards = []option{{"", word("all yards")}}
	for _, y := range sortedKeys(yards) {
		p.Yards = append(p.Yards, option{y, y})
	}
	slices.Sort(codes)
	p.All = len(codes)
	first, _ := slices.BinarySearch(codes, v.query("from"))
	codes = codes[first:]
	if len(codes) > pastOnPage {
		p.Next = "/ledger?" + url.Values{"asof": {p.Day}, "yard": {p.Yard}, "from": {codes[pastOnPage]}}.Encode()
		codes = codes[:pastOnPage]
	}
	for _, code := range codes {
		p.Rigs = append(p.Rigs, pastRigOf(s, s.Rigs[code], p.End))
	}
}

func pastRigOf(s *fleet.State, r *fleet.Rig, end time.Time) pastRig {
	out := pastRig{Rig: r.Rig, Name: r.Name, Yard: r.Yard, Fitness: s.FitnessAt(r, end, end), Commit: r.Changed}
	for _, t := range r.Totals() {
		out.Totals = append(out.Totals, pastTotal{t.Meter, meterSymbol(t.Quantity), t.Quantity.FromBase(t.Total), meterDecimals(t.Quantity), t.ReadAt})
	}
	for _, id := range r.Open {
		if len(out.Open) == openOfPast {
			break
		}
		out.Open = append(out.Open, jobTitle(s, id))
	}
	out.OpenMore = len(r.Open) - len(out.Open)
	if c := s.CertificateOf(r); c != nil {
		out.Certs = append(out.Certs, pastCert{c.Number, c.Expires})
	}
	return out
}

// compare says in words what is known today about the end of that day and was
// not known then.
func (p *pastView) compare(v *visit, then *pastRig) {
	v.fleet.View(func(s *fleet.State) {
		r := s.Rigs[then.Rig]
		if r == nil || !v.who.MaySee(r.Yard) {
			then.Gone = true
			return
		}
		for _, t := range then.Totals {
			if m := r.Meter(t.Meter); m != nil {
				then.Now = append(then.Now, meterSince(m, t, p.End)...)
			}
		}
		then.Now = append(then.Now, enteredSince(s, r, p)...)
		if fit := s.FitnessAt(r, p.End, v.now); fit.State != then.Fitness.State {
			then.FitnessNow = fit.State
		}
	})
	if len(then.Now) > 0 || then.FitnessNow != "" {
		p.Differ++
	}
}

// meterSince compares a meter's newest total of then with its series of today.
func meterSince(m *fleet.Meter, then pastTotal, end time.Time) (words []string) {
	q := m.Series.Quantity
	old := meterBase(q, then.Total)
	if last, ok := m.Series.ReadBefore(end.UnixMilli() + 1); ok && last > then.ReadAt.UnixMilli() {
		if points := m.Series.Points(last, last); len(points) > 0 {
			return []string{then.Meter + " " + meterText(q, points[len(points)-1].Total) + ": " + word("a reading came later")}
		}
	}
	if then.ReadAt.IsZero() {
		return nil
	}
	now := m.Series.TotalAt(then.ReadAt.UnixMilli())
	if diff := now - old; diff > q.Tolerance() || -diff > q.Tolerance() {
		return []string{then.Meter + " " + meterText(q, now) + ": " + word("its history was put right later")}
	}
	return nil
}

func meterBase(q meter.Quantity, value float64) int64 {
	base, err := meter.ToBase(q, value, q.Unit())
	if err != nil {
		return 0
	}
	return base
}

// enteredSince lists the facts of a rig that hold at or before the end of the
// day and were recorded after it. Readings are not on the timeline.
func enteredSince(s *fleet.State, r *fleet.Rig, p *pastView) (words []string) {
	const most = 4
	more := 0
	for i := len(r.Timeline) - 1; i >= 0 && r.Timeline[i].N > p.Head.N; i-- {
		e := &r.Timeline[i].Entry
		kind := e.Fact.Kind()
		if e.At.After(p.End) || events.Private(kind) || kind == "rig.standing" || strings.HasPrefix(kind, "reading.") {
			continue
		}
		if len(words) == most {
			more++
			continue
		}
		told := tell(s, e.Fact)
		words = append(words, told.What+onlyIf(told.About != "", ": ")+told.About+" ("+word("commit")+" "+strconv.FormatUint(r.Timeline[i].N, 10)+")")
	}
	if more > 0 {
		words = append(words, strconv.Itoa(more)+" "+word("more facts entered later"))
	}
	return words
}
