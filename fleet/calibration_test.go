package fleet_test

import (
	"bytes"
	"context"
	"math"
	"strings"
	"testing"
	"time"

	"rigledger/events"
	"rigledger/fleet"
)

// theFlows are those of trade.md section 2 (arithmetic): mean 1.2175, CV 4.159 %,
// the fifth +10.83 % of the nominal 1.20 l/min.
func theFlows() []*float64 {
	var out []*float64
	for _, q := range []float64{1.21, 1.19, 1.24, 1.18, 1.33, 1.20, 1.22, 1.17} {
		out = append(out, ptr(q))
	}
	return out
}

// calibration is one that passes: an 03 set at 3 bar (ISO 10625: 1.2 l/min, from memory).
func calibration(rig string) *fleet.MakeCalibration {
	flows := theFlows()
	*flows[4] = 1.21
	return &fleet.MakeCalibration{
		ID: fleet.NewCalibrationID(), Rig: rig, Nozzle: "03", Tester: "B. Bench", Bar: 3, FlowsLMin: flows, KmH: ptr(8.0), SpacingM: 0.5,
		Instruments: []events.Instrument{{Name: "measuring jug", CheckedUntil: "2027-01-31"}},
	}
}

func handover(rig string) *fleet.SignHandover {
	return &fleet.SignHandover{ID: fleet.NewHandoverID(), Rig: rig, Rinsed: true, Washed: true, Products: []string{"herbicide, clearwater 20"}, Signed: "O. Perator"}
}

func TestACalibrationKeepsWhatFollowsFromIt(t *testing.T) {
	b := benchAt(t, "2026-05-04 08:00")
	b.must(quiet("T01"))
	c := calibration("T01")
	c.FlowsLMin, c.KmH, c.Course = theFlows(), nil, &fleet.Course{CourseM: 100, Seconds: 45} // 8 km/h: v = 3.6·d/t
	b.must(c)
	b.View(func(s *fleet.State) {
		got := s.Bay.Calibrations[c.ID]
		if got.Outcome != "fail" || math.Abs(got.MeanLMin-1.2175) > 1e-9 || math.Abs(*got.CVPercent-4.159) > 5e-4 {
			t.Errorf("outcome %s, mean %v, cv %v; want fail, 1.2175, 4.159 (trade.md section 2)", got.Outcome, got.MeanLMin, *got.CVPercent)
		}
		if w := got.Worst; w == nil || w.Position != 5 || math.Abs(w.Percent-10.8333) > 1e-3 || w.From != "nominal" {
			t.Errorf("worst nozzle %+v, want the fifth at +10.83 %% of nominal", w)
		}
		// 600·1.2175/(8·0.5) = 182.625 l/ha
		if math.Abs(got.LHa-182.625) > 1e-9 || got.Part != "T01-nozzles" || *got.NominalLMin != 1.2 {
			t.Errorf("%v l/ha on %s against %v", got.LHa, got.Part, *got.NominalLMin)
		}
	})
	if got := b.fitness("T01"); got != "fit with advisories: failed-calibration" {
		t.Errorf("fitness %q", got)
	}
	b.View(func(s *fleet.State) {
		if got := b.FitnessOf(s, s.Rigs["T01"], b.clock.now()).Reasons[0].Text; !strings.Contains(got, "out of limits at ") || strings.ContainsAny(got, "[]") {
			t.Errorf("the reason reads %q", got)
		}
	})
	again := calibration("T01")
	again.Instruments[0].CheckedUntil = "2026-05-03"
	b.must(again)
	if got := b.fitness("T01"); got != "fit with advisories: instrument-unchecked" {
		t.Errorf("with a jug past its check: %q", got)
	}
	b.must(calibration("T01"))
	if got := b.fitness("T01"); got != "fit" {
		t.Errorf("with a checked jug: %q", got)
	}
	missing := calibration("T01")
	missing.FlowsLMin[2] = nil
	b.must(missing)
	b.View(func(s *fleet.State) {
		if got := s.Bay.Calibrations[missing.ID]; got.Outcome != "incomplete" {
			t.Errorf("with a nozzle not measured: %s", got.Outcome)
		}
	})
	b.sameAfterReopening()
}

