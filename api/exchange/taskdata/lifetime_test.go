package taskdata_test

import (
	"fmt"
	"slices"
	"testing"
	"time"

	"rigledger/api/exchange/taskdata"
)

func TestLifetimeCountersAreReadingsInBaseUnits(t *testing.T) {
	// Resolutions of ISO 11783-11, worked out by hand.
	for _, c := range []struct {
		name    string
		ddi     int
		raw     int64
		measure taskdata.Measure
		base    int64
		unit    string
	}{
		{"215 working hours × 0.05 h: 1000 h = 3,600,000 s", 215, 20_000, taskdata.WorkingTime, 3_600_000, "SEC"},
		{"493 engine hours × 0.1 h: 1234.5 h = 4,444,200 s", 493, 12_345, taskdata.EngineTime, 4_444_200, "SEC"},
		{"337 front PTO hours × 0.1 h: 850.1 h = 3,060,360 s", 337, 8501, taskdata.FrontPTOTime, 3_060_360, "SEC"},
		{"271 area m²", 271, 56_178_000, taskdata.Area, 56_178_000, "MTK"},
		{"272 distance m", 272, 9_876_543, taskdata.EffectiveDistance, 9_876_543, "MTR"},
		{"274 effective time s", 274, 4_521_780, taskdata.EffectiveTime, 4_521_780, "SEC"},
		{"325 volume L: 1,500,000 l = 1,500,000,000 ml", 325, 1_500_000, taskdata.AppliedVolume, 1_500_000_000, "MLT"},
	} {
		t.Run(c.name, func(t *testing.T) {
			rep := read(t, files{"TASKDATA.XML": []byte(document(tree("DVC-1", boomSprayer, "S-77", 1),
				job("TSK1", interval("2026-05-04T08:00:00Z", "2026-05-04T09:00:00Z", dlv(c.ddi, c.raw, 1)))))})
			d := rep.Devices[0]
			if len(d.Readings) != 1 || len(d.Totals) != 0 {
				t.Fatalf("%d readings, %d totals", len(d.Readings), len(d.Totals))
			}
			rd := d.Readings[0]
			if rd.Measure != c.measure || rd.Base != c.base || rd.Quantity.Unit() != c.unit || !rd.At.Equal(utc(9, 0, 0)) || rd.Suspect != "" {
				t.Fatalf("got %+v", rd)
			}
		})
	}
}

func TestLifetimeReadingsAreThinnedToQuarters(t *testing.T) {
	// A row a second for an hour from 08:00:00: kept are the first and the last of each of four quarters, and the row of
	// 09:00:00 that begins the fifth: 6 readings of 3,601.
	var rows []row
	for s := range 3601 {
		rows = append(rows, row{at: local(8, 0, 0).Add(time.Duration(s) * time.Second), values: [][2]int64{{0, int64(1_000_000 + 3*s)}}})
	}
	rep := read(t, oneLog(template(column(271, 1)), binaryLog(rows...)))
	var got []int64
	for _, r := range rep.Devices[0].Readings {
		got = append(got, r.Base-1_000_000)
	}
	want := []int64{0, 3 * 899, 3 * 1799, 3 * 2699, 3 * 3599, 3 * 3600}
	if len(got) != len(want) {
		t.Fatalf("got %v, want %v", got, want)
	}
	for i := range want {
		if got[i] != want[i] {
			t.Fatalf("got %v, want %v", got, want)
		}
	}
}

func TestLifetimeOnTwoHalvesIsTheirSumOnceBothSpoke(t *testing.T) {
	// Left 100,000 at 08:00; right 200,000 at 08:20 → 300,000. Left 101,000 at 09:00:00 and right 202,000 at 09:00:05 are
	// of one quarter: 303,000, and never 301,000.
	rep := read(t, oneLog(template(column(271, 3), column(271, 4)), binaryLog(
		row{at: local(8, 0, 0), values: [][2]int64{{0, 100_000}}},
		row{at: local(8, 20, 0), values: [][2]int64{{1, 200_000}}},
		row{at: local(9, 0, 0), values: [][2]int64{{0, 101_000}}},
		row{at: local(9, 0, 5), values: [][2]int64{{1, 202_000}}})))
	rds := rep.Devices[0].Readings
	if len(rds) != 2 || rds[0].Base != 300_000 || rds[1].Base != 303_000 {
		t.Fatalf("got %+v", rds)
	}
}

func TestLifetimeCountersThatCannotBeAreSuspect(t *testing.T) {
	// Engine hours × 0.1 h: 100.0 h; after one hour 101.0 h (may be); after another 110.0 h (9 h in 1); then 101.5 h:
	// half an hour more than the last one that could be. Area falls by 5 m².
	rep := read(t, oneLog(template(column(493, 1), column(271, 1)), binaryLog(
		row{at: local(8, 0, 0), values: [][2]int64{{0, 1000}, {1, 500}}},
		row{at: local(9, 0, 0), values: [][2]int64{{0, 1010}, {1, 495}}},
		row{at: local(10, 0, 0), values: [][2]int64{{0, 1100}}},
		row{at: local(11, 0, 0), values: [][2]int64{{0, 1015}}})))
	want := map[int64]bool{500: false, 495: true, 360_000: false, 363_600: false, 396_000: true, 365_400: false}
	n := 0
	for _, r := range rep.Devices[0].Readings {
		n++
		if suspect, ok := want[r.Base]; !ok || suspect != (r.Suspect != "") {
			t.Errorf("%s %d at %v: suspect %q", r.Measure, r.Base, r.At, r.Suspect)
		}
	}
	if n != len(want) {
		t.Errorf("%d readings, want %d", n, len(want))
	}
}

