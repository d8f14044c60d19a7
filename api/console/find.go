package console

import (
	"cmp"
	"net/http"
	"slices"
	"strings"
	"time"

	"rigledger/fleet"
	"rigledger/fleet/plan"
)

var findPages = []page{{"/find", nil, showFind}}

// findMost is how many hits of one kind are shown; the rest is counted.
const findMost = 20

// hit is something that was found.
type hit struct {
	To, Name, About string
	Exact           bool
	ended           time.Time // of a job that is no longer open: it comes after those that are, the last first
}

// hits are those of one kind, exact ones first.
type hits struct {
	Name  string
	Found []hit
	More  int
}

type findPage struct {
	Q      string
	Looked int // rigs that were looked through
	Kinds  []hits
}

func showFind(v *visit) error {
	d := findPage{Q: strings.TrimSpace(v.query("q"))}
	if len(d.Q) > 200 {
		return &fleet.Error{Code: fleet.Invalid, Message: word("Nobody's code is that long.")}
	}
	only := ""
	v.fleet.View(func(s *fleet.State) {
		for _, r := range s.Rigs {
			if v.who.MaySee(r.Yard) {
				d.Looked++
			}
		}
		if d.Q != "" {
			d.Kinds, only = findIn(s, v.who, d.Q)
		}
	})
	if only != "" {
		http.Redirect(v.w, v.r, "/rigs/"+only, http.StatusSeeOther)
		return nil
	}
	return v.show("find.html", word("Find"), "", d)
}

// findIn looks for a text among the rigs, parts, certificates, jobs and inspections
// that somebody may see. only is the rig whose code it is, when nothing else is
// called exactly that. It is a pure function of the state.
func findIn(s *fleet.State, who fleet.Holder, q string) (kinds []hits, only string) {
	l := &lookup{q: strings.ToLower(q)}
	exact := 0
	see := func(r *fleet.Rig) bool { return r != nil && who.MaySee(r.Yard) }

	l.begin(word("Rigs"))
	for _, r := range s.Rigs {
		if !see(r) {
			continue
		}
		about := r.Name + ", " + r.Class + ", " + r.Yard
		if r.Serial != "" {
			about += ", " + r.Serial
		}
		if r.Retired {
			about += ", " + word("retired")
		}
		l.look("/rigs/"+r.Rig, r.Rig, about, r.Rig, r.Name, r.Serial)
		if strings.EqualFold(r.Rig, q) {
			only = r.Rig
		}
	}
	kinds, exact = l.end(kinds, exact)

	l.begin(word("Parts"))
	for _, p := range s.Parts {
		if p.Part == p.Rig() || len(p.Stays) == 0 || !see(s.Rigs[p.Stays[len(p.Stays)-1].Rig]) {
			continue // the rig as a whole, or a part of somebody else's yard
		}
		about := p.Name
		if on := p.Rig(); on != "" {
			about += ", " + word("on") + " " + on
		} else {
			about += ", " + word("on no rig now")
		}
		for _, more := range []string{p.Serial, p.SKU} {
			if more != "" {
				about += ", " + more
			}
		}
		l.look("/parts/"+p.Part, p.Part, about, p.Part, p.Serial, p.SKU, p.Name)
	}
	kinds, exact = l.end(kinds, exact)

	l.begin(word("Certificates"))
	for _, k := range s.Bay.Certificates {
		if !see(s.Rigs[k.Rig]) {
			continue
		}
		about := word("of rig") + " " + k.Rig + ", " + word("inspected") + " " + k.Inspected
		if k.Sticker != "" {
			about += ", " + word("sticker") + " " + k.Sticker
		}
		if k.Withdrawn != nil {
			about += ", " + word("withdrawn")
		}
		l.look("/rigs/"+k.Rig, k.Number, about, k.Number, k.Sticker, k.Certificate)
	}
	kinds, exact = l.end(kinds, exact)

	l.begin(word("Jobs"))
	for _, it := range s.Items {
		if !see(s.Rigs[it.Rig]) {
			continue
		}
		title := it.Task
		if p := s.PlanOf(fleet.PlanRef{Plan: it.Plan, Version: it.Version}); p != nil && p.Task(it.Task) != nil {
			title = p.Task(it.Task).Title
		}
		about := word("rig") + " " + it.Rig + ", " + stageWords[it.Stage]
		if !it.Stage.Open() {
			about += " " + plan.Of(it.EndedAt, s.Zone()).String()
		}
		if l.look("/items/"+it.Item, jobTitle(s, it.Item), about, it.Item, title) {
			l.found[len(l.found)-1].ended = it.EndedAt
		}
	}
	kinds, exact = l.end(kinds, exact)

	l.begin(word("Inspections"))
	for _, in := range s.Bay.Inspections {
		if !see(s.Rigs[in.Rig]) {
			continue
		}
		about := in.Rig + ", " + plan.Of(in.At, s.Zone()).String() + ", " + strings.ReplaceAll(in.Outcome, "_", " ") + ", " + in.Tester
		l.look("/inspections/"+in.Inspection, in.Inspection, about, in.Inspection, in.Tester)
	}
	kinds, exact = l.end(kinds, exact)
	if exact != 1 {
		only = ""
	}
	return kinds, only
}

var stageWords = map[fleet.Stage]string{
	fleet.Raised: word("raised"), fleet.Booked: word("booked"), fleet.InHand: word("in hand"), fleet.Done: word("done"), fleet.Struck: word("struck"),
}

// lookup gathers what is found of one kind.
type lookup struct {
	q     string
	kind  string
	found []hit
}

func (l *lookup) begin(kind string) { l.kind, l.found = kind, nil }

// look takes a thing whose text holds what is looked for, and says whether it does.
func (l *lookup) look(to, name, about string, in ...string) bool {
	found := hit{To: to, Name: name, About: about}
	matched := false
	for _, text := range in {
		text = strings.ToLower(text)
		if text == "" || !strings.Contains(text, l.q) {
			continue
		}
		matched = true
		found.Exact = found.Exact || text == l.q
	}
	if matched {
		l.found = append(l.found, found)
	}
	return matched
}

// end adds what was found of the kind, exact hits first, and counts those.
func (l *lookup) end(kinds []hits, exact int) ([]hits, int) {
	if len(l.found) == 0 {
		return kinds, exact
	}
	slices.SortFunc(l.found, func(a, b hit) int {
		return cmp.Or(truthFirst(a.Exact, b.Exact), truthFirst(a.ended.IsZero(), b.ended.IsZero()), b.ended.Compare(a.ended), cmp.Compare(a.Name, b.Name), cmp.Compare(a.To, b.To), cmp.Compare(a.About, b.About))
	})
	for _, h := range l.found {
		if h.Exact {
			exact++
		}
	}
	k := hits{Name: l.kind, Found: l.found}
	if len(k.Found) > findMost {
		k.More, k.Found = len(k.Found)-findMost, k.Found[:findMost]
	}
	at := len(kinds)
	if k.Found[0].Exact { // kinds with an exact hit come before those without
		for at = 0; at < len(kinds) && kinds[at].Found[0].Exact; {
			at++
		}
	}
	return slices.Insert(kinds, at, k), exact
}