func TestWhatIsWrongWithACalibrationIsNamed(t *testing.T) {
	b := benchAt(t, "2026-05-04 08:00")
	b.must(quiet("T01"))
	for _, tc := range []struct {
		name   string
		spoil  func(c *fleet.MakeCalibration)
		fields string
	}{
		{"no pressure", func(c *fleet.MakeCalibration) { c.Bar = 0 }, "/bar"},
		{"no speed", func(c *fleet.MakeCalibration) { c.KmH = nil }, "/km_h"},
		{"two speeds", func(c *fleet.MakeCalibration) { c.Course = &fleet.Course{CourseM: 1, Seconds: 1} }, "/course"},
		{"a course of no length", func(c *fleet.MakeCalibration) { c.KmH, c.Course = nil, &fleet.Course{Seconds: 45} }, "/course/course_m"},
		{"a negative flow", func(c *fleet.MakeCalibration) { c.FlowsLMin[3] = ptr(-1.0) }, "/flows_l_min/3"},
		{"no flows", func(c *fleet.MakeCalibration) { c.FlowsLMin = nil }, "/flows_l_min"},
		{"no spacing", func(c *fleet.MakeCalibration) { c.SpacingM = 0 }, "/spacing_m"},
		{"a part that is no nozzle set", func(c *fleet.MakeCalibration) { c.Part = "T01-pump" }, "/part"},
		{"tomorrow", func(c *fleet.MakeCalibration) { c.At = ptr(day("2026-05-05 08:00")) }, "/at"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			c := calibration("T01")
			tc.spoil(c)
			err := b.refused(c, fleet.Invalid)
			var got []string
			for _, f := range err.Fields {
				got = append(got, f.Field)
			}
			if strings.Join(got, " ") != tc.fields {
				t.Errorf("names %v, want %s: %v", got, tc.fields, err)
			}
		})
	}
}

func TestWorkOnWhatDecidesTheRateAsksForACalibration(t *testing.T) {
	for _, tc := range []struct {
		name string
		do   func(b *bench)
		want string
	}{
		{"greasing, filters cleaned, oil changed, valves looked at", func(b *bench) { b.done(600) }, "fit"},
		{"diaphragms", func(b *bench) { b.done(5100) }, "do not use: calibration-required"},
		{"a pump fitted", func(b *bench) {
			b.must(&fleet.RemovePart{Rig: "T01", Part: "T01-pump", Reason: "worn"})
			b.must(&fleet.FitPart{Rig: "T01", Position: "pump"})
		}, "do not use: calibration-required"},
		{"nozzles changed", func(b *bench) {
			b.must(&fleet.RemovePart{Rig: "T01", Part: "T01-nozzles", Reason: "worn", Scrapped: true})
			b.must(&fleet.FitPart{Rig: "T01", Position: "nozzles"})
		}, "do not use: calibration-required"},
		{"a wheel changed", func(b *bench) {
			b.must(&fleet.RemovePart{Rig: "T01", Part: "T01-wheel-left", Reason: "worn"})
		}, "fit"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			b := benchAt(t, "2026-05-04 08:00")
			b.must(quiet("T01"))
			b.clock.set(day("2026-05-04 09:00"))
			tc.do(b)
			if got := b.fitness("T01"); got != tc.want {
				t.Errorf("after the work %q, want %q", got, tc.want)
			}
			early := calibration("T01")
			early.Instruments[0].CheckedUntil = "2030-01-31"
			early.At = ptr(b.clock.now().Add(-time.Minute))
			b.must(early)
			if got := b.fitness("T01"); got != tc.want {
				t.Errorf("a calibration before the work changed it to %q", got)
			}
			b.clock.set(b.clock.now().Add(time.Hour))
			late := calibration("T01")
			late.Instruments[0].CheckedUntil = "2030-01-31"
			b.must(late)
			if got := b.fitness("T01"); got != "fit" {
				t.Errorf("calibrated %q, want fit", got)
			}
		})
	}
}

