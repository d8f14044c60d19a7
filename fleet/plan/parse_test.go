package plan_test

import (
	"errors"
	"fmt"
	"strings"
	"testing"

	"rigledger/fleet/plan"
)

// head is five lines long; the tasks of a test begin on line 7.
const head = `plan: house
version: 1
title: House plan
classes: [trailed]
notice: The handbook comes first.
tasks:
`

// taskOf gives a plan with one task that has these lines beside its name.
func taskOf(lines ...string) string {
	return head + "  - task: check\n    title: Check\n    part: pump\n    source: common practice\n    " +
		strings.Join(lines, "\n    ") + "\n"
}

func mustParse(t interface {
	Helper()
	Fatalf(string, ...any)
}, text string) *plan.Plan {
	t.Helper()
	p, err := plan.Parse("test.yaml", []byte(text))
	if err != nil {
		t.Fatalf("parsing\n%s\n%v", text, err)
	}
	return p
}

func TestProblemsNameLineAndField(t *testing.T) {
	for _, c := range []struct{ name, text, want string }{
		{"an empty file", "", "test.yaml:1: is empty"},
		{"only a comment", "# nothing\n", "test.yaml:1: is empty"},
		{"broken YAML", "plan: x\n  version: [\n", "test.yaml:2: is not YAML"},
		{"two documents", head + "  []\n---\nplan: other\n", "more than one document"},
		{"not UTF-8", "plan: \xff\n", "test.yaml:1: is not UTF-8"},
		{"a list at the top", "- a\n", "test.yaml:1: want named fields, got a list"},
		{"an unknown field", head + "  - task: a\n    colour: red\n", "test.yaml:8: tasks[0].colour: is not a field known here"},
		{"a field given twice", "plan: a\nplan: b\n", "test.yaml:2: plan: is given twice"},
		{"a missing field", "plan: a\n", "test.yaml:1: notice: is missing"},
		{"a missing source", head + "  - task: a\n    title: A\n    part: pump\n    every: {hours: 5}\n", "test.yaml:7: tasks[0].source: is missing"},
		{"an empty source", strings.Replace(taskOf("every: {hours: 5}"), "common practice", `""`, 1), "test.yaml:10: tasks[0].source: is empty"},
		{"no tasks", head + "  []\n", "tasks: has no task"},
		{"an unknown class", strings.Replace(taskOf("every: {hours: 5}"), "[trailed]", "[towed]", 1), `test.yaml:4: classes[0]: "towed" is not one of mounted, self-propelled, trailed`},
		{"version zero", strings.Replace(taskOf("every: {hours: 5}"), "version: 1", "version: 0", 1), "test.yaml:2: version: 0 is not between"},
		{"a bad part kind", strings.Replace(taskOf("every: {hours: 5}"), "part: pump", "part: The Pump", 1), `test.yaml:9: tasks[0].part: "The Pump" is not a short name`},
		{"a negative interval", taskOf("every: {hours: -5}"), "test.yaml:11: tasks[0].every.hours: -5 is not above zero"},
		{"an interval of nothing", taskOf("every: {hectares: 0}"), "tasks[0].every.hectares: 0 is not above zero"},
		{"more than a hundred years", taskOf("every: {months: 1201}"), "tasks[0].every.months: 1201 is not between 1 and 1200"},
		{"more days than a hundred years", taskOf("every: {days: 36526}"), "tasks[0].every.days: 36526 is not between"},
		{"more hours than a machine has", taskOf("every: {hours: 100001}"), "tasks[0].every.hours: 100001 is more than 100000"},
		{"infinite hours", taskOf("every: {hours: .inf}"), `tasks[0].every.hours: want a number, got ".inf"`},
		{"hours in words", taskOf("every: {hours: many}"), `tasks[0].every.hours: want a number, got "many"`},
		{"half a month", taskOf("every: {months: 0.5}"), "tasks[0].every.months: want a whole number"},
		{"an empty interval", taskOf("every: {}"), "tasks[0].every: is empty"},
		{"no trigger", taskOf("minutes: 10"), "test.yaml:7: tasks[0]: has no trigger"},
		{"a lead as long as the interval", taskOf("every: {hours: 50}", "lead: {hours: 50}"), "test.yaml:12: tasks[0].lead.hours: is not shorter than the interval"},
		{"a calendar lead as long", taskOf("every: {months: 2}", "lead: {days: 60}"), "test.yaml:12: tasks[0].lead: is not shorter"},
		{"a lead in what is not counted", taskOf("every: {hours: 50}", "lead: {hectares: 5}"), "tasks[0].lead.hectares: the task has no interval in hectares"},
		{"a grace in days without a calendar", taskOf("every: {hours: 50}", "grace: {days: 5}"), "tasks[0].grace: the task has no interval in months or days"},
		{"a run-in not below the interval", taskOf("every: {hours: 50}", "run_in: {hours: 50}"), "tasks[0].run_in.hours: a step of the run-in is not below"},
		{"run-in steps that fall", taskOf("run_in: [{kilometres: 10}, {kilometres: 2}]"), "tasks[0].run_in.kilometres: a step"},
		{"a day that does not exist", taskOf(`on: ["11-31"]`), `test.yaml:11: tasks[0].on[0]: "11-31" is not a day of the year`},
		{"a date twice", taskOf(`on: ["11-01", "11-01"]`), "tasks[0].on[1]: 11-01 is listed twice"},
		{"a season that is no truth", taskOf("season_start: maybe"), "tasks[0].season_start: want true or false"},
		{"both sides of a condition", taskOf("condition: {code: play, above: 3, below: 1}"), "tasks[0].condition: want either above or below"},
		{"no side of a condition", taskOf("condition: {code: play}"), "tasks[0].condition: want either above or below"},
		{"a strange weight", taskOf("every: {hours: 5}", "weight: heavy"), `tasks[0].weight: "heavy" is not one of routine, safety, statutory`},
		{"a grid without an interval", taskOf("season_start: true", "count: grid"), "tasks[0].count: grid needs an interval"},
		{"age without a calendar", taskOf("every: {hours: 5}", "count: made"), "tasks[0].count: made needs an interval"},
		{"an unknown caution", taskOf("every: {hours: 5}", "caution: [juggling]"), "tasks[0].caution[0]: juggling is not a kind of job"},
		{"a spare without a number", taskOf("every: {hours: 5}", "parts: [{name: Oil}]"), "tasks[0].parts[0].sku: is missing"},
		{"unknown includes", taskOf("every: {hours: 5}", "includes: [other]"), "test.yaml:12: includes: other is not a task of this plan"},
		{"a task that includes itself", taskOf("every: {hours: 5}", "includes: [check]"), "includes: check includes itself"},
		{"an alias", taskOf("every: &e {hours: 5}", "run_in: *e"), "anchors and aliases are not read"},
		{"control characters", strings.Replace(taskOf("every: {hours: 5}"), "House plan", `"a\x07b"`, 1), "test.yaml:3: title: holds control characters"},
	} {
		t.Run(c.name, func(t *testing.T) {
			p, err := plan.Parse("test.yaml", []byte(c.text))
			var problems plan.Problems
			if !errors.As(err, &problems) || p != nil {
				t.Fatalf("got plan %v, error %v; want problems", p, err)
			}
			if !strings.Contains(err.Error(), c.want) {
				t.Errorf("got\n%v\nwant\n%s", err, c.want)
			}
		})
	}
}

