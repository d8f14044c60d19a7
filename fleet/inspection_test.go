package fleet_test

import (
	"context"
	"encoding/json"
	"fmt"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"rigledger/events"
	"rigledger/fleet"
	"rigledger/fleet/plan"
	"rigledger/fleet/testbay"
)

// yardZone is two hours ahead of UTC, so that local midnight is not UTC's.
var yardZone = time.FixedZone("yard", 2*3600)

// benchAt is a bench in the yard's zone at a time.
func benchAt(t testing.TB, at string) *bench {
	t.Helper()
	store := openSQLite(t, filepath.Join(t.TempDir(), "ledger.db"))
	b := &bench{t: t, store: store, clock: &clock{t: day(at)}}
	var err error
	if b.Fleet, err = fleet.Open(context.Background(), fleet.Options{Store: store, Now: b.clock.now, Zone: yardZone}); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(b.Close)
	if err := b.PublishStarters(context.Background()); err != nil {
		t.Fatal(err)
	}
	b.must(&fleet.PublishPlan{Text: quietPlan})
	return b
}

// quietPlan has long intervals only, so that its tasks do not come into
// questions about the test bay.
const quietPlan = `
plan: quiet
version: 1
title: Quiet
notice: For tests.
classes: [trailed]
tasks:
  - {task: pivots, title: Pivots greased, part: drawbar, every: {hours: 500}, source: common practice}
  - {task: suction-filter, title: Suction filter, part: suction-filter, every: {hours: 500}, by: operator, caution: [contaminated], source: common practice}
  - {task: pump-oil, title: Pump oil, part: diaphragm-pump, every: {hours: 500}, caution: [pump-pto, contaminated], source: common practice}
  - {task: valves-check, title: Valves, part: valves, every: {hours: 500}, source: common practice}
  - {task: pump-diaphragms, title: Pump diaphragms, part: diaphragm-pump, every: {hours: 5000}, calibrate_after: true, includes: [pump-oil], caution: [pump-pto, pressure, contaminated], source: common practice}
  - {task: statutory-inspection, title: Inspection, part: rig, every: {months: 36}, weight: statutory, source: common practice}
`

// quiet is a rig under the quiet plan.
func quiet(rig string) *fleet.RegisterRig {
	r := trailed(rig)
	r.Plan = "quiet"
	return r
}

// fitness is how a rig stands, "do not use: open-safety-defect failed-inspection".
func (b *bench) fitness(rig string) string {
	var fit fleet.Fitness
	b.View(func(s *fleet.State) { fit = b.FitnessOf(s, s.Rigs[rig], b.clock.now()) })
	return inShort(b.t, fit)
}

func (b *bench) fitnessAt(rig string, at time.Time) string {
	var fit fleet.Fitness
	b.View(func(s *fleet.State) { fit = s.FitnessAt(s.Rigs[rig], at, b.clock.now()) })
	return inShort(b.t, fit)
}

// inShort lists the codes; every reason must name its rule and what clears it.
func inShort(t testing.TB, fit fleet.Fitness) string {
	t.Helper()
	var codes []string
	for _, r := range fit.Reasons {
		if r.Rule == "" || r.Clears == "" || r.Text == "" {
			t.Errorf("reason without rule, words or what clears it: %+v", r)
		}
		if !slices.Contains(codes, r.Code) {
			codes = append(codes, r.Code)
		}
	}
	slices.Sort(codes)
	return strings.TrimSuffix(fit.State+": "+strings.Join(codes, " "), ": ")
}

// gaugeSheet holds a gauge that reads so much wrong at 1.5 bar.
func gaugeSheet(wrong float64) testbay.Sheet {
	return testbay.Sheet{Measured: testbay.Readings{GaugeError: &testbay.GaugeError{
		Readings: []testbay.GaugeReading{{MasterBar: 1.5, GaugeBar: 1.5 + wrong}, {MasterBar: 6, GaugeBar: 6.1}},
	}}}
}

