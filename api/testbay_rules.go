package api

import (
	"bytes"
	"errors"
	"io"
	"mime"
	"mime/multipart"
	"net/http"
	"strconv"
	"time"

	"rigledger/events"
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
		Where: v.Parsed.Where, Note: v.Parsed.Note, BuiltIn: v.N == 0, PublishedAt: timeOrNil(v.Recorded), PublishedBy: v.By,
	}
	if until := v.Parsed.ValidUntil; until != nil {
		l.ValidUntil = until.String()
	}
	return l
}

// getRuleSets lists every rule set, the newest first; there are few.
func getRuleSets(c *call) error {
	doc := struct {
		RuleSets []ruleSetLine `json:"rulesets"`
		Notice   string        `json:"notice"`
	}{RuleSets: []ruleSetLine{}, Notice: testbay.Notice}
	err := c.view(func(s *fleet.State) error {
		for _, v := range s.RuleSets() {
			doc.RuleSets = append(doc.RuleSets, ruleSetLineOf(v))
		}
		return nil
	})
	if err != nil {
		return err
	}
	return c.answer(http.StatusOK, doc)
}

func getRuleSet(c *call) error {
	return c.ruleSetAnswer(http.StatusOK, c.gin.Param("ruleset"), c.query.text("edition"))
}

func (c *call) ruleSetAnswer(status int, id, edition string) error {
	var doc ruleSetDoc
	err := c.view(func(s *fleet.State) error {
		for _, v := range s.RuleSets() {
			if v.Parsed.ID != id || edition != "" && v.Parsed.Edition != edition {
				continue
			}
			doc = ruleSetDoc{ruleSetLine: ruleSetLineOf(v), Limits: v.Parsed.Limits, Headings: v.Parsed.Form(), Text: v.Text, Notice: testbay.Notice}
			for i := range doc.Headings {
				doc.Headings[i].Points = orEmpty(doc.Headings[i].Points)
			}
			return nil
		}
		return notFound("rule set", id)
	})
	if err != nil {
		return err
	}
	return c.answer(status, doc)
}

// fleetWide refuses tokens held to yards what is for every yard.
func (c *call) fleetWide(what string) error {
	if len(c.who.Yards) > 0 {
		return &problem{kind: kindNotAllowed, detail: what + " are for the whole fleet; this token is held to yards"}
	}
	return nil
}

// yamlText reads {"text": yaml}, or the YAML itself.
func (c *call) yamlText() (string, error) {
	if c.mediaType() == "application/yaml" {
		raw, err := c.readBody()
		return string(raw), err
	}
	var body struct {
		Text string `json:"text"`
	}
	err := c.body(&body)
	return body.Text, err
}

