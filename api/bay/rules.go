package bay

import (
	"net/http"
	"time"

	"rigledger/api/call"
	"rigledger/api/shape"
	"rigledger/fleet"
	"rigledger/fleet/testbay"
)

type ruleSetLine struct {
	RuleSet     string     `json:"ruleset"`
	Standard    string     `json:"standard"`
	Edition     string     `json:"edition"`
	ValidFrom   string     `json:"valid_from"`
	ValidUntil  string     `json:"valid_until,omitempty"`
	Where       string     `json:"where"`
	Note        string     `json:"note,omitempty"`
	BuiltIn     bool       `json:"built_in"`
	PublishedAt *time.Time `json:"published_at,omitempty"`
	PublishedBy string     `json:"published_by,omitempty"`
}

type ruleSetDoc struct {
	ruleSetLine
	Limits   map[string]testbay.Limit `json:"limits"`
	Headings []testbay.SheetHeading   `json:"headings"`
	Text     string                   `json:"text,omitempty"`
	Notice   string                   `json:"notice"`
}

func ruleSetLineOf(v fleet.RuleSetVersion) ruleSetLine {
	l := ruleSetLine{
		RuleSet: v.Parsed.ID, Standard: v.Parsed.Standard, Edition: v.Parsed.Edition, ValidFrom: v.Parsed.ValidFrom.String(),
		Where: v.Parsed.Where, Note: v.Parsed.Note, BuiltIn: v.N == 0, PublishedAt: shape.Time(v.Recorded), PublishedBy: v.By,
	}
	if until := v.Parsed.ValidUntil; until != nil {
		l.ValidUntil = until.String()
	}
	return l
}

// GetRuleSets lists every rule set, the newest first; there are few.
func GetRuleSets(c *call.Call) error {
	doc := struct {
		RuleSets []ruleSetLine `json:"rulesets"`
		Notice   string        `json:"notice"`
	}{RuleSets: []ruleSetLine{}, Notice: testbay.Notice}
	err := c.View(func(s *fleet.State) error {
		for _, v := range s.RuleSets() {
			doc.RuleSets = append(doc.RuleSets, ruleSetLineOf(v))
		}
		return nil
	})
	if err != nil {
		return err
	}
	return c.Answer(http.StatusOK, doc)
}

// GetRuleSet answers GET /v1/rulesets/{ruleset}.
func GetRuleSet(c *call.Call) error {
	return ruleSetAnswer(c, http.StatusOK, c.Param("ruleset"), c.Query.Text("edition"))
}

func ruleSetAnswer(c *call.Call, status int, id, edition string) error {
	var doc ruleSetDoc
	err := c.View(func(s *fleet.State) error {
		for _, v := range s.RuleSets() {
			if v.Parsed.ID != id || edition != "" && v.Parsed.Edition != edition {
				continue
			}
			doc = ruleSetDoc{ruleSetLine: ruleSetLineOf(v), Limits: v.Parsed.Limits, Headings: v.Parsed.Form(), Text: v.Text, Notice: testbay.Notice}
			for i := range doc.Headings {
				doc.Headings[i].Points = shape.List(doc.Headings[i].Points)
			}
			return nil
		}
		return call.NoSuch("rule set", id)
	})
	if err != nil {
		return err
	}
	return c.Answer(status, doc)
}

// fleetWide refuses tokens held to yards what is for every yard.
func fleetWide(c *call.Call, what string) error {
	if len(c.Who.Yards) > 0 {
		return &call.Problem{Kind: call.NotAllowed, Detail: what + " are for the whole fleet; this token is held to yards"}
	}
	return nil
}

// yamlText reads {"text": yaml}, or the YAML itself.
func yamlText(c *call.Call) (string, error) {
	if c.MediaType() == "application/yaml" {
		raw, err := c.ReadBody()
		return string(raw), err
	}
	var body struct {
		Text string `json:"text"`
	}
	err := c.Body(&body)
	return body.Text, err
}

// PostRuleSet answers POST /v1/rulesets.
func PostRuleSet(c *call.Call) error {
	if err := fleetWide(c, "rule sets"); err != nil {
		return err
	}
	text, err := yamlText(c)
	if err != nil {
		return err
	}
	d, err := c.Do(&fleet.PublishRuleSet{Text: text}, http.StatusCreated, nil)
	if err != nil {
		return err
	}
	var id, edition string
	err = c.View(func(s *fleet.State) error {
		for _, v := range s.RuleSets() {
			if v.Text == text {
				id, edition = v.Parsed.ID, v.Parsed.Edition
				break
			}
		}
		return nil
	})
	if err != nil {
		return err
	}
	c.SetHeader("Location", "/v1/rulesets/"+id)
	return ruleSetAnswer(c, written(d), id, edition)
}

// written is 200 instead of 201 when nothing had to be written.
func written(d call.Done) int {
	if d.Commit == 0 {
		return http.StatusOK
	}
	return d.Status
}

type intervalsDoc struct {
	Intervals []testbay.IntervalRule `json:"intervals"`
	Added     []addedIntervals       `json:"added"`
	Notice    string                 `json:"notice"`
}

type addedIntervals struct {
	PublishedAt time.Time `json:"published_at"`
	PublishedBy string    `json:"published_by"`
	Commit      uint64    `json:"commit"`
	Text        string    `json:"text"`
}

// GetIntervals answers GET /v1/intervals.
func GetIntervals(c *call.Call) error { return intervalsAnswer(c, http.StatusOK) }

func intervalsAnswer(c *call.Call, status int) error {
	doc := intervalsDoc{Added: []addedIntervals{}, Notice: testbay.Notice}
	err := c.View(func(s *fleet.State) error {
		doc.Intervals = s.Intervals()
		for _, v := range s.Bay.Intervals {
			doc.Added = append(doc.Added, addedIntervals{PublishedAt: v.Recorded.UTC(), PublishedBy: v.By, Commit: v.N, Text: v.Text})
		}
		return nil
	})
	if err != nil {
		return err
	}
	return c.Answer(status, doc)
}

// PostIntervals answers POST /v1/intervals.
func PostIntervals(c *call.Call) error {
	if err := fleetWide(c, "inspection intervals"); err != nil {
		return err
	}
	text, err := yamlText(c)
	if err != nil {
		return err
	}
	d, err := c.Do(&fleet.PublishIntervals{Text: text}, http.StatusCreated, nil)
	if err != nil {
		return err
	}
	return intervalsAnswer(c, written(d))
}
