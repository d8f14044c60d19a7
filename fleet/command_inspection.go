package fleet

import (
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/oklog/ulid/v2"

	"rigledger/events"
	"rigledger/fleet/plan"
	"rigledger/fleet/testbay"
)

// JudgeInspection judges a filled sheet and keeps it. RuleSet "" is that of ISO
// 16122-2; Edition "" the one in force that day. With Retest the sheet holds
// only what was measured anew; the rest stands as it was found then. Failed
// points open defects, passed ones close them. Make it with NewInspectionID.
type JudgeInspection struct {
	ID          string              `json:"-"`
	Rig         string              `json:"rig"`
	Statutory   bool                `json:"statutory"`
	RuleSet     string              `json:"ruleset,omitempty"`
	Edition     string              `json:"edition,omitempty"`
	Tester      string              `json:"tester"`
	Station     string              `json:"station,omitempty"`
	At          *time.Time          `json:"at,omitempty"`
	Retest      string              `json:"retest_of,omitempty"`
	RetestBy    string              `json:"retest_by,omitempty"`
	Sheet       testbay.Sheet       `json:"sheet" must:"be"`
	Instruments []events.Instrument `json:"instruments,omitempty"`
	Certificate *PassedCertificate  `json:"certificate,omitempty"`
	Note        string              `json:"note,omitempty"`
	File        string              `json:"file,omitempty"`
}

// PassedCertificate is the certificate and sticker that a passed inspection by a
// licensed tester earns.
type PassedCertificate struct {
	ID      string `json:"-"`
	Number  string `json:"number"`
	Sticker string `json:"sticker,omitempty"`
	Expires string `json:"expires,omitempty"`
}

// NewInspectionID and NewCertificateID draw ids.
func NewInspectionID() string  { return "i-" + strings.ToLower(ulid.Make().String()) }
func NewCertificateID() string { return "z-" + strings.ToLower(ulid.Make().String()) }

// PointerOf turns the path of a testbay.InputError, "flows_l_min[3]", into a
// JSON pointer below a prefix.
func PointerOf(prefix, field string) string {
	field = strings.NewReplacer("[", "/", "]", "", ".", "/").Replace(field)
	return prefix + "/" + field
}

// input files an error of the arithmetic under its field.
func (c *check) input(prefix string, err error) {
	var in *testbay.InputError
	if errors.As(err, &in) {
		c.fail(PointerOf(prefix, in.Field), "%s", in.Reason)
		return
	}
	c.fail(prefix, "%v", err)
}

func (j *JudgeInspection) Touches() []string { return []string{"rig:" + j.Rig, "parts", "rulesets"} }

// Ref is what an Idempotency-Key remembers.
func (j *JudgeInspection) Ref(State) string { return j.ID }