func inspect(rig string, sheet testbay.Sheet) *fleet.JudgeInspection {
	return &fleet.JudgeInspection{ID: fleet.NewInspectionID(), Rig: rig, Tester: "B. Bench", Sheet: sheet}
}

func TestAFailedGaugeStopsTheRigUntilItIsRepairedAndRetested(t *testing.T) {
	b := benchAt(t, "2026-05-04 08:00")
	b.must(quiet("T01"))
	if got := b.fitness("T01"); got != "fit" {
		t.Fatalf("a new rig is %q, want fit", got)
	}
	failed := inspect("T01", gaugeSheet(0.3)) // +0.3 bar at 1.5 bar; ISO 16122-2:2015 allows 0.2 bar up to 2 bar (from memory)
	receipt := b.must(failed)
	if got := b.fitness("T01"); got != "do not use: failed-inspection open-safety-defect" {
		t.Errorf("after the failed gauge: %q", got)
	}
	b.View(func(s *fleet.State) {
		in := s.Bay.Inspections[failed.ID]
		if in.Outcome != "fail" || in.RuleSet != "iso-16122-2-2015" || in.Edition != "2015" || in.N != receipt.Commit {
			t.Errorf("inspection %+v", in)
		}
		for _, r := range b.FitnessOf(s, s.Rigs["T01"], b.clock.now()).Reasons { // people read names, programs the defect's code
			if told := r.Text + r.Rule; strings.Contains(told, "gauge_error") || !strings.Contains(told, "Pressure gauge against a master") {
				t.Errorf("the reason %s reads %q by %q", r.Code, r.Text, r.Rule)
			}
		}
		d := s.Defects[failed.ID+".gauge_error"]
		if d == nil || !d.Safety || d.Inspection != failed.ID || d.Part != "T01-gauge" || !strings.Contains(d.Text, "0.3 bar") || !strings.Contains(d.Text, "0.2 bar") {
			t.Errorf("defect %+v, want a safety defect of the gauge with reading and limit", d)
		}
	})
	b.clock.set(day("2026-05-05 09:00"))
	retest := inspect("T01", gaugeSheet(0.2)) // exactly at the limit passes
	retest.Retest = failed.ID
	b.must(retest)
	if got := b.fitness("T01"); got != "fit" {
		t.Errorf("after the retest: %q, want fit", got)
	}
	for at, want := range map[string]string{
		"2026-05-04 07:59": "fit with advisories: before-the-ledger",
		"2026-05-04 12:00": "do not use: failed-inspection open-safety-defect",
		"2026-05-05 08:59": "do not use: failed-inspection open-safety-defect",
		"2026-05-05 09:00": "fit",
	} {
		if got := b.fitnessAt("T01", day(at)); got != want {
			t.Errorf("at %s: %q, want %q", at, got, want)
		}
	}
	var kinds []string
	b.View(func(s *fleet.State) {
		for _, l := range s.Rigs["T01"].Timeline {
			if k := l.Entry.Fact.Kind(); strings.HasPrefix(k, "inspection") || strings.HasPrefix(k, "defect") {
				kinds = append(kinds, k)
			}
		}
	})
	if got := strings.Join(kinds, " "); got != "inspection.judged defect.reported inspection.judged defect.cleared" {
		t.Errorf("the timeline tells %q", got)
	}
}

func TestClearingTheDefectEndsAnOwnInspectionsFailureButNotALicensedOnes(t *testing.T) {
	for _, tc := range []struct {
		name      string
		statutory bool
		want      string
	}{
		{"own check", false, "fit"},
		{"licensed inspection", true, "do not use: failed-inspection"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			b := benchAt(t, "2026-05-04 08:00")
			b.must(quiet("T01"))
			in := inspect("T01", gaugeSheet(0.3))
			in.Statutory = tc.statutory
			b.must(in)
			b.must(&fleet.ClearDefect{Defect: in.ID + ".gauge_error", Action: "new gauge"})
			if got := b.fitness("T01"); got != tc.want {
				t.Errorf("%q, want %q", got, tc.want)
			}
		})
	}
}

