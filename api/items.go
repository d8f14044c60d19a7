package api

import (
	"net/http"

	"rigledger/fleet"
	"rigledger/fleet/plan"
)

// workshopResources answer for what the workshop has to do.
type workshopResources struct{ due dueByItem }

// itemFilter is what GET /v1/items looks for.
type itemFilter struct {
	statuses, stages, rigs, yards, kinds, tasks, parts []string
	all                                                bool // closed ones too
	dueBefore                                          plan.Date
}

var stageWords = []string{"open", "all", "raised", "booked", "in-hand", "done", "struck"}

func itemFilterOf(c *call) itemFilter {
	q := &c.Query
	f := itemFilter{
		statuses: q.words("status", "ok", "soon", "due", "overdue"),
		stages:   q.words("stage", stageWords...),
		rigs:     q.words("rig"), yards: q.words("yard"),
		kinds: q.words("kind", "routine", "safety", "statutory"),
		tasks: q.words("task"), parts: q.words("part"), dueBefore: q.date("due_before"),
	}
	if f.stages == nil {
		f.stages = []string{"open"}
	}
	for _, s := range f.stages {
		f.all = f.all || s == "all" || s == "done" || s == "struck"
	}
	return f
}

func (f *itemFilter) stage(s fleet.Stage) bool {
	for _, w := range f.stages {
		if w == "all" || w == "open" && s.Open() || w == string(s) {
			return true
		}
	}
	return false
}

// matches looks at everything but status and limit, which need the due lines.
func (f *itemFilter) matches(it *fleet.Item, part *fleet.Part) bool {
	return f.stage(it.Stage) && has(f.tasks, it.Task) &&
		(len(f.parts) == 0 || has(f.parts, it.Part) || part != nil && has(f.parts, part.Position))
}

// found is an item with its rig and, while it is open, how it stands.
type foundItem struct {
	item *fleet.Item
	rig  *fleet.Rig
	line *fleet.DueLine
}

// stands filters by what only the due lines tell.
func (f *itemFilter) stands(s *fleet.State, i foundItem) bool {
	if len(f.statuses) > 0 && (i.line == nil || !has(f.statuses, string(i.line.Due.Status))) {
		return false
	}
	if len(f.kinds) > 0 {
		t := taskOf(s, i)
		if t == nil || !has(f.kinds, string(t.Weight)) {
			return false
		}
	}
	if !f.dueBefore.IsZero() {
		date, _ := plan.ParseDate(i.item.DueDate)
		if i.line != nil {
			date = i.line.Due.Date
		}
		return !date.IsZero() && date.Before(f.dueBefore)
	}
	return true
}

// taskOf is the item's task in the version of the plan that raised it.
func taskOf(s *fleet.State, i foundItem) *plan.Task {
	if i.line != nil {
		return i.line.Task
	}
	if p := s.PlanOf(fleet.PlanRef{Plan: i.item.Plan, Version: i.item.Version}); p != nil {
		return p.Task(i.item.Task)
	}
	return nil
}

// openOf gives a rig's open items with their due lines.
func (res *workshopResources) openOf(c *call, s *fleet.State, r *fleet.Rig) []foundItem {
	if len(r.Open) == 0 {
		return nil
	}
	lines := c.Fleet.DueOf(s, r, c.Now)
	at := res.due.of(r.Rig, lines)
	out := make([]foundItem, 0, len(r.Open))
	for _, id := range r.Open {
		out = append(out, foundItem{s.Items[id], r, at[id]})
	}
	return out
}

func (res *workshopResources) getItems(c *call) error {
	p := c.pages("items", itemSorts...)
	wanted := c.fields(itemLine{}, "item")
	f := itemFilterOf(c)
	if err := c.Query.err(); err != nil {
		return err
	}
	var docs []itemLine
	var next string
	err := c.view(func(s *fleet.State) error {
		var found []placed[foundItem]
		consider := func(i foundItem) {
			at := itemPlace(i, p.sort)
			if p.wants(at) && f.matches(i.item, s.Parts[i.item.Part]) && f.stands(s, i) {
				found = append(found, placed[foundItem]{at, i})
			}
		}
		for code, r := range s.Rigs {
			if c.sees(r) && has(f.rigs, code) && has(f.yards, r.Yard) {
				for _, i := range res.openOf(c, s, r) {
					consider(i)
				}
			}
		}
		if f.all {
			for _, it := range s.Items {
				if r := s.Rigs[it.Rig]; !it.Stage.Open() && c.sees(r) && has(f.rigs, it.Rig) && has(f.yards, r.Yard) {
					consider(foundItem{it, r, nil})
				}
			}
		}
		found, next = cut(&p, found)
		docs = make([]itemLine, 0, len(found))
		for _, x := range found {
			docs = append(docs, itemLineOf(s, x.of))
		}
		return nil
	})
	if err != nil {
		return err
	}
	thin, err := wanted.of(docs)
	if err != nil {
		return err
	}
	return c.list("items", thin, next, nil)
}

