package plan

// Weight says what follows when a task is past its limit.
type Weight string

// Routine tasks may be put off with a reason. Safety and statutory tasks may
// not be put off past their limit: the rig is taken out of service instead.
const (
	Routine   Weight = "routine"
	Safety    Weight = "safety"
	Statutory Weight = "statutory"
)

// Binding tells whether the task may not be put off past its own limit.
func (w Weight) Binding() bool { return w == Safety || w == Statutory }

// Count says from where an interval is counted.
type Count string

// Counted from the reading at which it was done; on fixed multiples from the
// fitting; or, for the calendar, from the part's date of manufacture until it
// is first done.
const (
	FromDone Count = "done"
	OnGrid   Count = "grid"
	FromMade Count = "made"
)

// WholeRig is the part kind of tasks that are about the machine as a whole.
const WholeRig = "rig"

// Who usually does a task; it changes nothing in the arithmetic.
const (
	Workshop = "workshop"
	Operator = "operator"
)

// Interval is an amount of use and of time. Months and Days are two separate
// calendar triggers when both are set; the first reached counts.
type Interval struct {
	Amounts Amounts
	Months  int
	Days    int
}

// Empty tells whether nothing is set.
func (i Interval) Empty() bool { return i.Amounts.Empty() && i.Months == 0 && i.Days == 0 }

func (i Interval) calendar() bool { return i.Months > 0 || i.Days > 0 }

// Condition is a measured value that calls for the task when it passes a limit.
// One of Above and Below is set.
type Condition struct {
	Code  string   `json:"code"`
	Above *float64 `json:"above,omitempty"`
	Below *float64 `json:"below,omitempty"`
	Unit  string   `json:"unit,omitempty"`
}

// Passed tells whether a measured value is past the limit; at it is not past.
func (c *Condition) Passed(value float64) bool {
	return c.Above != nil && value > *c.Above || c.Below != nil && value < *c.Below
}

// Spare is a part to pick for a task.
type Spare struct {
	SKU   string `json:"sku"`
	Name  string `json:"name"`
	Count int    `json:"count"`
}

// Task is one job of a plan. Tasks are made by Parse and not changed after.
type Task struct {
	Slug  string // unique in the plan
	Title string
	Part  string // the kind of part it is done on, or WholeRig

	Every       Interval
	On          []MonthDay // in the order of the year
	SeasonStart bool       // before the first use of each season
	Condition   *Condition
	InSeason    bool // months and days that run out between seasons wait for the next one

	RunIn             []Interval // steps from new, each measured from the start
	RunInEveryFitting bool       // the run-in comes after each fitting, not only when new

	Count     Count
	Includes  []string // tasks that count as done when this one is
	Weight    Weight
	By        string // Workshop or Operator: who usually does it
	Calibrate bool   // the rig is calibrated after it, before it sprays again
	Minutes   int
	Parts     []Spare
	Cautions  []string // kinds of job, see Cautions
	Checklist []string
	Source    string // where the interval comes from; never empty
	Line      int    // in the plan's text

	regular cycle
	steps   []cycle // one for each step of RunIn
	on      onDates
}

// Check is something the operator looks at each day. It is listed, never raised.
type Check struct {
	Text   string `json:"text"`
	Part   string `json:"part,omitempty"`
	Source string `json:"source"`
}

// Plan is one version of a service plan. Plans are made by Parse and not
// changed after; all methods may be called from several goroutines.
type Plan struct {
	Slug    string
	Version int
	Title   string
	Classes []string // of rigs that it is written for
	Notice  string   // shown wherever the plan is shown
	Daily   []Check
	Tasks   []*Task // in the order written

	bySlug map[string]*Task
	byKind map[string][]*Task
	resets map[string][]string
}

// Task finds a task by its slug, nil when there is none.
func (p *Plan) Task(slug string) *Task { return p.bySlug[slug] }

// TasksFor gives the tasks for a kind of part, in the order written. The list
// belongs to the plan: do not change it.
func (p *Plan) TasksFor(kind string) []*Task { return p.byKind[kind] }

// ResetBy gives the other tasks that count as done when a task is done: those it
// includes, those these include, and so on. The list belongs to the plan.
func (p *Plan) ResetBy(slug string) []string { return p.resets[slug] }

// ForClass tells whether the plan is written for a class of rig.
func (p *Plan) ForClass(class string) bool {
	for _, c := range p.Classes {
		if c == class {
			return true
		}
	}
	return false
}

// index builds the look-ups; includes must be known and without cycles.
func (p *Plan) index() {
	p.bySlug = make(map[string]*Task, len(p.Tasks))
	p.byKind = map[string][]*Task{}
	p.resets = make(map[string][]string, len(p.Tasks))
	for _, t := range p.Tasks {
		p.bySlug[t.Slug] = t
		p.byKind[t.Part] = append(p.byKind[t.Part], t)
	}
	for _, t := range p.Tasks {
		seen := map[string]bool{} // Parse refuses circles, so t itself never comes
		var list []string
		queue := t.Includes
		for len(queue) > 0 {
			slug := queue[0]
			queue = queue[1:]
			if seen[slug] {
				continue
			}
			seen[slug] = true
			list = append(list, slug)
			queue = append(queue[:len(queue):len(queue)], p.bySlug[slug].Includes...)
		}
		p.resets[t.Slug] = list
	}
}