func TestAFailedInspectionEnteredLateFindsWhatPutItRight(t *testing.T) {
	b := benchAt(t, "2026-05-04 08:00")
	b.must(quiet("T01"))
	b.clock.set(day("2026-05-10 08:00"))
	b.must(inspect("T01", gaugeSheet(0.1)))
	late := inspect("T01", gaugeSheet(0.5))
	at := day("2026-05-06 10:00")
	late.At = &at
	b.must(late)
	if got := b.fitness("T01"); got != "fit" {
		t.Errorf("now %q, want fit: the later inspection passed the point", got)
	}
	if got := b.fitnessAt("T01", day("2026-05-07 10:00")); got != "do not use: failed-inspection open-safety-defect" {
		t.Errorf("between the two %q", got)
	}
}

func TestAPointThatDoesNotStopTheRigIsAnAdvisoryUntilItsRetestDate(t *testing.T) {
	b := benchAt(t, "2026-05-04 08:00")
	b.must(quiet("T01"))
	in := inspect("T01", testbay.Sheet{Looked: map[string]testbay.Seen{"tank_strainer": {Result: testbay.LookFail, Note: "torn"}}})
	in.RetestBy = "2026-05-20"
	b.must(in)
	for at, want := range map[string]string{
		"2026-05-04 09:00": "fit with advisories: failed-inspection open-defect",
		"2026-05-20 21:59": "fit with advisories: failed-inspection open-defect", // 23:59 in the yard
		"2026-05-20 22:00": "do not use: failed-inspection open-defect",          // midnight in the yard
	} {
		b.clock.set(day(at))
		if got := b.fitness("T01"); got != want {
			t.Errorf("at %s: %q, want %q", at, got, want)
		}
	}
}

func placed(rig, place string) *fleet.PlaceRig {
	return &fleet.PlaceRig{Rig: rig, Place: place, FirstPurchase: "2019-03-01"}
}

func oldRig(code string) *fleet.RegisterRig {
	r := quiet(code)
	r.FirstUse = "2019-03-10"
	return r
}

func certificate(rig, inspected string) *fleet.IssueCertificate {
	return &fleet.IssueCertificate{ID: fleet.NewCertificateID(), Rig: rig, Number: "C-" + inspected, Tester: "L. Licensed", Inspected: inspected}
}

func TestTheLawOfThePlaceDecidesAtLocalMidnight(t *testing.T) {
	// UK: over five years old, then every 3 years (SI 2012/1657 reg. 11).
	b := benchAt(t, "2026-05-04 08:00")
	b.must(oldRig("T01"))
	if got := b.fitness("T01"); got != "do not use: overdue-statutory-task" {
		t.Errorf("without a place the plan's task counts: %q", got)
	}
	b.must(placed("T01", "uk"))
	if got := b.fitness("T01"); got != "do not use: certificate-missing" {
		t.Errorf("never inspected: %q", got)
	}
	b.must(certificate("T01", "2023-06-15"))
	if got := b.fitness("T01"); got != "fit" {
		t.Errorf("inspected three years ago less some days: %q", got)
	}
	for at, want := range map[string]string{
		"2026-06-15 21:59": "fit", // 23:59 in the yard, the last day
		"2026-06-15 22:00": "do not use: certificate-expired",
	} {
		for _, how := range []string{"asked ahead", "then"} {
			if how == "then" {
				b.clock.set(day(at))
			}
			got := b.fitnessAt("T01", day(at))
			if how == "then" {
				got = b.fitness("T01")
			}
			if got != want {
				t.Errorf("%s, at %s: %q, want %q", how, at, got, want)
			}
		}
		b.clock.set(day("2026-05-04 08:00"))
	}
}

