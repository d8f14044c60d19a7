package api

import (
	"math"
	"net/http"
	"strconv"
	"time"

	"rigledger/fleet"
	"rigledger/fleet/plan"
)

type planLine struct {
	Plan        string    `json:"plan"`
	Version     int       `json:"version"`
	Title       string    `json:"title"`
	Classes     []string  `json:"classes"`
	Tasks       int       `json:"task_count"`
	Rigs        int       `json:"rigs"` // of the caller's, under any version of it
	PublishedAt time.Time `json:"published_at"`
	PublishedBy string    `json:"published_by"`
}

type planDoc struct {
	planLine
	Notice   string       `json:"notice,omitempty"`
	Daily    []plan.Check `json:"daily"`
	TaskDocs []taskDoc    `json:"tasks"`
	Versions []int        `json:"versions"`
	Text     string       `json:"text"`
}

type taskDoc struct {
	Task        string          `json:"task"`
	Title       string          `json:"title"`
	Part        string          `json:"part"`
	Every       interval        `json:"every"`
	On          []plan.MonthDay `json:"on"`
	SeasonStart bool            `json:"season_start"`
	Condition   *plan.Condition `json:"condition,omitempty"`
	InSeason    bool            `json:"in_season"`
	RunIn       []interval      `json:"run_in"`
	RunInAfter  string          `json:"run_in_after"`
	Count       string          `json:"count"`
	Includes    []string        `json:"includes"`
	Weight      string          `json:"weight"`
	By          string          `json:"usually_by"`
	Calibrate   bool            `json:"calibrate_after"`
	Minutes     int             `json:"minutes"`
	Pick        []plan.Spare    `json:"pick"`
	Cautions    []plan.Caution  `json:"cautions"`
	Checklist   []string        `json:"checklist"`
	Source      string          `json:"source"`
}

// interval is {"hours":500,"months":12}.
type interval plan.Interval

func (i interval) MarshalJSON() ([]byte, error) {
	return joined(i.Amounts, func(b []byte) []byte {
		if i.Months > 0 {
			b = strconv.AppendInt(field(b, "months"), int64(i.Months), 10)
		}
		if i.Days > 0 {
			b = strconv.AppendInt(field(b, "days"), int64(i.Days), 10)
		}
		return b
	})
}

func taskDocOf(t *plan.Task) taskDoc {
	d := taskDoc{
		Task: t.Slug, Title: t.Title, Part: t.Part, Every: interval(t.Every), On: orEmpty(t.On), SeasonStart: t.SeasonStart,
		Condition: t.Condition, InSeason: t.InSeason, RunIn: []interval{}, RunInAfter: "new", Count: string(t.Count),
		Includes: orEmpty(t.Includes), Weight: string(t.Weight), By: t.By, Calibrate: t.Calibrate, Minutes: t.Minutes, Pick: orEmpty(t.Parts),
		Cautions: plan.Cautions(t.Cautions), Checklist: orEmpty(t.Checklist), Source: t.Source,
	}
	if t.RunInEveryFitting {
		d.RunInAfter = "fitting"
	}
	for _, step := range t.RunIn {
		d.RunIn = append(d.RunIn, interval(step))
	}
	return d
}

func planLineOf(v *fleet.PlanVersion, rigs int) planLine {
	return planLine{
		Plan: v.Plan, Version: v.Version, Title: v.Parsed.Title, Classes: orEmpty(v.Parsed.Classes), Tasks: len(v.Parsed.Tasks),
		Rigs: rigs, PublishedAt: v.PublishedAt.UTC(), PublishedBy: v.PublishedBy,
	}
}

// rigsUnder counts the caller's rigs by plan.
func rigsUnder(c *call, s *fleet.State) map[string]int {
	n := map[string]int{}
	for _, r := range s.Rigs {
		if !r.Retired && c.sees(r) {
			n[r.Plan.Plan]++
		}
	}
	return n
}

