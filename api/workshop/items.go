package workshop

import (
	"net/http"

	"rigledger/api/call"
	"rigledger/fleet"
	"rigledger/fleet/plan"
)

// Resources answer for what the workshop has to do.
type Resources struct{ due dueByItem }

// itemFilter is what GET /v1/items looks for.
type itemFilter struct {
	statuses, stages, rigs, yards, kinds, tasks, parts []string
	all                                                bool // closed ones too
	dueBefore                                          plan.Date
}

var stageWords = []string{"open", "all", "raised", "booked", "in-hand", "done", "struck"}

func itemFilterOf(c *call.Call) itemFilter {
	q := &c.Query
	f := itemFilter{
		statuses: q.Words("status", "ok", "soon", "due", "overdue"),
		stages:   q.Words("stage", stageWords...),
		rigs:     q.Words("rig"), yards: q.Words("yard"),
		kinds: q.Words("kind", "routine", "safety", "statutory"),
		tasks: q.Words("task"), parts: q.Words("part"), dueBefore: q.Date("due_before"),
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
	return f.stage(it.Stage) && call.Wants(f.tasks, it.Task) &&
		(len(f.parts) == 0 || call.Wants(f.parts, it.Part) || part != nil && call.Wants(f.parts, part.Position))
}

// found is an item with its rig and, while it is open, how it stands.
type foundItem struct {
	item *fleet.Item
	rig  *fleet.Rig
	line *fleet.DueLine
}

// stands filters by what only the due lines tell.
func (f *itemFilter) stands(s *fleet.State, i foundItem) bool {
	if len(f.statuses) > 0 && (i.line == nil || !call.Wants(f.statuses, string(i.line.Due.Status))) {
		return false
	}
	if len(f.kinds) > 0 {
		t := taskOf(s, i)
		if t == nil || !call.Wants(f.kinds, string(t.Weight)) {
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
func (res *Resources) openOf(c *call.Call, s *fleet.State, r *fleet.Rig) []foundItem {
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

// GetItems answers GET /v1/items.
func (res *Resources) GetItems(c *call.Call) error {
	p := c.Pages("items", itemSorts...)
	wanted := c.Fields(Line{}, "item")
	f := itemFilterOf(c)
	if err := c.Query.Err(); err != nil {
		return err
	}
	var docs []Line
	var next string
	err := c.View(func(s *fleet.State) error {
		var found []call.Placed[foundItem]
		consider := func(i foundItem) {
			at := itemPlace(i, p.Sort)
			if p.Wants(at) && f.matches(i.item, s.Parts[i.item.Part]) && f.stands(s, i) {
				found = append(found, call.Placed[foundItem]{At: at, Of: i})
			}
		}
		for code, r := range s.Rigs {
			if c.Sees(r) && call.Wants(f.rigs, code) && call.Wants(f.yards, r.Yard) {
				for _, i := range res.openOf(c, s, r) {
					consider(i)
				}
			}
		}
		if f.all {
			for _, it := range s.Items {
				if r := s.Rigs[it.Rig]; !it.Stage.Open() && c.Sees(r) && call.Wants(f.rigs, it.Rig) && call.Wants(f.yards, r.Yard) {
					consider(foundItem{it, r, nil})
				}
			}
		}
		found, next = call.Cut(&p, found)
		docs = make([]Line, 0, len(found))
		for _, x := range found {
			docs = append(docs, lineOf(s, x.Of))
		}
		return nil
	})
	if err != nil {
		return err
	}
	thin, err := wanted.Of(docs)
	if err != nil {
		return err
	}
	return c.List("items", thin, next, nil)
}

// seenItem gives the item that the path names, if the caller may know of it.
func (res *Resources) seenItem(c *call.Call, s *fleet.State) (foundItem, error) {
	id := c.Param("item")
	it := s.Items[id]
	if it == nil || !c.Sees(s.Rigs[it.Rig]) {
		return foundItem{}, call.NoSuch("item", id)
	}
	i := foundItem{item: it, rig: s.Rigs[it.Rig]}
	for _, o := range res.openOf(c, s, i.rig) {
		if o.item == it {
			return o, nil
		}
	}
	return i, nil
}

// GetItem answers GET /v1/items/{item}.
func (res *Resources) GetItem(c *call.Call) error {
	wanted := c.Fields(itemDoc{}, "item")
	if err := c.Query.Err(); err != nil {
		return err
	}
	return res.answerSparse(c, http.StatusOK, wanted)
}

func (res *Resources) answer(c *call.Call, status int) error {
	return res.answerSparse(c, status, nil)
}

func (res *Resources) answerSparse(c *call.Call, status int, wanted call.Sparse) error {
	var doc itemDoc
	var tag string
	err := c.View(func(s *fleet.State) error {
		i, err := res.seenItem(c, s)
		if err != nil {
			return err
		}
		doc = itemDocOf(s, i)
		tag = call.Tag(i.item.Changed, c.Today(s), i.rig.Changed)
		return nil
	})
	if err != nil {
		return err
	}
	thin, err := wanted.Of(doc)
	if err != nil {
		return err
	}
	return c.Resource(status, tag, thin)
}

// seenAt gives the commit that If-Match asks for, once the caller may see the item.
func (res *Resources) seenAt(c *call.Call) (seen uint64, err error) {
	err = c.View(func(s *fleet.State) error {
		i, err := res.seenItem(c, s)
		if err == nil {
			seen, err = c.IfMatch(i.item.Changed, i.item.Changed)
		}
		return err
	})
	return seen, err
}

// move carries out a transition of the path's item and answers with the item.
func (res *Resources) move(c *call.Call, cmd fleet.Command, body any, seen *uint64) (err error) {
	return res.moveIf(c, cmd, body, seen, mayMove(c))
}

func (res *Resources) moveIf(c *call.Call, cmd fleet.Command, body any, seen *uint64, may func(s *fleet.State) error) (err error) {
	if *seen, err = res.seenAt(c); err != nil {
		return err
	}
	if err := c.Body(body); err != nil {
		return err
	}
	d, err := c.Do(cmd, http.StatusOK, may)
	if err != nil {
		return err
	}
	return res.answer(c, d.Status)
}

// mayMove holds a token to its yards, and operators to the tasks that plans
// give to operators.
func mayMove(c *call.Call) func(s *fleet.State) error {
	return func(s *fleet.State) error {
		id := c.Param("item")
		it := s.Items[id]
		if it == nil || !c.Sees(s.Rigs[it.Rig]) {
			return call.NoSuch("item", id)
		}
		if c.Who.Role == fleet.RoleOperator {
			t := taskOf(s, foundItem{item: it})
			if t == nil || t.By != plan.Operator {
				return &call.Problem{Kind: call.NotAllowed, Detail: "the plan gives this task to the workshop"}
			}
		}
		return nil
	}
}

// BookItem answers POST /v1/items/{item}/book.
func (res *Resources) BookItem(c *call.Call) error {
	cmd := fleet.BookItem{Item: c.Param("item")}
	return res.move(c, &cmd, &cmd, &cmd.IfMatch)
}

// StartItem answers POST /v1/items/{item}/start.
func (res *Resources) StartItem(c *call.Call) error {
	cmd := fleet.StartItem{Item: c.Param("item")}
	return res.move(c, &cmd, &cmd, &cmd.IfMatch)
}

// FinishItem answers POST /v1/items/{item}/finish.
func (res *Resources) FinishItem(c *call.Call) error {
	cmd := fleet.FinishItem{Item: c.Param("item")}
	return res.move(c, &cmd, &cmd, &cmd.IfMatch)
}

// DeferItem answers POST /v1/items/{item}/defer.
func (res *Resources) DeferItem(c *call.Call) error {
	cmd := fleet.DeferItem{Item: c.Param("item")}
	return res.move(c, &cmd, &cmd, &cmd.IfMatch)
}

// StrikeItem answers POST /v1/items/{item}/strike.
func (res *Resources) StrikeItem(c *call.Call) error {
	cmd := fleet.StrikeItem{Item: c.Param("item")}
	return res.move(c, &cmd, &cmd, &cmd.IfMatch)
}

// ReturnItem takes an item's last step back. What only managers may strike only
// they open again.
func (res *Resources) ReturnItem(c *call.Call) error {
	cmd := fleet.ReturnItem{Item: c.Param("item")}
	return res.moveIf(c, &cmd, &cmd, &cmd.IfMatch, func(s *fleet.State) error {
		if err := mayMove(c)(s); err != nil {
			return err
		}
		if s.Items[cmd.Item].Stage == fleet.Struck && c.Who.Role != fleet.RoleManager {
			return &call.Problem{Kind: call.NotAllowed, Detail: "a struck item is opened again by a manager"}
		}
		return nil
	})
}

// Orders of the list, the usual one first.
var itemSorts = []string{"raised", "pressing", "due", "rig"}

func itemPlace(i foundItem, order string) call.Place {
	it := i.item
	switch order {
	case "pressing":
		return call.Place{N: call.Pressing(i.line), ID: it.Item}
	case "due":
		date, _ := plan.ParseDate(it.DueDate)
		if i.line != nil {
			date = i.line.Due.Date
		}
		return call.Place{N: call.Day(date), ID: it.Item}
	case "rig":
		return call.ByRig(it.Rig, it.Item)
	}
	return call.Place{N: it.RaisedIn, ID: it.Item}
}