func TestACertificateEnteredLateCorrectsThePast(t *testing.T) {
	b := benchAt(t, "2026-05-04 08:00")
	b.must(oldRig("T01"))
	at := day("2026-05-04 08:00")
	b.must(&fleet.PlaceRig{Rig: "T01", Place: "UK", FirstPurchase: "2019-03-01", At: &at})
	b.clock.set(day("2026-06-20 08:00"))
	then := day("2026-05-20 12:00")
	if got := b.fitnessAt("T01", then); !strings.Contains(got, "certificate-missing") {
		t.Errorf("before it was entered: %q", got)
	}
	b.must(certificate("T01", "2026-05-18"))
	if got := b.fitnessAt("T01", then); strings.Contains(got, "certificate") || strings.HasPrefix(got, "do not use") {
		t.Errorf("after it was entered, two days after the inspection: %q", got)
	}
	if got := b.fitnessAt("T01", day("2026-05-17 12:00")); !strings.Contains(got, "certificate-missing") {
		t.Errorf("the day before the inspection: %q", got)
	}
	b.must(&fleet.WithdrawCertificate{Certificate: b.certificateOf("T01"), Reason: "not this machine"})
	if got := b.fitness("T01"); !strings.Contains(got, "certificate-missing") {
		t.Errorf("after it was withdrawn: %q", got)
	}
}

func (b *bench) certificateOf(rig string) (id string) {
	b.View(func(s *fleet.State) { id = s.CertificateOf(s.Rigs[rig]).Certificate })
	return id
}

func TestTheStricterOfLawAndCertificateCounts(t *testing.T) {
	b := benchAt(t, "2026-05-04 08:00")
	b.must(oldRig("T01"))
	b.must(placed("T01", "DE"))
	c := certificate("T01", "2025-05-04") // six half-years: to 30 June 2028 (Pflanzenschutz-Geräteverordnung §3)
	c.Expires = "2026-04-30"
	b.must(c)
	if got := b.fitness("T01"); got != "do not use: certificate-expired" {
		t.Errorf("%q: the certificate names an earlier last day", got)
	}
	b.must(&fleet.WithdrawCertificate{Certificate: c.ID, Reason: "typed wrong"})
	right := certificate("T01", "2025-05-04")
	b.must(right)
	if got := b.fitness("T01"); got != "fit" {
		t.Errorf("%q: the half-year rule runs to 2028", got)
	}
	if got := b.fitnessAt("T01", day("2028-06-30 12:00")); strings.Contains(got, "certificate") {
		t.Errorf("on the last day: %q", got)
	}
	if got := b.fitnessAt("T01", day("2028-07-01 12:00")); !strings.Contains(got, "certificate-expired") {
		t.Errorf("the day after: %q", got)
	}
}

func TestASchemeIsAnAdvisoryOnTopOfTheLaw(t *testing.T) {
	b := benchAt(t, "2026-05-04 08:00")
	b.must(oldRig("T01"))
	b.must(&fleet.PlaceYard{Yard: "north", Place: "UK", Schemes: []string{"uk-crop-assurance"}})
	b.must(&fleet.PlaceRig{Rig: "T01", FirstPurchase: "2019-03-01"}) // the yard's place, its own first purchase
	b.must(certificate("T01", "2024-09-01"))
	if got := b.fitness("T01"); got != "fit with advisories: scheme-inspection-overdue" {
		t.Errorf("%q: the scheme asks every year (common practice), the law every three", got)
	}
	b.refused(&fleet.PlaceYard{Yard: "north", Place: "DE", Schemes: []string{"uk-crop-assurance"}}, fleet.Invalid)
	b.refused(&fleet.PlaceYard{Yard: "north", Place: "Nowhere"}, fleet.Invalid)
}