// find gives the item that the path names, if the caller may know of it.
func (res *workshopResources) seenItem(c *call, s *fleet.State) (foundItem, error) {
	id := c.Param("item")
	it := s.Items[id]
	if it == nil || !c.sees(s.Rigs[it.Rig]) {
		return foundItem{}, notFound("item", id)
	}
	i := foundItem{item: it, rig: s.Rigs[it.Rig]}
	for _, o := range res.openOf(c, s, i.rig) {
		if o.item == it {
			return o, nil
		}
	}
	return i, nil
}

func (res *workshopResources) getItem(c *call) error {
	wanted := c.fields(itemDoc{}, "item")
	if err := c.Query.err(); err != nil {
		return err
	}
	return res.answerSparse(c, http.StatusOK, wanted)
}

func (res *workshopResources) answer(c *call, status int) error {
	return res.answerSparse(c, status, nil)
}

func (res *workshopResources) answerSparse(c *call, status int, wanted sparse) error {
	var doc itemDoc
	var tag string
	err := c.view(func(s *fleet.State) error {
		i, err := res.seenItem(c, s)
		if err != nil {
			return err
		}
		doc = itemDocOf(s, i)
		tag = tagOf(i.item.Changed, c.today(s), i.rig.Changed)
		return nil
	})
	if err != nil {
		return err
	}
	thin, err := wanted.of(doc)
	if err != nil {
		return err
	}
	return c.resource(status, tag, thin)
}

// before gives the commit that If-Match asks for, once the caller may see the item.
func (res *workshopResources) seenAt(c *call) (seen uint64, err error) {
	err = c.view(func(s *fleet.State) error {
		i, err := res.seenItem(c, s)
		if err == nil {
			seen, err = c.ifMatch(i.item.Changed, i.item.Changed)
		}
		return err
	})
	return seen, err
}

// move carries out a transition of the path's item and answers with the item.
func (res *workshopResources) move(c *call, cmd fleet.Command, body any, seen *uint64) (err error) {
	return res.moveIf(c, cmd, body, seen, mayMove(c))
}

func (res *workshopResources) moveIf(c *call, cmd fleet.Command, body any, seen *uint64, may func(s *fleet.State) error) (err error) {
	if *seen, err = res.seenAt(c); err != nil {
		return err
	}
	if err := c.body(body); err != nil {
		return err
	}
	d, err := c.do(cmd, http.StatusOK, may)
	if err != nil {
		return err
	}
	return res.answer(c, d.status)
}

// mayMove holds a token to its yards, and operators to the tasks that plans
// give to operators.
func mayMove(c *call) func(s *fleet.State) error {
	return func(s *fleet.State) error {
		id := c.Param("item")
		it := s.Items[id]
		if it == nil || !c.sees(s.Rigs[it.Rig]) {
			return notFound("item", id)
		}
		if c.Who.Role == fleet.RoleOperator {
			t := taskOf(s, foundItem{item: it})
			if t == nil || t.By != plan.Operator {
				return &problem{kind: kindNotAllowed, detail: "the plan gives this task to the workshop"}
			}
		}
		return nil
	}
}

func (res *workshopResources) bookItem(c *call) error {
	cmd := fleet.BookItem{Item: c.Param("item")}
	return res.move(c, &cmd, &cmd, &cmd.IfMatch)
}

func (res *workshopResources) startItem(c *call) error {
	cmd := fleet.StartItem{Item: c.Param("item")}
	return res.move(c, &cmd, &cmd, &cmd.IfMatch)
}

func (res *workshopResources) finishItem(c *call) error {
	cmd := fleet.FinishItem{Item: c.Param("item")}
	return res.move(c, &cmd, &cmd, &cmd.IfMatch)
}

func (res *workshopResources) deferItem(c *call) error {
	cmd := fleet.DeferItem{Item: c.Param("item")}
	return res.move(c, &cmd, &cmd, &cmd.IfMatch)
}

func (res *workshopResources) strikeItem(c *call) error {
	cmd := fleet.StrikeItem{Item: c.Param("item")}
	return res.move(c, &cmd, &cmd, &cmd.IfMatch)
}

// returnItem takes an item's last step back. What only managers may strike only
// they open again.
func (res *workshopResources) returnItem(c *call) error {
	cmd := fleet.ReturnItem{Item: c.Param("item")}
	return res.moveIf(c, &cmd, &cmd, &cmd.IfMatch, func(s *fleet.State) error {
		if err := mayMove(c)(s); err != nil {
			return err
		}
		if s.Items[cmd.Item].Stage == fleet.Struck && c.Who.Role != fleet.RoleManager {
			return &problem{kind: kindNotAllowed, detail: "a struck item is opened again by a manager"}
		}
		return nil
	})
}

// Orders of the list, the usual one first.
var itemSorts = []string{"raised", "pressing", "due", "rig"}

func itemPlace(i foundItem, order string) place {
	it := i.item
	switch order {
	case "pressing":
		return place{pressingKey(i.line), it.Item}
	case "due":
		date, _ := plan.ParseDate(it.DueDate)
		if i.line != nil {
			date = i.line.Due.Date
		}
		return place{onDay(date), it.Item}
	case "rig":
		return byRig(it.Rig, it.Item)
	}
	return place{it.RaisedIn, it.Item}
}
