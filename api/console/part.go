package console

import (
	"cmp"
	"slices"
	"sort"
	"strings"
	"time"

	"rigledger/events"
	"rigledger/fleet"
)

var partPages = []page{{"/parts/:part", nil, showPart}}

// fittedPage is one part with its own use and its whole life.
type fittedPage struct {
	Part, Name, Kind, Position, Serial, SKU, Made string
	Rig, RigName                                  string // where it is, "" for nowhere
	Last                                          string // the rig it was on last
	Whole                                         bool   // it is a whole rig
	Scrapped                                      bool
	Totals, Carried                               []rigAmount
	Stays                                         []partStay
	Tasks                                         []partTask
	Defects                                       []rigDefect
	Facts                                         []rigFact // the newest that are about it
	FactsMore                                     int
	Typed                                         string
}

type partStay struct {
	Rig, Name string // "" for a rig of another yard
	From, To  time.Time
	FromStart bool
	Did       []rigAmount
}

// partTask is a task of the part: when it was last done, and how it stands.
type partTask struct {
	Title, Item, Status, Weight string
	Left                        rigLeft
	Done                        int
	LastAt                      time.Time
}

func showPart(v *visit) error {
	d := fittedPage{}
	if v.refused != nil {
		d.Typed = v.refused.form
	}
	var err error
	v.fleet.View(func(s *fleet.State) { err = d.fill(v, s) })
	if err != nil {
		return err
	}
	return v.show("fitted.html", d.Name, "/", d)
}

func (d *fittedPage) fill(v *visit, s *fleet.State) error {
	p := s.Parts[v.param("part")]
	missing := &fleet.Error{Code: fleet.NotFound, Message: word("There is no such part.")}
	if p == nil || len(p.Stays) == 0 {
		return missing
	}
	last := s.Rigs[p.Stays[len(p.Stays)-1].Rig]
	if last == nil || !v.who.MaySee(last.Yard) {
		return missing
	}
	d.Part, d.Name, d.Kind, d.Position, d.Serial, d.SKU, d.Made, d.Scrapped = p.Part, p.Name, p.Kind, p.Position, p.Serial, p.SKU, p.Made, p.Scrapped
	d.Last, d.Whole = last.Rig, p.Kind == "rig"
	if d.Whole {
		d.Name = last.Name
	}
	d.Totals = rigAmounts(s.PartTotals(p, rigAlways))
	for _, a := range p.Carried {
		d.Carried = append(d.Carried, rigCarriedAmount(a.Quantity, a.Value))
	}
	rig := s.Rigs[p.Rig()]
	if rig != nil {
		d.Rig, d.RigName = rig.Rig, rig.Name
	}
	for i := len(p.Stays) - 1; i >= 0; i-- {
		d.Stays = append(d.Stays, partStayOf(v, s, p, i))
	}
	d.tasks(v, s, p, rig)
	d.happened(v, s, p)
	if rig != nil {
		for _, defect := range rigDefects(s, rig) {
			if defect.Part == p.Part {
				d.Defects = append(d.Defects, defect)
			}
		}
	}
	return nil
}

// partStayOf is one time on a rig, with what the part did there.
func partStayOf(v *visit, s *fleet.State, p *fleet.Part, i int) partStay {
	stay := p.Stays[i]
	one := partStay{From: rigTime(stay.From), To: rigTime(stay.To), FromStart: stay.FromStart}
	if r := s.Rigs[stay.Rig]; r != nil && v.who.MaySee(r.Yard) {
		one.Rig, one.Name = r.Rig, r.Name
	}
	alone := *p // the part as if it had been on this rig only
	alone.Stays, alone.Carried = p.Stays[i:i+1], nil
	one.Did = rigAmounts(s.PartTotals(&alone, rigAlways))
	return one
}

// happened tells what the timelines of the rigs it was on say of the part.
func (d *fittedPage) happened(v *visit, s *fleet.State, p *fleet.Part) {
	type place struct {
		rig  *fleet.Rig
		line *fleet.Logged
	}
	var all []place
	seen := map[string]bool{}
	for _, stay := range p.Stays {
		r := s.Rigs[stay.Rig]
		if r == nil || seen[stay.Rig] || !v.who.MaySee(r.Yard) {
			continue
		}
		seen[stay.Rig] = true
		for i := range r.Timeline {
			if factPart(s, r.Timeline[i].Entry.Fact) == p.Part {
				all = append(all, place{r, &r.Timeline[i]})
			}
		}
	}
	slices.Reverse(all)
	slices.SortStableFunc(all, func(a, b place) int { return cmp.Compare(b.line.N, a.line.N) })
	for i, at := range all {
		if i == rigFactsMost {
			d.FactsMore = len(all) - i
			break
		}
		one := v.factOf(s, at.rig, at.line)
		switch {
		case one.Href == "/parts/"+p.Part:
			one.Href, one.Do = "", ""
		case strings.HasPrefix(one.Href, "#"), strings.HasPrefix(one.Href, "?"):
			one.Href = "/rigs/" + at.rig.Rig + one.Href
		}
		d.Facts = toldAfter(d.Facts, one)
	}
}

// factPart is the part that a fact is about, "" for none.
func factPart(s *fleet.State, fact events.Fact) string {
	switch f := fact.(type) {
	case *events.PartFitted:
		return f.Part
	case *events.PartRemoved:
		return f.Part
	case *events.ConditionMeasured:
		return f.Part
	case *events.CalibrationMade:
		return f.Part
	case *events.DefectReported:
		return f.Part
	case *events.DefectCleared:
		if d := s.Defects[f.Defect]; d != nil {
			return d.Part
		}
	}
	if it := s.Items[factItem(fact)]; it != nil {
		return it.Part
	}
	return ""
}

// factItem is the job that a fact is about, "" for none.
func factItem(fact events.Fact) string {
	switch f := fact.(type) {
	case *events.ItemRaised:
		return f.Item
	case *events.ItemBooked:
		return f.Item
	case *events.ItemStarted:
		return f.Item
	case *events.ItemFinished:
		return f.Item
	case *events.ItemDeferred:
		return f.Item
	case *events.ItemStruck:
		return f.Item
	case *events.ItemReturned:
		return f.Item
	}
	return ""
}

func (d *fittedPage) tasks(v *visit, s *fleet.State, p *fleet.Part, rig *fleet.Rig) {
	listed := map[string]bool{}
	if rig != nil {
		lines := v.fleet.DueOf(s, rig, v.now)
		for i := range lines {
			l := &lines[i]
			if l.Part.Part != p.Part {
				continue
			}
			one := partTask{Title: l.Task.Title, Item: l.Item, Status: string(l.Due.Status), Weight: string(l.Task.Weight), Left: rigLeftOf(l)}
			if log := p.Tasks[l.Task.Slug]; log != nil {
				one.Done, one.LastAt = log.Done, rigTime(log.LastAt)
			}
			listed[l.Task.Slug] = true
			d.Tasks = append(d.Tasks, one)
		}
	}
	var others []string
	for slug, log := range p.Tasks {
		if !listed[slug] && log.Cycles > 0 {
			others = append(others, slug)
		}
	}
	sort.Strings(others)
	for _, slug := range others {
		log := p.Tasks[slug]
		d.Tasks = append(d.Tasks, partTask{Title: rigTaskTitle(s, s.Rigs[d.Last], slug), Done: log.Done, LastAt: rigTime(log.LastAt)})
	}
}