func TestWhatIsWrongWithAnInspectionIsNamed(t *testing.T) {
	b := benchAt(t, "2026-05-04 08:00")
	b.must(quiet("T01"))
	cert := &fleet.PassedCertificate{ID: fleet.NewCertificateID(), Number: "9"}
	for _, tc := range []struct {
		name   string
		spoil  func(j *fleet.JudgeInspection)
		fields string
	}{
		{"an unknown rig", func(j *fleet.JudgeInspection) { j.Rig = "X" }, "/rig"},
		{"no tester", func(j *fleet.JudgeInspection) { j.Tester = "" }, "/tester"},
		{"an unknown rule set", func(j *fleet.JudgeInspection) { j.RuleSet = "mine" }, "/ruleset"},
		{"an impossible reading", func(j *fleet.JudgeInspection) { j.Sheet.Measured.GaugeError.Readings[1].MasterBar = -6 },
			"/sheet/measured/gauge_error/readings/1/master_bar"},
		{"a point nobody knows", func(j *fleet.JudgeInspection) { j.Sheet.Looked = map[string]testbay.Seen{"paint": {Result: "pass"}} }, "/sheet/looked/paint"},
		{"a retest of nothing", func(j *fleet.JudgeInspection) { j.Retest = "i-9" }, "/retest_of"},
		{"a certificate for a failure", func(j *fleet.JudgeInspection) { j.Certificate = cert }, "/certificate"},
		{"a file that is not there", func(j *fleet.JudgeInspection) { j.File = "ab" }, "/file"},
		{"an instrument without a name", func(j *fleet.JudgeInspection) { j.Instruments = []events.Instrument{{}} }, "/instruments/0/name"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			j := inspect("T01", gaugeSheet(0.3))
			tc.spoil(j)
			err := b.refused(j, fleet.Invalid)
			var got []string
			for _, f := range err.Fields {
				got = append(got, f.Field)
			}
			if strings.Join(got, " ") != tc.fields {
				t.Errorf("names %v, want %s", got, tc.fields)
			}
		})
	}
}

func TestUserRuleSetsAndIntervalsAreJudgedByAndRemembered(t *testing.T) {
	b := benchAt(t, "2026-05-04 08:00")
	b.must(quiet("T01"))
	text := "id: house\nextends: iso-16122-2-2015\nstandard: House\nedition: \"1\"\nvalid_from: 2020-01-01\nwhere: our yards\n" +
		"limits:\n  gauge_error_bar: {value: 0.05, unit: bar, source: common practice}\n"
	b.must(&fleet.PublishRuleSet{Text: text})
	if r := b.must(&fleet.PublishRuleSet{Text: text}); r.Commit != 0 {
		t.Error("the same text again was written again")
	}
	b.refused(&fleet.PublishRuleSet{Text: strings.Replace(text, "0.05", "0.06", 1)}, fleet.Invalid) // the same edition
	b.refused(&fleet.PublishRuleSet{Text: "id: x"}, fleet.Invalid)
	in := inspect("T01", gaugeSheet(0.1))
	in.RuleSet = "house"
	b.must(in)
	b.must(&fleet.PublishRuleSet{Text: strings.NewReplacer(`"1"`, `"2"`, "0.05", "0.2").Replace(text)})
	again := inspect("T01", gaugeSheet(0.1))
	again.RuleSet = "house"
	b.must(again)
	b.View(func(s *fleet.State) {
		x, y := s.Bay.Inspections[in.ID], s.Bay.Inspections[again.ID]
		if x.Outcome != "fail" || x.Edition != "1" || y.Outcome != "incomplete" || y.Edition != "2" {
			t.Errorf("judged %s by edition %s, then %s by %s; want fail by 1, then incomplete by 2", x.Outcome, x.Edition, y.Outcome, y.Edition)
		}
	})
	b.must(&fleet.PublishIntervals{Text: "rules:\n  - {id: isle, place: Isle, name: The isle, kind: law, valid_from: 2000-01-01, first: {months: 12, from: first_use}, then: {months: 12}, source: common practice}\n"})
	b.must(oldRig("T02"))
	b.must(placed("T02", "isle"))
	if got := b.fitness("T02"); got != "do not use: certificate-missing" {
		t.Errorf("under the added law: %q", got)
	}
	b.sameAfterReopening()
}

