package taskdata_test

import (
	"slices"
	"testing"
	"time"

	"rigledger/api/exchange/taskdata"
)

func TestTotalsAreCumulativeOverTheTask(t *testing.T) {
	// Three intervals; the counter stands at 10,000, 25,000 and 40,000 m² at their ends. The task has sprayed
	// 40,000 m² (4 ha), not 75,000. Time: 1,700, 3,500 and 5,200 s.
	rep := read(t, files{"TASKDATA.XML": []byte(document(tree("DVC-1", boomSprayer, "S-77", 1),
		`<PFD A="PFD1" C="Long Acre" D="50000"/>`,
		job("TSK1",
			interval("2026-05-04T08:00:00Z", "2026-05-04T08:30:00Z", dlv(116, 10_000, 1), dlv(119, 1700, 1)),
			interval("2026-05-04T09:00:00Z", "2026-05-04T09:30:00Z", dlv(116, 25_000, 1), dlv(119, 3500, 1)),
			interval("2026-05-05T08:00:00Z", "2026-05-05T08:30:00Z", dlv(116, 40_000, 1), dlv(119, 5200, 1)))))})
	got := total(t, rep, taskdata.Area)
	if got.Base != 40_000 || got.Quantity.Unit() != "MTK" || got.Suspect != "" {
		t.Fatalf("area: %+v", got)
	}
	if want := time.Date(2026, 5, 5, 8, 30, 0, 0, time.UTC); !got.At.Equal(want) {
		t.Errorf("at %v, want %v", got.At, want)
	}
	if want := []taskdata.Day{{"2026-05-04", 25_000}, {"2026-05-05", 15_000}}; !slices.Equal(got.Days, want) {
		t.Errorf("days %v, want %v", got.Days, want)
	}
	if got.Task.Field != "Long Acre" || got.Task.ID != "TSK1" || !got.Task.From.Equal(utc(8, 0, 0)) {
		t.Errorf("task %+v", got.Task)
	}
	if x := total(t, rep, taskdata.EffectiveTime); x.Base != 5200 {
		t.Errorf("time %d s, want 5200", x.Base)
	}
	if d := rep.Devices[0]; d.Class() != taskdata.SprayerClass || d.Key != (taskdata.Key{Name: boomSprayer, Serial: "S-77"}) {
		t.Errorf("device %+v", d.Key)
	}
}

func TestTotalsOnChildrenAddUpOnce(t *testing.T) {
	// Elements: 1 device, 2 boom, 3 and 4 its halves, 5 tank.
	span := func(values ...string) files {
		return files{"TASKDATA.XML": []byte(document(tree("DVC-1", boomSprayer, "S-77", 1),
			job("TSK1", interval("2026-05-04T08:00:00Z", "2026-05-04T09:30:00Z", values...))))}
	}
	for _, c := range []struct {
		name    string
		values  []string
		measure taskdata.Measure
		want    int64
	}{
		// 6,000 + 5,500 m² side by side are 11,500 m².
		{"halves with area add up", []string{dlv(116, 6000, 3), dlv(116, 5500, 4)}, taskdata.Area, 11_500},
		// Both halves worked in the same hour: the longer one counts, not 7,100 s.
		{"halves with time do not", []string{dlv(119, 3500, 3), dlv(119, 3600, 4)}, taskdata.EffectiveTime, 3600},
		// The device says 11,500; its halves are in that.
		{"device and halves: the device", []string{dlv(116, 6000, 3), dlv(116, 11_500, 1), dlv(116, 5500, 4)}, taskdata.Area, 11_500},
		// 2,400 L on the device while the area is on the halves: each measure has its own level.
		{"volume on the device beside them", []string{dlv(116, 6000, 3), dlv(116, 5500, 4), dlv(80, 2400, 1)}, taskdata.AppliedVolume, 2_400_000},
		// DDI 351 is the same in ml: 2,400,350 ml, not 4,800,350.
		{"litres and millilitres of one thing", []string{dlv(80, 2400, 1), dlv(351, 2_400_350, 1)}, taskdata.AppliedVolume, 2_400_350},
		// A device counter that stays at zero while the halves count is not kept by the terminal.
		{"device at zero, halves count", []string{dlv(116, 0, 1), dlv(116, 6000, 3), dlv(116, 5500, 4)}, taskdata.Area, 11_500},
		{"all at zero is zero", []string{dlv(116, 0, 1), dlv(116, 0, 3)}, taskdata.Area, 0},
		// 1,234,567 mm are 1,234.567 m: 1,235.
		{"distance in mm", []string{dlv(117, 1_234_567, 1)}, taskdata.EffectiveDistance, 1235},
		{"fuel in ml", []string{dlv(148, 41_500, 1)}, taskdata.Fuel, 41_500},
		{"PTO time of the task in s", []string{dlv(335, 3000, 1)}, taskdata.FrontPTOTime, 3000},
	} {
		t.Run(c.name, func(t *testing.T) {
			got := total(t, read(t, span(c.values...)), c.measure)
			if got.Base != c.want || got.Suspect != "" {
				t.Fatalf("got %d (suspect %q), want %d", got.Base, got.Suspect, c.want)
			}
		})
	}
}

