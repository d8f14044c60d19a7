package planning

import (
	"math"
	"net/http"
	"strconv"
	"time"

	"rigledger/api/call"
	"rigledger/api/shape"
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
	return shape.Joined(i.Amounts, func(b []byte) []byte {
		if i.Months > 0 {
			b = strconv.AppendInt(shape.Field(b, "months"), int64(i.Months), 10)
		}
		if i.Days > 0 {
			b = strconv.AppendInt(shape.Field(b, "days"), int64(i.Days), 10)
		}
		return b
	})
}

func taskDocOf(t *plan.Task) taskDoc {
	d := taskDoc{
		Task: t.Slug, Title: t.Title, Part: t.Part, Every: interval(t.Every), On: shape.List(t.On), SeasonStart: t.SeasonStart,
		Condition: t.Condition, InSeason: t.InSeason, RunIn: []interval{}, RunInAfter: "new", Count: string(t.Count),
		Includes: shape.List(t.Includes), Weight: string(t.Weight), By: t.By, Calibrate: t.Calibrate, Minutes: t.Minutes, Pick: shape.List(t.Parts),
		Cautions: plan.Cautions(t.Cautions), Checklist: shape.List(t.Checklist), Source: t.Source,
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
		Plan: v.Plan, Version: v.Version, Title: v.Parsed.Title, Classes: shape.List(v.Parsed.Classes), Tasks: len(v.Parsed.Tasks),
		Rigs: rigs, PublishedAt: v.PublishedAt.UTC(), PublishedBy: v.PublishedBy,
	}
}

// rigsUnder counts the caller's rigs by plan.
func rigsUnder(c *call.Call, s *fleet.State) map[string]int {
	n := map[string]int{}
	for _, r := range s.Rigs {
		if !r.Retired && c.Sees(r) {
			n[r.Plan.Plan]++
		}
	}
	return n
}

// GetPlans answers GET /v1/plans.
func GetPlans(c *call.Call) error {
	p := c.Pages("plans")
	if err := c.Query.Err(); err != nil {
		return err
	}
	var docs []planLine
	var next string
	err := c.View(func(s *fleet.State) error {
		var found []call.Placed[*fleet.PlanVersion]
		for slug, versions := range s.Plans {
			if at := (call.Place{ID: slug}); p.Wants(at) && len(versions) > 0 {
				found = append(found, call.Placed[*fleet.PlanVersion]{At: at, Of: versions[len(versions)-1]})
			}
		}
		found, next = call.Cut(&p, found)
		rigs := rigsUnder(c, s)
		docs = make([]planLine, 0, len(found))
		for _, f := range found {
			docs = append(docs, planLineOf(f.Of, rigs[f.Of.Plan]))
		}
		return nil
	})
	if err != nil {
		return err
	}
	return c.List("plans", docs, next, nil)
}

// GetPlan answers GET /v1/plans/{plan}.
func GetPlan(c *call.Call) error {
	version := c.Query.Number("version", 1, math.MaxInt32, 0)
	if err := c.Query.Err(); err != nil {
		return err
	}
	return planAnswer(c, http.StatusOK, c.Param("plan"), version)
}

// planAnswer shows one version of a plan, the newest for 0.
func planAnswer(c *call.Call, status int, slug string, version int) error {
	var doc planDoc
	err := c.View(func(s *fleet.State) error {
		versions := s.Plans[slug]
		if len(versions) == 0 {
			return call.NoSuch("plan", slug)
		}
		var shown *fleet.PlanVersion
		for _, v := range versions {
			if v.Version == version || version == 0 {
				shown = v
			}
		}
		if shown == nil {
			return call.NoSuch("version", slug+" "+strconv.Itoa(version))
		}
		doc = planDoc{
			planLine: planLineOf(shown, rigsUnder(c, s)[slug]), Notice: shown.Parsed.Notice, Daily: shape.List(shown.Parsed.Daily),
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
	return c.Answer(status, doc)
}

// PostPlan publishes a version of a plan: {"text": yaml}, or the YAML itself.
func PostPlan(c *call.Call) error {
	if len(c.Who.Yards) > 0 {
		return &call.Problem{Kind: call.NotAllowed, Detail: "plans are for the whole fleet; this token is held to yards"}
	}
	var cmd fleet.PublishPlan
	if c.MediaType() == "application/yaml" {
		raw, err := c.ReadBody()
		if err != nil {
			return err
		}
		cmd.Text = string(raw)
	} else if err := c.Body(&cmd); err != nil {
		return err
	}
	d, err := c.Do(&cmd, http.StatusCreated, nil)
	if err != nil {
		return err
	}
	parsed, err := plan.Parse("plan", []byte(cmd.Text))
	if err != nil {
		return err
	}
	status := d.Status
	if d.Commit == 0 {
		status = http.StatusOK // the same version with the same text was there
	} else {
		c.SetHeader("Location", "/v1/plans/"+parsed.Slug+"?version="+strconv.Itoa(parsed.Version))
	}
	return planAnswer(c, status, parsed.Slug, parsed.Version)
}

// GetClasses answers GET /v1/classes.
func GetClasses(c *call.Call) error {
	var classes []plan.Class // parsed once, never changed after
	err := c.View(func(s *fleet.State) error {
		classes = s.ClassList()
		return nil
	})
	if err != nil {
		return err
	}
	return c.List("classes", classes, "", nil)
}

// PostClass puts a class of rig on record.
func PostClass(c *call.Call) error {
	var cmd fleet.PublishClass
	if err := c.Body(&cmd); err != nil {
		return err
	}
	if _, err := c.Do(&cmd, http.StatusOK, nil); err != nil {
		return err
	}
	return GetClasses(c)
}