func postRuleSet(c *call) error {
	if err := c.fleetWide("rule sets"); err != nil {
		return err
	}
	text, err := c.yamlText()
	if err != nil {
		return err
	}
	d, err := c.do(&fleet.PublishRuleSet{Text: text}, http.StatusCreated, nil)
	if err != nil {
		return err
	}
	var id, edition string
	err = c.view(func(s *fleet.State) error {
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
	c.setHeader("Location", "/v1/rulesets/"+id)
	return c.ruleSetAnswer(written(d), id, edition)
}

// written is 200 instead of 201 when nothing had to be written.
func written(d done) int {
	if d.commit == 0 {
		return http.StatusOK
	}
	return d.status
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

func getIntervals(c *call) error { return c.intervalsAnswer(http.StatusOK) }

func (c *call) intervalsAnswer(status int) error {
	doc := intervalsDoc{Added: []addedIntervals{}, Notice: testbay.Notice}
	err := c.view(func(s *fleet.State) error {
		doc.Intervals = s.Intervals()
		for _, v := range s.Bay.Intervals {
			doc.Added = append(doc.Added, addedIntervals{PublishedAt: v.Recorded.UTC(), PublishedBy: v.By, Commit: v.N, Text: v.Text})
		}
		return nil
	})
	if err != nil {
		return err
	}
	return c.answer(status, doc)
}

func postIntervals(c *call) error {
	if err := c.fleetWide("inspection intervals"); err != nil {
		return err
	}
	text, err := c.yamlText()
	if err != nil {
		return err
	}
	d, err := c.do(&fleet.PublishIntervals{Text: text}, http.StatusCreated, nil)
	if err != nil {
		return err
	}
	return c.intervalsAnswer(written(d))
}

type fileDoc struct {
	File     string    `json:"file"`
	Name     string    `json:"name"`
	Type     string    `json:"type"`
	Bytes    int       `json:"bytes"`
	Commit   uint64    `json:"commit"`
	Recorded time.Time `json:"recorded"`
	By       string    `json:"by"`
}

// fileBodyMost bounds the body of POST /v1/files: the file and a multipart frame.
const fileBodyMost = events.MaxFileBytes + 16<<10

// filesPath is where files are sent; the bound of its bodies is its own.
const filesPath = "/v1/files"

// fileTypes may be said of a raw body; what counts is its content.
var fileTypes = map[string]bool{
	"application/pdf": true, "image/png": true, "image/jpeg": true, "text/plain": true, "application/octet-stream": true,
}

// postFile keeps a file: its bytes with ?name=, or multipart/form-data with one
// part named file.
func postFile(c *call) error {
	name, content, err := c.fileSent()
	if err != nil {
		return err
	}
	cmd := fleet.KeepFile{Name: name, Bytes: content}
	d, err := c.do(&cmd, http.StatusCreated, nil)
	if err != nil {
		return err
	}
	hash := fleet.FileHash(content)
	if d.replayed {
		hash = d.ref
	}
	var doc fileDoc
	err = c.view(func(s *fleet.State) error {
		f := s.Bay.Files[hash]
		if f == nil {
			return notFound("file", hash)
		}
		doc = fileDoc{File: f.File, Name: f.Name, Type: f.Type, Bytes: f.Size, Commit: f.N, Recorded: f.Recorded.UTC(), By: f.By}
		return nil
	})
	if err != nil {
		return err
	}
	c.setHeader("Location", filesPath+"/"+hash)
	return c.answer(written(d), doc)
}

func (c *call) fileSent() (name string, content []byte, err error) {
	raw, err := c.readBody()
	if err != nil {
		return "", nil, err
	}
	kind, params, _ := mime.ParseMediaType(c.gin.Request.Header.Get("Content-Type"))
	if fileTypes[kind] {
		return c.query.text("name"), raw, nil
	}
	if kind != "multipart/form-data" || params["boundary"] == "" {
		return "", nil, &problem{kind: kindMedia, detail: "send the file as application/pdf, image/png, image/jpeg or text/plain with ?name=, or as multipart/form-data"}
	}
	form := multipart.NewReader(bytes.NewReader(raw), params["boundary"])
	part, err := form.NextPart()
	if err != nil || part.FormName() != "file" {
		return "", nil, &problem{kind: kindBadRequest, detail: "the form must hold one part named file"}
	}
	if content, err = io.ReadAll(part); err != nil {
		return "", nil, &problem{kind: kindBadRequest, detail: "the form cannot be read"}
	}
	if _, err := form.NextPart(); !errors.Is(err, io.EOF) {
		return "", nil, &problem{kind: kindBadRequest, detail: "the form must hold one part named file, and nothing else"}
	}
	return part.FileName(), content, nil
}

// getFile gives a file's bytes back, read from the ledger.
func getFile(c *call) error {
	hash := c.gin.Param("file")
	var name, kind string
	err := c.view(func(s *fleet.State) error {
		f := s.Bay.Files[hash]
		if f == nil || !c.seesFile(s, f) {
			return notFound("file", hash)
		}
		name, kind = f.Name, f.Type
		return nil
	})
	if err != nil {
		return err
	}
	if c.unchanged(`"` + hash + `"`) {
		return nil
	}
	content, err := c.api.fleet.ReadFile(c.gin.Request.Context(), hash)
	if err != nil {
		return err
	}
	if kind == "text/plain" {
		kind = "text/plain; charset=utf-8"
	}
	c.setHeader("Content-Type", kind)
	c.setHeader("Content-Length", strconv.Itoa(len(content)))
	c.setHeader("Content-Disposition", mime.FormatMediaType("attachment", map[string]string{"filename": name}))
	c.setHeader("Cache-Control", "private, no-cache")
	c.gin.Status(http.StatusOK)
	if _, err := c.gin.Writer.Write(content); err != nil {
		c.api.log.Debug("an answer was not taken", "error", err)
	}
	return nil
}

// seesFile: a token held to yards sees what something of its rigs refers to,
// and what it sent itself and nothing refers to yet.
func (c *call) seesFile(s *fleet.State, f *fleet.File) bool {
	if len(c.who.Yards) == 0 {
		return true
	}
	for _, rig := range f.Rigs {
		if c.sees(s.Rigs[rig]) {
			return true
		}
	}
	return len(f.Rigs) == 0 && f.By == c.who.Name
}
