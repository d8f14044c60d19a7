package workshop

import (
	"cmp"
	"slices"
	"sort"

	"rigledger/api/call"
	"rigledger/fleet"
	"rigledger/fleet/plan"
)

// workshopMost is how many items the day's list of one yard holds; what is less
// pressing is counted, not listed.
const workshopMost = 500

type workshopDoc struct {
	Date   plan.Date    `json:"date"`
	Yards  []yardDoc    `json:"yards"`
	Notice string       `json:"notice"`
	Always plan.Caution `json:"before_any_job"`
}

type yardDoc struct {
	Yard    string       `json:"yard"`
	Items   []itemDoc    `json:"items"` // the most pressing first
	Pick    []plan.Spare `json:"pick"`  // summed over the items
	Minutes int          `json:"planned_minutes"`
	LeftOut int          `json:"left_out"`
}

// GetWorkshop gives the day's list: open items that are in hand, booked for the
// day or a day before it, or due or overdue on the day.
func (res *Resources) GetWorkshop(c *call.Call) error {
	date := c.Query.Date("date")
	yards := c.Query.Words("yard")
	if err := c.Query.Err(); err != nil {
		return err
	}
	doc := workshopDoc{Yards: []yardDoc{}, Notice: fleet.FitnessNotice, Always: plan.Cautions(nil)[0]}
	err := c.View(func(s *fleet.State) error {
		today := c.Today(s)
		if doc.Date = date; date.IsZero() {
			doc.Date = today
		}
		byYard := map[string][]foundItem{}
		for _, r := range s.Rigs {
			if r.Retired || !c.Sees(r) || !call.Wants(yards, r.Yard) {
				continue
			}
			for _, i := range res.openOn(c, s, r, doc.Date, today) {
				if onList(i, doc.Date) {
					byYard[r.Yard] = append(byYard[r.Yard], i)
				}
			}
		}
		for yard, items := range byYard {
			doc.Yards = append(doc.Yards, yardList(s, yard, items))
		}
		sort.Slice(doc.Yards, func(i, j int) bool { return doc.Yards[i].Yard < doc.Yards[j].Yard })
		return nil
	})
	if err != nil {
		return err
	}
	return c.Answer(200, doc)
}

// openOn gives a rig's open items as they stand on a day.
func (res *Resources) openOn(c *call.Call, s *fleet.State, r *fleet.Rig, day, today plan.Date) []foundItem {
	open := res.openOf(c, s, r)
	if day == today || len(open) == 0 {
		return open
	}
	lines := s.Due(r, day)
	for i := range open {
		open[i].line = nil
		for k := range lines {
			if lines[k].Item == open[i].item.Item {
				open[i].line = &lines[k]
			}
		}
	}
	return open
}

func onList(i foundItem, day plan.Date) bool {
	switch i.item.Stage {
	case fleet.InHand:
		return true
	case fleet.Booked:
		if booked, err := plan.ParseDate(i.item.BookedOn); err == nil && !booked.After(day) {
			return true
		}
	}
	return i.line != nil && i.line.Due.Status.Rank() >= plan.IsDue.Rank()
}

// pressing orders items: the status first, binding tasks before routine ones,
// then how far through its interval each is.
func pressing(s *fleet.State, a, b foundItem) int {
	weigh := func(i foundItem) (rank, binding int, fraction float64) {
		if t := taskOf(s, i); t != nil && t.Weight.Binding() {
			binding = 1
		}
		if i.line != nil {
			rank, fraction = i.line.Due.Status.Rank(), i.line.Due.Fraction
		}
		return rank, binding, fraction
	}
	ra, ba, fa := weigh(a)
	rb, bb, fb := weigh(b)
	return cmp.Or(cmp.Compare(rb, ra), cmp.Compare(bb, ba), cmp.Compare(fb, fa), cmp.Compare(a.item.Item, b.item.Item))
}

func yardList(s *fleet.State, yard string, items []foundItem) yardDoc {
	slices.SortFunc(items, func(a, b foundItem) int { return pressing(s, a, b) })
	d := yardDoc{Yard: yard, Items: []itemDoc{}, Pick: []plan.Spare{}}
	if len(items) > workshopMost {
		d.LeftOut = len(items) - workshopMost
		items = items[:workshopMost]
	}
	pick := map[string]*plan.Spare{}
	for _, i := range items {
		doc := itemDocOf(s, i)
		d.Items = append(d.Items, doc)
		d.Minutes += doc.Minutes
		for _, p := range doc.Pick {
			if known := pick[p.SKU]; known != nil {
				known.Count += p.Count
			} else {
				pick[p.SKU] = &p
			}
		}
	}
	for _, p := range pick {
		d.Pick = append(d.Pick, *p)
	}
	sort.Slice(d.Pick, func(i, j int) bool { return d.Pick[i].SKU < d.Pick[j].SKU })
	return d
}