func (j *JudgeInspection) Decide(d Deciding) ([]events.Entry, error) {
	var c check
	rig := d.rigOf(&c, j.Rig)
	c.text("/tester", j.Tester, 100)
	c.optional("/station", j.Station, 200)
	c.optional("/note", j.Note, 4000)
	at := c.past("/at", j.At, d.Now)
	day := plan.Of(at, d.zone)
	retestBy := c.date("/retest_by", j.RetestBy)
	if by, err := plan.ParseDate(retestBy); err == nil && by.Before(day) {
		c.fail("/retest_by", "lies before the inspection")
	}
	d.file(&c, "/file", j.File)
	advice := c.instruments(j.Instruments, day)
	fact := &events.InspectionJudged{
		Inspection: j.ID, Rig: j.Rig, Statutory: j.Statutory, RuleSet: j.RuleSet, Edition: j.Edition, Tester: j.Tester, Station: j.Station,
		Retest: j.Retest, RetestBy: retestBy, Instruments: j.Instruments, Advisories: advice, Note: j.Note, File: j.File,
	}
	sheet := d.sheet(&c, j, fact, at)
	rs, known := d.RuleSet(fact.RuleSet, fact.Edition, bayDate(day))
	switch {
	case !known:
		c.fail("/ruleset", "there is no rule set %q of edition %q", fact.RuleSet, fact.Edition)
	case fact.Edition == "" && !rs.On(bayDate(day)):
		c.fail("/ruleset", "rule set %q is not in force on %s; name an edition", fact.RuleSet, day)
	}
	if err := c.err(); err != nil {
		return nil, err
	}
	if _, err := d.liveRig(j.Rig); err != nil {
		return nil, err
	}
	result, err := testbay.Judge(sheet, rs)
	if err != nil {
		c.input("/sheet", err)
		return nil, c.err()
	}
	fact.Edition, fact.Outcome = rs.Edition, string(result.Outcome)
	text, err := json.Marshal(sheet)
	if err != nil {
		return nil, err
	}
	fact.Sheet = string(text)
	facts := d.judged(rig, fact, result, at)
	if j.Certificate == nil {
		if j.Statutory && passed(fact.Outcome) {
			facts = append(facts, d.answerTask(rig, at, j.Tester, "inspection "+j.ID)...)
		}
		return facts, nil
	}
	if !j.Statutory {
		c.fail("/certificate", "goes with an inspection by a licensed tester, and this is an own check: statutory is false")
		return nil, c.err()
	}
	if !passed(fact.Outcome) {
		c.fail("/certificate", "goes with a passed inspection; this one is judged %q%s", fact.Outcome, notDone(result))
		return nil, c.err()
	}
	issue := &IssueCertificate{
		ID: j.Certificate.ID, Rig: j.Rig, Inspection: j.ID, Number: j.Certificate.Number, Sticker: j.Certificate.Sticker, Expires: j.Certificate.Expires,
		Tester: j.Tester, Station: j.Station, Inspected: day.String(), File: j.File,
	}
	more, err := issue.facts(d, &c, "/certificate", rig, &at)
	if err != nil {
		return nil, err
	}
	return append(facts, more...), nil
}

func notDone(r testbay.SheetResult) string {
	if len(r.Open) == 0 {
		return ""
	}
	return "; still to be done: " + strings.Join(r.Open, ", ")
}

// sheet gives the sheet to be judged, and fills in what a retest takes over.
func (d Deciding) sheet(c *check, j *JudgeInspection, fact *events.InspectionJudged, at time.Time) testbay.Sheet {
	if fact.RuleSet == "" {
		fact.RuleSet = testbay.ISO16122Part2Of2015
	}
	if j.Retest == "" {
		return j.Sheet
	}
	first := d.Bay.Inspections[j.Retest]
	switch {
	case first == nil || first.Rig != j.Rig:
		c.fail("/retest_of", "rig %s has no inspection %q", j.Rig, j.Retest)
		return j.Sheet
	case first.At.After(at):
		c.fail("/at", "lies before the inspection that is tested again")
	case j.RuleSet != "" && j.RuleSet != first.RuleSet || j.Edition != "" && j.Edition != first.Edition:
		c.fail("/ruleset", "a retest is judged by the rule set of the inspection, %s edition %s", first.RuleSet, first.Edition)
	}
	fact.RuleSet, fact.Edition = first.RuleSet, first.Edition
	merged, points, err := overlay(first.Sheet, j.Sheet)
	if err != nil {
		c.fail("/sheet", "%v", err)
	}
	if len(points) == 0 {
		c.fail("/sheet", "holds no point")
	}
	fact.Retested = points
	return merged
}

// overlay lays the points of a new sheet over an old one (its JSON) and lists them.
func overlay(old string, new testbay.Sheet) (merged testbay.Sheet, points []string, err error) {
	type loose struct {
		Looked   map[string]testbay.Seen    `json:"looked"`
		Measured map[string]json.RawMessage `json:"measured"`
	}
	var under, over loose
	if err := json.Unmarshal([]byte(old), &under); err != nil {
		return merged, nil, fmt.Errorf("reading the first sheet: %w", err)
	}
	text, err := json.Marshal(new)
	if err == nil {
		err = json.Unmarshal(text, &over)
	}
	if err != nil {
		return merged, nil, err
	}
	if under.Looked == nil {
		under.Looked = map[string]testbay.Seen{}
	}
	found := map[string]bool{}
	for point, seen := range over.Looked {
		found[point] = true
		under.Looked[point] = seen
		delete(under.Measured, point) // measured then, not fitted now
	}
	for point, readings := range over.Measured {
		found[point] = true
		under.Measured[point] = readings
		if _, said := over.Looked[point]; !said {
			delete(under.Looked, point)
		}
	}
	if text, err = json.Marshal(under); err == nil {
		err = json.Unmarshal(text, &merged)
	}
	return merged, slices.Sorted(maps.Keys(found)), err
}