// sameAfterReopening compares the live state with one from the snapshot and one
// from the first commit.
func (b *bench) sameAfterReopening() {
	b.t.Helper()
	ctx := context.Background()
	if _, err := b.SaveSnapshot(ctx); err != nil {
		b.t.Fatal(err)
	}
	live := stateText(b.t, b.Fleet)
	for _, store := range []events.Store{b.store, withoutSnapshot{b.store}} {
		again, err := fleet.Open(ctx, fleet.Options{Store: store, Now: b.clock.now, Zone: yardZone})
		if err != nil {
			b.t.Fatal(err)
		}
		if got := stateText(b.t, again); got != live {
			b.t.Errorf("reopened with %T the fleet differs", store)
		}
		if _, isSnap := store.(withoutSnapshot); !isSnap && again.Opening().FromSnapshot == 0 {
			b.t.Error("the snapshot was not used")
		}
		again.Close()
	}
}

func TestARecordVerifiesAndOneChangedDigitMakesItFail(t *testing.T) {
	b := benchAt(t, "2026-05-04 08:00")
	ctx := context.Background()
	b.must(oldRig("T01"))
	b.must(placed("T01", "UK"))
	b.must(certificate("T01", "2025-05-05"))
	in := inspect("T01", gaugeSheet(0.3))
	b.must(in)
	cal := calibration("T01")
	b.must(cal)
	b.must(handover("T01"))
	b.clock.set(day("2026-05-06 08:00"))
	anyone := func(*fleet.Rig) error { return nil }
	for of, id := range map[string]string{fleet.InspectionRecord: in.ID, fleet.CalibrationRecord: cal.ID, fleet.RigRecord: "T01"} {
		t.Run(of, func(t *testing.T) {
			r, err := b.Record(ctx, of, id, anyone)
			if err != nil {
				t.Fatal(err)
			}
			if len(r.Commits) == 0 || r.Hash == "" || !strings.Contains(r.Notice, "does not replace") {
				t.Errorf("record %+v", r)
			}
			text, err := json.Marshal(r)
			if err != nil {
				t.Fatal(err)
			}
			pretty, _ := json.MarshalIndent(r, "", "  ")
			if _, err := fleet.VerifyRecord(ctx, b.store, nil, text); err == nil || !strings.Contains(err.Error(), "nobody knows") {
				t.Errorf("verified in a time zone of no table: %v", err)
			}
			for _, good := range [][]byte{text, pretty} {
				if _, err := fleet.VerifyRecord(ctx, b.store, yardZone, good); err != nil {
					t.Fatalf("as handed out: %v", err)
				}
			}
			if _, err := fleet.VerifyRecord(ctx, b.store, time.UTC, text); err == nil {
				t.Error("verified in another time zone")
			}
			digits := 0
			for i, ch := range text {
				if ch < '0' || ch > '9' {
					continue
				}
				if digits++; digits%17 != 3 { // a share of them: each costs a replay
					continue
				}
				bad := slices.Clone(text)
				bad[i] = '0' + (ch-'0'+1)%10
				if _, err := fleet.VerifyRecord(ctx, b.store, yardZone, bad); err == nil {
					t.Errorf("the digit at %d changed, …%s…, and it still verifies", i, bad[max(0, i-30):i+10])
				}
			}
			if digits < 100 {
				t.Errorf("only %d digits in the record", digits)
			}
		})
	}
	// The ledger may grow: a record stands for the commit it was made at.
	r, err := b.Record(ctx, fleet.RigRecord, "T01", anyone)
	if err != nil {
		t.Fatal(err)
	}
	b.must(&fleet.ClearDefect{Defect: in.ID + ".gauge_error", Action: "new gauge"})
	text, _ := json.Marshal(r)
	if _, err := fleet.VerifyRecord(ctx, b.store, yardZone, text); err != nil {
		t.Errorf("after the ledger grew: %v", err)
	}
}