func TestDevicesAreTheirNameAndSerialNotTheirLocalID(t *testing.T) {
	one := job("TSK1", interval("2026-05-04T08:00:00Z", "2026-05-04T09:00:00Z", dlv(271, 5000, 1)))
	a := read(t, files{"TASKDATA.XML": []byte(document(tree("DVC-1", boomSprayer, "S-77", 1), one))})
	// Another machine with the same local id and the same values in another file.
	b := read(t, files{"TASKDATA.XML": []byte(document(tree("DVC-1", boomSprayer, "S-78", 1), one))})
	// The first machine again under another local id; its NAME in lower case.
	c := read(t, files{"TASKDATA.XML": []byte(document(tree("DVC-9", "a00c840012345678", "S-77", 1), one))})
	ka, kb, kc := a.Devices[0], b.Devices[0], c.Devices[0]
	if ka.Key == kb.Key || ka.Readings[0].ID == kb.Readings[0].ID || ka.Sources[0].Fingerprint == kb.Sources[0].Fingerprint {
		t.Error("two machines are taken for one")
	}
	if ka.Key != kc.Key || ka.Readings[0].ID != kc.Readings[0].ID || ka.Sources[0].Fingerprint != kc.Sources[0].Fingerprint {
		t.Error("one machine is taken for two")
	}
}

func TestADeviceWithoutANameIsLeftOut(t *testing.T) {
	for _, name := range []string{"", "0000000000000000", "FFFFFFFFFFFFFFFF", "A00C84", "not hexadecimal!"} {
		rep := read(t, files{"TASKDATA.XML": []byte(document(tree("DVC-1", name, "S-77", 1)))})
		if len(rep.Devices) != 0 || skipped(rep, "cannot be told from others") != 1 {
			t.Errorf("NAME %q: %+v", name, rep)
		}
	}
}

func TestWhatIsNotACounterIsSkippedWithItsReason(t *testing.T) {
	rep := read(t, files{"TASKDATA.XML": []byte(document(tree("DVC-1", boomSprayer, "S-77", 1),
		job("TSK1", interval("2026-05-04T08:00:00Z", "2026-05-04T09:00:00Z",
			dlv(70, 24_000, 1), dlv(57_342, 1, 1), dlv(57_400, 1, 1), dlv(9999, 1, 1), dlv(116, -5, 1), dlv(116, 5, 99),
			`<DLV A="zz" B="1" C="DET-1"/>`))))})
	for part, want := range map[string]int{
		"DDI 70 is maximum width, which is not a counter": 1,
		"DDI 57342 is manufacturer-specific":              1,
		"DDI 57400 is manufacturer-specific":              1,
		"DDI 9999 is not one that rigledger takes":        1,
		"a negative counter":                              1,
		"which no device of the file has":                 1,
		"not a number":                                    1,
	} {
		if got := skipped(rep, part); got != want {
			t.Errorf("%q: %d times, want %d; %v", part, got, want, rep.Skipped)
		}
	}
}

func TestTheSameFileTwiceIsRecognised(t *testing.T) {
	f := oneLog(template(column(116, 1), column(271, 1)), binaryLog(
		row{at: local(8, 0, 0), values: [][2]int64{{0, 1000}, {1, 5000}}}, row{at: local(9, 0, 0), values: [][2]int64{{0, 2000}, {1, 6000}}}))
	a := read(t, f)
	z := f.zip(t)
	b, err := taskdata.ReadZip(z, z.Size(), summer, taskdata.Limits{})
	if err != nil {
		t.Fatal(err)
	}
	da, db := a.Devices[0], b.Devices[0]
	if len(da.Sources) != 2 || da.Totals[0].Fingerprint != da.Sources[0].Fingerprint {
		t.Fatalf("sources %+v", da.Sources)
	}
	for i := range da.Sources {
		if da.Sources[i] != db.Sources[i] {
			t.Errorf("zipped: %+v, in a folder: %+v", db.Sources[i], da.Sources[i])
		}
	}
	// One more record is other content: the task and the log have new fingerprints.
	f["TLG00001.BIN"] = append(f["TLG00001.BIN"], binaryLog(row{at: local(9, 10, 0), values: [][2]int64{{0, 2100}}})...)
	c := read(t, f).Devices[0]
	for i := range da.Sources {
		if da.Sources[i].Fingerprint == c.Sources[i].Fingerprint {
			t.Errorf("source %d: other content, same fingerprint", i)
		}
	}
}

// The log's position goes with the lifetime counter of the same row (units of
// 1e-7 degree: ISO 11783-10, PTN A and B); a row without a fix has none.
func TestALifetimeCounterKnowsWhereItWas(t *testing.T) {
	rep := read(t, oneLog(template(column(271, 1)), binaryLog(
		row{at: local(8, 0, 0), values: [][2]int64{{0, 1000}}},
		row{at: local(8, 20, 0), noFix: true, values: [][2]int64{{0, 2000}}},
		row{at: local(8, 40, 0), zero: true, values: [][2]int64{{0, 3000}}},
		row{at: local(9, 0, 0), values: [][2]int64{{0, 4000}}})))
	var got []string
	for _, r := range rep.Devices[0].Readings {
		got = append(got, fmt.Sprint(r.Base, " ", r.Fix, " ", r.Lat, " ", r.Lon))
	}
	want := []string{"1000 true 52 10", "2000 false 0 0", "3000 false 0 0", "4000 true 52 10"}
	if !slices.Equal(got, want) {
		t.Errorf("got %q, want %q", got, want)
	}
}