func TestAllProblemsAreToldAtOnceInTheOrderOfTheLines(t *testing.T) {
	text := head + `  - task: a
    title: A
    part: pump
    every: {hours: -1, months: 0, acres: 3}
  - task: a
    title: B
    part: Pump
    source: from memory
    every: {hours: 5}
`
	_, err := plan.Parse("test.yaml", []byte(text))
	want := []string{
		"test.yaml:7: tasks[0].source: is missing",
		"test.yaml:10: tasks[0].every.hours: -1 is not above zero",
		"test.yaml:10: tasks[0].every.months: 0 is not between 1 and 1200",
		"test.yaml:10: tasks[0].every.acres: is not a field known here",
		"test.yaml:11: task: a is already the task on line 7",
		`test.yaml:13: tasks[1].part: "Pump" is not a short name of small letters, digits and single hyphens`,
	}
	if err == nil || err.Error() != strings.Join(want, "\n") {
		t.Errorf("got\n%v\nwant\n%s", err, strings.Join(want, "\n"))
	}
}

func TestTooMuchTextIsRefused(t *testing.T) {
	text := taskOf("every: {hours: 5}") + strings.Repeat("# filler\n", 256<<10/9)
	if _, err := plan.Parse("big.yaml", []byte(text)); err == nil || !strings.Contains(err.Error(), "at most 262144 are read") {
		t.Errorf("got %v", err)
	}
}

func TestIncludesThatGoRoundAreRefused(t *testing.T) {
	text := head
	for i, includes := range []string{"b", "c", "a"} {
		text += fmt.Sprintf("  - {task: %c, title: T, part: pump, source: from memory, every: {hours: 5}, includes: [%s]}\n", 'a'+i, includes)
	}
	_, err := plan.Parse("test.yaml", []byte(text))
	if err == nil || err.Error() != "test.yaml:9: includes: goes round in a circle: a → b → c → a" {
		t.Errorf("got %v", err)
	}
}