func TestTheLaterOfIntervalAndLogCounts(t *testing.T) {
	// The interval ends at 10:00Z with 20,000 m². The clock of the log is local (+2).
	doc := document(tree("DVC-1", boomSprayer, "S-77", 1), job("TSK1",
		interval("2026-05-04T08:00:00Z", "2026-05-04T10:00:00Z", dlv(116, 20_000, 1)), `<TLG A="TLG00001" C="1"/>`))
	for _, c := range []struct {
		name string
		last time.Time // local
		raw  int64
		want int64
	}{
		{"the log runs on for five minutes", local(12, 5, 0), 21_000, 21_000},
		{"the log ended five minutes before", local(11, 55, 0), 19_500, 20_000},
		{"both end in the same second: a counter does not fall", local(12, 0, 0), 20_003, 20_003},
		{"both end in the same second, the log is behind", local(12, 0, 0), 19_990, 20_000},
	} {
		t.Run(c.name, func(t *testing.T) {
			rep := read(t, files{"TASKDATA.XML": []byte(doc), "TLG00001.XML": []byte(template(column(116, 1))),
				"TLG00001.BIN": binaryLog(
					row{at: local(10, 0, 0), values: [][2]int64{{0, 0}}},
					row{at: local(11, 0, 0), values: [][2]int64{{0, 9000}}},
					row{at: c.last, values: [][2]int64{{0, c.raw}}})})
			got := total(t, rep, taskdata.Area)
			if got.Base != c.want || got.Suspect != "" {
				t.Fatalf("got %d (%q), want %d", got.Base, got.Suspect, c.want)
			}
		})
	}
}

func TestTotalsThatClaimMoreTimeThanPassedAreSuspect(t *testing.T) {
	for _, c := range []struct {
		name    string
		values  []string
		suspect bool
	}{
		{"an hour in an hour", []string{dlv(119, 3600, 1)}, false},
		{"three minutes over is a step of a counter", []string{dlv(119, 3780, 1)}, false},
		{"two hours in an hour", []string{dlv(119, 7200, 1)}, true},
		// 2,500 + 2,500 s = 5,000 s in 3,600 s: one excludes the other.
		{"effective and ineffective together", []string{dlv(119, 2500, 1), dlv(120, 2500, 1)}, true},
		{"effective and ineffective that fit", []string{dlv(119, 2500, 1), dlv(120, 1000, 1)}, false},
		{"front and rear PTO run side by side", []string{dlv(119, 3500, 1), dlv(335, 3500, 1), dlv(336, 3500, 1)}, false},
	} {
		t.Run(c.name, func(t *testing.T) {
			rep := read(t, files{"TASKDATA.XML": []byte(document(tree("DVC-1", boomSprayer, "S-77", 1),
				job("TSK1", interval("2026-05-04T08:00:00Z", "2026-05-04T09:00:00Z", c.values...))))})
			for _, x := range rep.Devices[0].Totals {
				if !c.suspect && x.Suspect != "" {
					t.Errorf("%s is suspect: %s", x.Measure, x.Suspect)
				}
			}
			if got := total(t, rep, taskdata.EffectiveTime); (got.Suspect != "") != c.suspect {
				t.Fatalf("suspect %q, want suspect %v", got.Suspect, c.suspect)
			}
		})
	}
}

func TestATotalThatFallsWithinItsTaskIsSuspect(t *testing.T) {
	rep := read(t, files{"TASKDATA.XML": []byte(document(tree("DVC-1", boomSprayer, "S-77", 1), job("TSK1",
		interval("2026-05-04T08:00:00Z", "2026-05-04T09:00:00Z", dlv(116, 30_000, 1)),
		interval("2026-05-04T09:00:00Z", "2026-05-04T10:00:00Z", dlv(116, 12_000, 1)))))})
	if got := total(t, rep, taskdata.Area); got.Base != 12_000 || got.Suspect == "" {
		t.Fatalf("got %+v", got)
	}
}