func getPlans(c *call) error {
	p := c.pages("plans")
	if err := c.Query.err(); err != nil {
		return err
	}
	var docs []planLine
	var next string
	err := c.view(func(s *fleet.State) error {
		var found []placed[*fleet.PlanVersion]
		for slug, versions := range s.Plans {
			if at := (place{ID: slug}); p.wants(at) && len(versions) > 0 {
				found = append(found, placed[*fleet.PlanVersion]{at, versions[len(versions)-1]})
			}
		}
		found, next = cut(&p, found)
		rigs := rigsUnder(c, s)
		docs = make([]planLine, 0, len(found))
		for _, f := range found {
			docs = append(docs, planLineOf(f.of, rigs[f.of.Plan]))
		}
		return nil
	})
	if err != nil {
		return err
	}
	return c.list("plans", docs, next, nil)
}

func getPlan(c *call) error {
	version := c.Query.number("version", 1, math.MaxInt32, 0)
	if err := c.Query.err(); err != nil {
		return err
	}
	return planAnswer(c, http.StatusOK, c.Param("plan"), version)
}

// planAnswer shows one version of a plan, the newest for 0.
func planAnswer(c *call, status int, slug string, version int) error {
	var doc planDoc
	err := c.view(func(s *fleet.State) error {
		versions := s.Plans[slug]
		if len(versions) == 0 {
			return notFound("plan", slug)
		}
		var shown *fleet.PlanVersion
		for _, v := range versions {
			if v.Version == version || version == 0 {
				shown = v
			}
		}
		if shown == nil {
			return notFound("version", slug+" "+strconv.Itoa(version))
		}
		doc = planDoc{
			planLine: planLineOf(shown, rigsUnder(c, s)[slug]), Notice: shown.Parsed.Notice, Daily: orEmpty(shown.Parsed.Daily),
			TaskDocs: []taskDoc{}, Versions: []int{}, Text: shown.Text,
		}
		for _, t := range shown.Parsed.Tasks {
			doc.TaskDocs = append(doc.TaskDocs, taskDocOf(t))
		}
		for _, v := range versions {
			doc.Versions = append(doc.Versions, v.Version)
		}
		return nil
	})
	if err != nil {
		return err
	}
	return c.answer(status, doc)
}

// postPlan publishes a version of a plan: {"text": yaml}, or the YAML itself.
func postPlan(c *call) error {
	if len(c.Who.Yards) > 0 {
		return &problem{kind: kindNotAllowed, detail: "plans are for the whole fleet; this token is held to yards"}
	}
	var cmd fleet.PublishPlan
	if c.mediaType() == "application/yaml" {
		raw, err := c.readBody()
		if err != nil {
			return err
		}
		cmd.Text = string(raw)
	} else if err := c.body(&cmd); err != nil {
		return err
	}
	d, err := c.do(&cmd, http.StatusCreated, nil)
	if err != nil {
		return err
	}
	parsed, err := plan.Parse("plan", []byte(cmd.Text))
	if err != nil {
		return err
	}
	status := d.status
	if d.commit == 0 {
		status = http.StatusOK // the same version with the same text was there
	} else {
		c.setHeader("Location", "/v1/plans/"+parsed.Slug+"?version="+strconv.Itoa(parsed.Version))
	}
	return planAnswer(c, status, parsed.Slug, parsed.Version)
}

func getClasses(c *call) error {
	var classes []plan.Class // parsed once, never changed after
	err := c.view(func(s *fleet.State) error {
		classes = s.ClassList()
		return nil
	})
	if err != nil {
		return err
	}
	return c.list("classes", classes, "", nil)
}

// postClass puts a class of rig on record.
func postClass(c *call) error {
	var cmd fleet.PublishClass
	if err := c.body(&cmd); err != nil {
		return err
	}
	if _, err := c.do(&cmd, http.StatusOK, nil); err != nil {
		return err
	}
	return getClasses(c)
}