func TestATaskIncludesOnlyTasksOfItsOwnPart(t *testing.T) {
	text := head + "  - {task: a, title: T, part: pump, source: from memory, every: {hours: 5}}\n" +
		"  - {task: b, title: T, part: boom, source: from memory, every: {hours: 9}, includes: [a]}\n"
	_, err := plan.Parse("test.yaml", []byte(text))
	if err == nil || err.Error() != "test.yaml:8: includes: a is done on pump, not on boom" {
		t.Errorf("got %v", err)
	}
}

func TestALargerTaskResetsTheSmallerOnesBelowIt(t *testing.T) {
	text := head
	for _, row := range []string{"year includes: [half, grease]", "half includes: [grease, look]", "grease includes: []", "look includes: []"} {
		slug, includes, _ := strings.Cut(row, " ")
		text += fmt.Sprintf("  - {task: %s, title: T, part: pump, source: from memory, every: {hours: 5}, %s}\n", slug, includes)
	}
	p := mustParse(t, text)
	for slug, want := range map[string]string{"year": "half grease look", "half": "grease look", "grease": "", "nobody": ""} {
		if got := strings.Join(p.ResetBy(slug), " "); got != want {
			t.Errorf("%s: got %q, want %q", slug, got, want)
		}
	}
	if len(p.TasksFor("pump")) != 4 || p.TasksFor("boom") != nil || p.Task("half") == nil {
		t.Error("tasks are found by kind and by slug")
	}
}

func TestWhatATaskMayHoldIsKept(t *testing.T) {
	p := mustParse(t, taskOf("every: {hours: 0.5, hectares: 500, litres: 1, kilometres: 2, loads: 3, months: 4, days: 5}",
		`on: ["11-01", 02-29]`, "season_start: true", "condition: {code: play, above: 2.5, unit: mm}",
		"run_in: {hours: 0.1}", "lead: {hours: 0.2, days: 2}", "grace: {hours: 0, days: 0}", "weight: safety", "minutes: 30",
		"by: operator", "parts: [{sku: A1, name: Oil, count: 2}]", "caution: [pressure]", "checklist: [Look, Listen]"))
	task := p.Tasks[0]
	want := map[plan.Quantity]int64{plan.Hours: 1800, plan.Area: 5_000_000, plan.Volume: 1000, plan.Distance: 2000, plan.Loads: 3}
	for q, v := range want {
		if got, _ := task.Every.Amounts.Get(q); got != v {
			t.Errorf("every %s: got %d, want %d", q, got, v)
		}
	}
	if task.Every.Months != 4 || task.Every.Days != 5 || len(task.On) != 2 || task.On[0].String() != "02-29" ||
		*task.Condition.Above != 2.5 || task.Condition.Unit != "mm" || !task.SeasonStart || task.Weight != plan.Safety ||
		task.Minutes != 30 || task.By != plan.Operator || task.Parts[0] != (plan.Spare{SKU: "A1", Name: "Oil", Count: 2}) ||
		len(task.Checklist) != 2 || task.Cautions[0] != "pressure" || task.Source != "common practice" || task.Line != 7 {
		t.Errorf("got %+v", task)
	}
}

func FuzzParse(f *testing.F) {
	for _, s := range plan.StarterTexts() {
		f.Add(s.Text)
	}
	f.Add([]byte(taskOf("every: &e {hours: 5}", "run_in: *e")))
	f.Add([]byte(taskOf(`on: ["02-29"]`, "includes: [check]")))
	f.Add([]byte("a: {b: [c, {d"))
	f.Fuzz(func(t *testing.T, text []byte) {
		p, err := plan.Parse("fuzz.yaml", text)
		if err != nil {
			var problems plan.Problems
			if !errors.As(err, &problems) || len(problems) == 0 || p != nil {
				t.Fatalf("got plan %v, error %#v", p, err)
			}
			last := 0
			for _, problem := range problems {
				if problem.Line < max(last, 1) || problem.Message == "" {
					t.Fatalf("a problem without its line in order: %+v", problem)
				}
				last = problem.Line
			}
			return
		}
		// A plan that was accepted can be asked about any part.
		in := plan.Input{Fitted: plan.Mark{Date: date("2024-02-29")}, Today: date("2026-05-04"), SeasonStart: date("2026-03-01")}
		in.Now.Set(plan.Hours, 3600)
		for _, task := range p.Tasks {
			if task.Source == "" || p.Task(task.Slug) != task {
				t.Fatalf("%s was accepted without source or name", task.Slug)
			}
			in.LastDone = nil
			task.Due(in)
			in.LastDone = &plan.Mark{At: 1, Date: date("2025-12-31")}
			task.Due(in)
			p.ResetBy(task.Slug)
		}
	})
}