func TestAnIntervalMayBeALittleBehindALog(t *testing.T) {
	// The log ends at 11:59 (09:59Z) with 20,000 m²; the interval ends a minute later. Up to 500 m² less is the lag of a
	// terminal; more is a fall. Days never sum to more than the total.
	for _, c := range []struct {
		raw     int64
		suspect bool
	}{{20_000, false}, {19_500, false}, {19_499, true}, {0, true}, {25_000, false}} {
		rep := read(t, files{"TASKDATA.XML": []byte(document(tree("DVC-1", boomSprayer, "S-77", 1), job("TSK1",
			interval("2026-05-04T08:00:00Z", "2026-05-04T10:00:00Z", dlv(116, c.raw, 1)), `<TLG A="TLG00001"/>`))),
			"TLG00001.XML": []byte(template(column(116, 1))),
			"TLG00001.BIN": binaryLog(row{at: local(10, 0, 0), values: [][2]int64{{0, 0}}}, row{at: local(11, 59, 0), values: [][2]int64{{0, 20_000}}})})
		got := total(t, rep, taskdata.Area)
		var sum int64
		for _, d := range got.Days {
			sum += d.Base
		}
		if got.Base != c.raw || (got.Suspect != "") != c.suspect || sum != c.raw {
			t.Errorf("%d m²: %+v, days sum to %d", c.raw, got, sum)
		}
	}
}

func TestPlannedIntervalsAreNotWorkDone(t *testing.T) {
	rep := read(t, files{"TASKDATA.XML": []byte(document(tree("DVC-1", boomSprayer, "S-77", 1), job("TSK1",
		`<TIM A="2026-05-03T08:00:00Z" B="2026-05-03T18:00:00Z" D="1">`+dlv(116, 99_000, 1)+`</TIM>`,
		interval("2026-05-04T08:00:00Z", "2026-05-04T09:00:00Z", dlv(116, 12_000, 1)))))})
	if got := total(t, rep, taskdata.Area); got.Base != 12_000 || !got.Task.From.Equal(utc(8, 0, 0)) {
		t.Fatalf("got %+v", got)
	}
	if skipped(rep, "planned") != 1 {
		t.Errorf("skipped: %v", rep.Skipped)
	}
}

func TestATaskBegunInAnEarlierFileGivesOnlyThisFilesDays(t *testing.T) {
	// The first record already has 50,000 m² on the counter: they belong to days of an earlier export. The total stays
	// cumulative (62,000); the day gets the 12,000 of this file.
	rep := read(t, files{"TASKDATA.XML": []byte(document(tree("DVC-1", boomSprayer, "S-77", 1), job("TSK1", `<TLG A="TLG00001"/>`))),
		"TLG00001.XML": []byte(template(column(116, 1), column(119, 1))),
		"TLG00001.BIN": binaryLog(
			row{at: local(10, 0, 0), values: [][2]int64{{0, 50_000}, {1, 9000}}},
			row{at: local(10, 20, 0), values: [][2]int64{{0, 55_000}, {1, 10_100}}},
			row{at: local(11, 0, 0), values: [][2]int64{{0, 62_000}, {1, 12_000}}})})
	got := total(t, rep, taskdata.Area)
	if want := []taskdata.Day{{"2026-05-04", 12_000}}; got.Base != 62_000 || !slices.Equal(got.Days, want) {
		t.Fatalf("got %+v", got)
	}
	// 12,000 − 9,000 = 3,000 s in an hour is not suspect, though 12,000 s would be.
	if x := total(t, rep, taskdata.EffectiveTime); x.Suspect != "" {
		t.Errorf("suspect: %s", x.Suspect)
	}
}

func TestACounterThatRestartsHigherIsTakenAsItStands(t *testing.T) {
	// The first log ends at 10,000 m², the second begins at 10,400: the counter went on between them. Last is last: 18,000.
	rep := read(t, files{"TASKDATA.XML": []byte(document(tree("DVC-1", boomSprayer, "S-77", 1), job("TSK1", `<TLG A="TLG00001"/>`, `<TLG A="TLG00002"/>`))),
		"TLG00001.XML": []byte(template(column(116, 1))), "TLG00002.XML": []byte(template(column(116, 1))),
		"TLG00001.BIN": binaryLog(row{at: local(8, 0, 0), values: [][2]int64{{0, 0}}}, row{at: local(9, 0, 0), values: [][2]int64{{0, 10_000}}}),
		"TLG00002.BIN": binaryLog(row{at: local(10, 0, 0), values: [][2]int64{{0, 10_400}}}, row{at: local(11, 0, 0), values: [][2]int64{{0, 18_000}}})})
	got := total(t, rep, taskdata.Area)
	if got.Base != 18_000 || got.Suspect != "" || len(got.Notes) != 1 {
		t.Fatalf("got %+v", got)
	}
}