func TestTheCertificateCountsAsThePlansOwnInspectionTask(t *testing.T) {
	b := benchAt(t, "2026-05-04 08:00")
	b.must(oldRig("T01"))
	b.raise()
	line, _ := b.line("T01", "T01", "statutory-inspection")
	if line.Due.Status != plan.Overdue || line.Item == "" {
		t.Fatalf("before: %s, item %q", line.Due.Status, line.Item)
	}
	b.must(certificate("T01", "2026-02-01"))
	line, _ = b.line("T01", "T01", "statutory-inspection")
	if line.Due.Status != plan.OK || line.Cycle != 2 || line.Due.Date.String() != "2029-02-01" {
		t.Errorf("after: %s, cycle %d, due %s", line.Due.Status, line.Cycle, line.Due.Date)
	}
	b.must(certificate("T01", "2023-02-01")) // an older one moves nothing back
	if again, _ := b.line("T01", "T01", "statutory-inspection"); again.Due.Date != line.Due.Date {
		t.Errorf("an older certificate moved the date to %s", again.Due.Date)
	}
}

// shortRules is ISO 16122-2 with every point but the gauge's error optional, so
// that a sheet of one point is a whole one.
func shortRules() string {
	text := "id: short\nextends: iso-16122-2-2015\nstandard: Short\nedition: \"1\"\nvalid_from: 2015-01-01\nwhere: tests\npoints:\n"
	rs, _ := testbay.RuleSetByID(testbay.ISO16122Part2Of2015)
	for _, p := range rs.Points {
		if p.ID != testbay.PointGaugeError {
			text += fmt.Sprintf("  - {id: %s, heading: %s, name: %q, kind: %s, stops_rig: %v, optional: true, source: common practice}\n", p.ID, p.Heading, p.Name, p.Kind, p.StopsRig)
		}
	}
	return text
}

func TestALicensedInspectionEndToEnd(t *testing.T) {
	// France: three years, first at five; a failed machine is tested again within
	// four months (arrêté of 18-12-2008 as amended; three years from memory).
	b := benchAt(t, "2026-05-04 08:00")
	b.must(&fleet.PublishRuleSet{Text: shortRules()})
	b.must(oldRig("T01"))
	b.must(placed("T01", "FR"))
	b.must(certificate("T01", "2024-03-01"))
	licensed := func(wrong float64) *fleet.JudgeInspection {
		in := inspect("T01", gaugeSheet(wrong))
		in.RuleSet, in.Statutory, in.Tester = "short", true, "L. Licensed"
		return in
	}
	failed := licensed(0.3)
	b.must(failed)
	b.View(func(s *fleet.State) {
		if got := s.Bay.Inspections[failed.ID].RetestBy; got != "2026-09-04" {
			t.Errorf("retest by %q, want four months on", got)
		}
	})
	if got := b.fitness("T01"); got != "do not use: failed-inspection open-safety-defect" {
		t.Errorf("failed: %q", got)
	}
	b.must(&fleet.ClearDefect{Defect: failed.ID + ".gauge_error", Action: "new gauge"})
	if got := b.fitness("T01"); got != "do not use: failed-inspection" {
		t.Errorf("repaired, not tested again: %q", got)
	}
	b.clock.set(day("2026-05-20 08:00"))
	retest := licensed(0.1)
	retest.Retest, retest.Certificate = failed.ID, &fleet.PassedCertificate{ID: fleet.NewCertificateID(), Number: "4712", Sticker: "26-7"}
	b.must(retest)
	if got := b.fitness("T01"); got != "fit" {
		t.Errorf("passed: %q", got)
	}
	b.View(func(s *fleet.State) {
		z := s.CertificateOf(s.Rigs["T01"])
		if z.Number != "4712" || z.Inspection != retest.ID || z.Inspected != "2026-05-20" {
			t.Errorf("certificate %+v", z)
		}
		_, due, err := s.NextInspection(s.Rigs["T01"], plan.On(2026, 5, 20))
		if err != nil || due.On.String() != "2029-05-20" || due.FailedOpen {
			t.Errorf("next inspection %v, %v", due, err)
		}
	})
	// Without its certificate the inspection no longer counts, and the failed one stands again.
	b.must(&fleet.WithdrawCertificate{Certificate: retest.Certificate.ID, Reason: "taken back"})
	if got := b.fitness("T01"); got != "do not use: failed-inspection" {
		t.Errorf("certificate taken back: %q", got)
	}
	b.sameAfterReopening()
}