// OverSheet lays the points of a retest's sheet over that of the first
// inspection (its JSON), as JudgeInspection does.
func OverSheet(first string, again testbay.Sheet) (testbay.Sheet, error) {
	merged, _, err := overlay(first, again)
	return merged, err
}

// judged makes the facts of a judged sheet: the inspection, the defects of
// failed points, and the end of those that were put right.
func (d Deciding) judged(rig *Rig, fact *events.InspectionJudged, result testbay.SheetResult, at time.Time) []events.Entry {
	entry := func(f events.Fact, at time.Time) events.Entry { return events.Entry{At: at, By: d.By, Fact: f} }
	var after []events.Entry
	for _, pr := range result.Points {
		p := events.PointJudged{Point: pr.ID, Outcome: string(pr.Outcome), Why: pr.Why, StopsRig: pr.StopsRig, Worst: marginOf(pr.Worst)}
		tested := fact.Retest == "" || slices.Contains(fact.Retested, pr.ID)
		known := d.openAt(rig, pr.ID, at)
		switch {
		case pr.Outcome == testbay.Fail && len(known) > 0:
			p.Defect = known[0]
		case pr.Outcome == testbay.Fail && !tested: // as the first sheet found it; its defect may be cleared by now
			if first := d.Bay.Inspections[fact.Retest].point(pr.ID); first != nil {
				p.Defect = first.Defect
			}
		case pr.Outcome == testbay.Fail:
			p.Defect = fact.Inspection + "." + pr.ID
			after = append(after, entry(&events.DefectReported{
				Defect: p.Defect, Rig: rig.Rig, Part: d.partAbout(rig, pr.ID), Code: pr.ID, Text: failure(pr), Safety: pr.StopsRig,
			}, at))
			// Entered late: what was put right since was put right then.
			if later := d.laterPass(rig, pr.ID, at, fact.Inspection); later != nil && later.At.After(at) {
				after = append(after, entry(&events.DefectCleared{Defect: p.Defect, Rig: rig.Rig, Action: "passed by inspection " + later.Inspection}, later.At))
			}
		case passed(string(pr.Outcome)) && tested:
			for _, id := range known {
				after = append(after, entry(&events.DefectCleared{Defect: id, Rig: rig.Rig, Action: "passed by inspection " + fact.Inspection}, at))
			}
		}
		fact.Points = append(fact.Points, p)
	}
	if fact.RetestBy == "" && result.Outcome == testbay.Fail {
		fact.RetestBy = d.retestBy(rig, at)
	}
	return append([]events.Entry{entry(fact, at)}, after...)
}

// openAt lists the open defects that inspections found at a point up to a time.
func (d Deciding) openAt(rig *Rig, point string, at time.Time) []string {
	var ids []string
	for _, id := range rig.Defects {
		if f := d.Defects[id]; f.Inspection != "" && f.Code == point && !f.ReportedAt.After(at) {
			ids = append(ids, id)
		}
	}
	return ids
}

// retestBy is when the law of the place wants a failed machine tested again,
// "" where it names no term.
func (d Deciding) retestBy(rig *Rig, at time.Time) string {
	p := d.PlacementOf(rig)
	if p == nil {
		return ""
	}
	day := plan.Of(at, d.zone)
	m := d.machine(rig, p, moment{asOf: farFuture, today: day})
	m.Inspections = append(m.Inspections, testbay.Inspection{On: bayDate(day)})
	var retest []testbay.IntervalRule
	for _, r := range d.Intervals().For(p.Place, p.Schemes...) {
		if r.Retest != nil {
			retest = append(retest, r)
		}
	}
	m.Inspections = slices.DeleteFunc(m.Inspections, func(i testbay.Inspection) bool { return bayDate(day).Before(i.On) })
	due, err := testbay.NextInspection(retest, m, bayDate(day))
	if err != nil || due.On == nil {
		return ""
	}
	return due.On.String()
}