// done works off whatever is due once the pump has run so many hours, months on.
func (b *bench) done(hours float64) {
	b.t.Helper()
	b.clock.set(b.clock.now().AddDate(0, 10, 0))
	b.take(reading("T01", "9:1", b.clock.now(), "pump", hours, "HUR"))
	b.raise()
	var open []string
	b.View(func(s *fleet.State) { open = append(open, s.Rigs["T01"].Open...) })
	if len(open) < 4 {
		b.t.Fatalf("only %v came due", open)
	}
	for _, item := range open {
		if it := b.item(item); it.Stage.Open() { // the larger task may have closed it
			b.must(&fleet.FinishItem{Item: item, By: "Ana"})
		}
	}
}

func (b *bench) item(id string) (it fleet.Item) {
	b.View(func(s *fleet.State) { it = *s.Items[id] })
	return it
}

func TestTheWorkshopOpensWhatCarriesLiquidOnlyAfterTheHandover(t *testing.T) {
	b := benchAt(t, "2026-05-04 08:00")
	b.must(quiet("T01"))
	b.take(reading("T01", "1:1", day("2026-05-04 08:00"), "pump", 0.5, "HUR"))
	b.clock.set(day("2026-12-20 08:00"))
	b.take(reading("T01", "1:2", day("2026-12-19 17:00"), "pump", 5100.0, "HUR"))
	b.raise()
	start := func(part, task string) *fleet.StartItem {
		return &fleet.StartItem{Item: fleet.ItemID(part, task, 1), By: "Ana", Cautioned: true}
	}
	b.must(start("T01-drawbar", "pivots"))                // no liquid
	b.must(start("T01-filter-suction", "suction-filter")) // the operator's, in the field
	err := b.refused(start("T01-pump", "pump-diaphragms"), fleet.Forbidden)
	if !strings.Contains(err.Message, "hand-over") {
		t.Errorf("%q does not say what to do", err.Message)
	}
	unread := start("T01-pump", "pump-diaphragms")
	unread.Cautioned = false
	if err := b.refused(unread, fleet.Invalid); err.Fields[0].Field != "/cautions_read" {
		t.Errorf("%v", err)
	}
	dirty := handover("T01")
	dirty.Rinsed, dirty.Products = false, nil
	if err := b.refused(dirty, fleet.Invalid); len(err.Fields) != 2 || err.Fields[0].Field != "/rinsed" || err.Fields[1].Field != "/last_products" {
		t.Errorf("%v", err)
	}
	old := handover("T01")
	old.At = ptr(day("2026-12-19 12:00")) // it worked again after that
	b.must(old)
	b.refused(start("T01-pump", "pump-diaphragms"), fleet.Forbidden)
	b.must(handover("T01"))
	b.must(start("T01-pump", "pump-diaphragms"))
	b.View(func(s *fleet.State) {
		line := s.Rigs["T01"].Timeline
		f := line[len(line)-1].Entry.Fact.(*events.ItemStarted)
		if f.Worker != "Ana" || strings.Join(f.Cautions, " ") != "any pump-pto pressure contaminated" {
			t.Errorf("the fact keeps %q and %v", f.Worker, f.Cautions)
		}
	})
	// Finishing without a start stays possible: what was done is done.
	b.must(&fleet.FinishItem{Item: fleet.ItemID("T01-valves", "valves-check", 1), By: "Ana"})
}