func marginOf(v *testbay.Verdict) *events.Margin {
	if v == nil {
		return nil
	}
	return &events.Margin{
		What: v.What, Position: v.Position, Measured: v.Measured, Sense: string(v.Sense), Limit: v.Limit, Unit: v.Unit, Margin: v.Margin, Source: v.Source,
	}
}

// failure says in words how a point failed.
func failure(pr testbay.PointResult) string {
	text := pr.Name
	if w := pr.Worst; w != nil {
		text += fmt.Sprintf(": %s %s %s, %s %s %s", w.What, number(w.Measured), w.Unit, w.Sense, number(w.Limit), w.Unit)
		if w.Position > 0 {
			text += fmt.Sprintf(", at position %d", w.Position)
		}
	}
	if pr.Why != "" {
		text += ": " + pr.Why
	}
	if len(text) > 2000 {
		text = strings.ToValidUTF8(text[:2000], "")
	}
	return text
}

// number writes a reading with at most four decimals.
func number(x float64) string {
	text := strconv.FormatFloat(x, 'f', 4, 64)
	return strings.TrimSuffix(strings.TrimRight(text, "0"), ".")
}

// pointKinds says which kind of part a point is about, where it is one.
var pointKinds = map[string][]string{
	testbay.PointPumpCapacity: {"diaphragm-pump", "centrifugal-pump"}, testbay.PointPulsation: {"diaphragm-pump"}, "pump_leak": {"diaphragm-pump", "centrifugal-pump"},
	testbay.PointAirChamber: {"air-chamber"}, testbay.PointGaugeBuild: {"gauge"}, testbay.PointGaugeError: {"gauge"},
	testbay.PointFlowMeter: {"flow-meter"}, testbay.PointSpeedSensor: {"speed-sensor"}, testbay.PointRecovery: {"regulation"}, testbay.PointSectionClosed: {"regulation"},
	testbay.PointRateHeld: {"regulation"}, testbay.PointNozzleFlow: {"nozzle-set"}, testbay.PointDrip: {"nozzle-set"}, "nozzles_alike": {"nozzle-set"},
	testbay.PointBoomHeight: {"boom"}, testbay.PointNozzleSpacing: {"boom"}, testbay.PointNozzleUpright: {"boom"}, "boom_stable": {"boom"}, "boom_locks": {"boom"},
	"shaft_guard": {"pto-shaft"}, "shaft_joints": {"pto-shaft"}, "hoses": {"spray-hoses"},
}

// partAbout gives the one part of the rig that a point is about, "" when there
// is none or more than one.
func (d Deciding) partAbout(rig *Rig, point string) string {
	found := ""
	for _, id := range rig.Fitted {
		if slices.Contains(pointKinds[point], d.Parts[id].Kind) {
			if found != "" {
				return ""
			}
			found = id
		}
	}
	return found
}

// rigOf finds the rig of a request whose body names it.
func (d Deciding) rigOf(c *check, code string) *Rig {
	rig := d.Rigs[code]
	switch {
	case code == "":
		c.fail("/rig", "is missing")
	case rig == nil:
		c.fail("/rig", "there is no rig %q", code)
	}
	return rig
}

// instruments checks what was measured with, and says which were past their
// own check on the day.
func (c *check) instruments(list []events.Instrument, day plan.Date) (advice []string) {
	if len(list) > 50 {
		c.fail("/instruments", "has more than 50 entries")
		return nil
	}
	for i := range list {
		field := fmt.Sprintf("/instruments/%d", i)
		c.text(field+"/name", list[i].Name, 100)
		c.optional(field+"/serial", list[i].Serial, 100)
		until, err := plan.ParseDate(c.date(field+"/checked_until", list[i].CheckedUntil))
		switch {
		case list[i].CheckedUntil == "":
			advice = append(advice, list[i].Name+": nobody knows until when its own check holds")
		case err == nil && until.Before(day):
			advice = append(advice, fmt.Sprintf("%s: its own check ended on %s", list[i].Name, until))
		}
	}
	return advice
}