func TestFilesLiveInTheLedgerAndOnlyTheirNamesInMemory(t *testing.T) {
	b := benchAt(t, "2026-05-04 08:00")
	b.must(quiet("T01"))
	pdf := append([]byte("%PDF-1.7\n"), bytes.Repeat([]byte("certificate 4711 "), 60000)...)
	keep := &fleet.KeepFile{Name: "certificate.pdf", Bytes: pdf}
	b.must(keep)
	if r := b.must(keep); r.Commit != 0 {
		t.Error("the same bytes were kept twice")
	}
	hash := fleet.FileHash(pdf)
	c := certificate("T01", "2026-05-01")
	c.File = hash
	b.must(c)
	got, err := b.ReadFile(context.Background(), hash)
	if err != nil || !bytes.Equal(got, pdf) {
		t.Errorf("read back %d bytes, %v", len(got), err)
	}
	if text := stateText(t, b.Fleet); strings.Contains(text, "4711") || strings.Contains(text, "Y2VydGlmaWNhdGUgNDcxM") || len(text) > 200_000 {
		t.Errorf("the state of %d bytes holds the file", len(text))
	}
	b.View(func(s *fleet.State) {
		f := s.Bay.Files[hash]
		if f.Type != "application/pdf" || f.Size != len(pdf) || len(f.Rigs) != 1 {
			t.Errorf("%+v", f)
		}
	})
	for _, tc := range []struct {
		name  string
		file  fleet.KeepFile
		field string
	}{
		{"a program that says it is a picture", fleet.KeepFile{Name: "a.png", Bytes: []byte("MZ\x90\x00")}, "/file"},
		{"a page with a script", fleet.KeepFile{Name: "a.txt", Bytes: []byte("\x00<script>")}, "/file"},
		{"nothing", fleet.KeepFile{Name: "a.txt"}, "/file"},
		{"too much", fleet.KeepFile{Name: "a.txt", Bytes: bytes.Repeat([]byte("a"), events.MaxFileBytes+1)}, "/file"},
		{"a path", fleet.KeepFile{Name: "../a.txt", Bytes: []byte("a")}, "/name"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			if err := b.refused(&tc.file, fleet.Invalid); err.Fields[0].Field != tc.field {
				t.Errorf("%v", err)
			}
		})
	}
	most := bytes.Repeat([]byte("b"), events.MaxFileBytes)
	b.must(&fleet.KeepFile{Name: "b.txt", Bytes: most})
	b.sameAfterReopening()
}

func TestTheFitnessOfAnyDayAgreesWithThatOfTheDayItself(t *testing.T) {
	b := benchAt(t, "2026-05-04 08:00")
	b.must(trailed("T01"))
	then := map[string]string{}
	hours := 0.0
	for d := range 40 {
		at := day("2026-05-04 12:00").AddDate(0, 0, d)
		b.clock.set(at)
		hours += 4
		b.take(reading("T01", "9:"+at.Format("20060102"), at, "pump", hours, "HUR", "area", hours*10, "H18"))
		switch d {
		case 3:
			b.must(&fleet.ReportDefect{ID: "d-1", Rig: "T01", Text: "drip", Safety: true})
		case 5:
			b.must(&fleet.ClearDefect{Defect: "d-1", Action: "seal"})
		case 8:
			b.must(&fleet.RemovePart{Rig: "T01", Part: "T01-pump", Reason: "worn"})
			b.must(&fleet.FitPart{Rig: "T01", Position: "pump"})
		case 9:
			b.must(calibration("T01"))
		case 12, 30:
			b.raise()
			var open []string
			b.View(func(s *fleet.State) { open = append(open, s.Rigs["T01"].Open...) })
			for _, item := range open {
				b.must(&fleet.FinishItem{Item: item, By: "Ana"})
			}
		case 20:
			b.must(placed("T01", "DE"))
		}
		then[at.Format("2006-01-02 15:04")] = b.fitness("T01")
	}
	b.clock.set(day("2027-01-01 08:00"))
	for at, want := range then {
		if got := b.fitnessAt("T01", day(at)); got != want {
			t.Errorf("asked later about %s: %q, on the day it was %q", at, got, want)
		}
	}
}
