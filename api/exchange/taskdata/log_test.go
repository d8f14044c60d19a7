package taskdata_test

import (
	"errors"
	"testing"
	"time"

	"rigledger/api/exchange/taskdata"
	"rigledger/api/exchange/xmlguard"
)

// oneLog is a task with one log and no interval.
func oneLog(tmpl string, bin []byte) files {
	return files{"TASKDATA.XML": []byte(document(tree("DVC-1", boomSprayer, "S-77", 1), job("TSK1", `<TLG A="TLG00001"/>`))),
		"TLG00001.XML": []byte(tmpl), "TLG00001.BIN": bin}
}

func TestATruncatedLogKeepsItsWholeRecords(t *testing.T) {
	// A record of this template: 6 of time, 4+4+4+1+2+2+1+4+2 = 24 of position, 1 of count, 5 of one value: 36 bytes.
	bin := binaryLog(
		row{at: local(8, 0, 0), values: [][2]int64{{0, 1000}}},
		row{at: local(8, 10, 0), values: [][2]int64{{0, 2000}}},
		row{at: local(8, 20, 0), values: [][2]int64{{0, 3000}}})
	if len(bin) != 3*36 {
		t.Fatalf("the builder writes %d bytes, by hand it is 108", len(bin))
	}
	for cut := 1; cut < 36; cut++ {
		rep := read(t, oneLog(template(column(116, 1)), bin[:len(bin)-cut]))
		if got := total(t, rep, taskdata.Area); got.Base != 2000 {
			t.Fatalf("cut %d: %d m², want the 2000 of the second record", cut, got.Base)
		}
		if skipped(rep, "cut off") != 1 {
			t.Fatalf("cut %d: not said: %v", cut, rep.Skipped)
		}
	}
}

func TestAnIndexPastTheTemplateRefusesTheLog(t *testing.T) {
	rep := read(t, oneLog(template(column(116, 1)), binaryLog(
		row{at: local(8, 0, 0), values: [][2]int64{{0, 1000}}},
		row{at: local(8, 10, 0), values: [][2]int64{{1, 2000}}})))
	if n := len(rep.Devices[0].Totals) + len(rep.Devices[0].Readings); n != 0 {
		t.Fatalf("%d values taken of a log that does not fit its template", n)
	}
	if skipped(rep, "log TLG00001: record 1 at byte 36: value index 1") != 1 {
		t.Fatalf("skipped: %v", rep.Skipped)
	}
}

func TestConstantAndAbsentAttributesAreNotInTheBinary(t *testing.T) {
	// Only A, B and D are empty, C is constant, the rest absent: 6 + 4 + 4 + 1 + 1 + 5 = 21 bytes.
	tmpl, err := taskdata.ParseTemplate([]byte(`<TIM A="" D="4"><PTN A="" B="" C="0" D=""/>`+column(116, 1)+`</TIM>`), xmlguard.Bounds{})
	if err != nil {
		t.Fatal(err)
	}
	bin := []byte{
		0x80, 0x8d, 0x5b, 0x00, // 6,000,000 ms = 01:40:00
		0x01, 0x00, // 1980-01-02
		0x00, 0x84, 0xd7, 0x17, // 400,000,000 × 1e-7 = 40°
		0x80, 0x69, 0x67, 0xff, // −10,000,000 × 1e-7 = −1°
		0x04, // status
		0x01, 0x00, 0xd2, 0x04, 0x00, 0x00,
	}
	n := 0
	left, err := tmpl.Scan(bin, func(r taskdata.Record) error {
		n++
		if r.MS != 6_000_000 || r.Days != 1 || r.Lat != 40 || r.Lon != -1 || !r.Fix || len(r.Values) != 1 || r.Values[0].Raw != 1234 {
			t.Errorf("record %+v", r)
		}
		return nil
	})
	if n != 1 || left != 0 || err != nil {
		t.Fatalf("%d records, %d left, %v", n, left, err)
	}
}

func TestTemplatesThatAreNone(t *testing.T) {
	for name, text := range map[string]string{
		"a start time with a value": `<TIM A="2026-05-04T08:00:00Z" D="4"/>`,
		"no start time":             `<TIM D="4"/>`,
		"no TIM":                    `<X/>`,
		"two positions":             `<TIM A=""><PTN A=""/><PTN A=""/></TIM>`,
	} {
		t.Run(name, func(t *testing.T) {
			if _, err := taskdata.ParseTemplate([]byte(text), xmlguard.Bounds{}); !errors.Is(err, taskdata.ErrLog) {
				t.Fatalf("got %v", err)
			}
		})
	}
}

func TestRowsWithoutAFixAndWithAnAbsurdDateDoNotCount(t *testing.T) {
	// The second row is of 1980, the fourth of 2099: both without fix, both ignored, else 99,999 m² of 2099 would be
	// the last. The third has no fix but a time among the others: it counts.
	rep := read(t, oneLog(template(column(116, 1)), binaryLog(
		row{at: local(8, 0, 0), values: [][2]int64{{0, 1000}}},
		row{at: time.Date(1980, 1, 6, 0, 0, 1, 0, summer), noFix: true, values: [][2]int64{{0, 1500}}},
		row{at: local(8, 40, 0), noFix: true, values: [][2]int64{{0, 2000}}},
		row{at: time.Date(2099, 3, 1, 0, 0, 0, 0, summer), noFix: true, values: [][2]int64{{0, 99_999}}})))
	got := total(t, rep, taskdata.Area)
	if got.Base != 2000 || !got.At.Equal(utc(6, 40, 0)) {
		t.Fatalf("got %+v", got)
	}
	if skipped(rep, "absurd date") != 2 {
		t.Errorf("skipped: %v", rep.Skipped)
	}
}

func TestWhatAFixIs(t *testing.T) {
	// One good row, then one of 2099 that counts only if it has a fix.
	late := time.Date(2099, 3, 1, 0, 0, 0, 0, summer)
	for _, c := range []struct {
		name string
		last row
		want int64
	}{
		{"a fix", row{at: late}, 2000},
		{"at 0,0 with a status that claims a fix", row{at: late, zero: true}, 1000},
		{"somewhere with an error for status", row{at: late, status: 14}, 1000},
		{"somewhere with no status at all", row{at: late, status: 15}, 1000},
		{"without one, twenty hours after the last that had one", row{at: local(8, 0, 0).Add(20 * time.Hour), noFix: true}, 2000},
		{"without one, a day and an hour after it", row{at: local(8, 0, 0).Add(25 * time.Hour), noFix: true}, 1000},
		{"without one, twenty hours before it", row{at: local(8, 0, 0).Add(-20 * time.Hour), noFix: true}, 1000},
	} {
		t.Run(c.name, func(t *testing.T) {
			c.last.values = [][2]int64{{0, 2000}}
			if c.last.at.Before(local(8, 0, 0)) {
				c.last.values = [][2]int64{{0, 500}} // it counts, but is not the last
			}
			rep := read(t, oneLog(template(column(116, 1)), binaryLog(row{at: local(8, 0, 0), values: [][2]int64{{0, 1000}}}, c.last)))
			got := total(t, rep, taskdata.Area)
			if got.Base != c.want {
				t.Fatalf("got %+v, want %d", got, c.want)
			}
			if c.last.at.Before(local(8, 0, 0)) && !got.Task.From.Equal(c.last.at) {
				t.Fatalf("the task begins at %v: the row before did not count", got.Task.From)
			}
		})
	}
}

func TestSeveralRecordsInOneMillisecond(t *testing.T) {
	rep := read(t, oneLog(template(column(116, 1), column(271, 1)), binaryLog(
		row{at: local(8, 0, 0), values: [][2]int64{{0, 100}, {1, 500_100}}},
		row{at: local(8, 0, 1), values: [][2]int64{{0, 200}}},
		row{at: local(8, 0, 1), values: [][2]int64{{1, 500_200}}},
		row{at: local(8, 0, 1), values: [][2]int64{{0, 210}, {1, 500_210}}})))
	if got := total(t, rep, taskdata.Area); got.Base != 210 {
		t.Fatalf("got %+v", got)
	}
	rds := rep.Devices[0].Readings
	if len(rds) != 2 || rds[0].Base != 500_100 || rds[1].Base != 500_210 || rds[1].Suspect != "" {
		t.Fatalf("readings %+v", rds)
	}
}

func TestTheClockOfALogIsLocalTime(t *testing.T) {
	t.Run("turned into UTC by the zone", func(t *testing.T) {
		rep := read(t, oneLog(template(column(271, 1)), binaryLog(row{at: local(8, 0, 0), values: [][2]int64{{0, 7}}})))
		if got := rep.Devices[0].Readings[0].At; !got.Equal(utc(6, 0, 0)) {
			t.Fatalf("got %v", got)
		}
	})
	t.Run("a satellite's time wins, and a wrong zone is said", func(t *testing.T) {
		rep := read(t, oneLog(template(column(271, 1)), binaryLog(row{at: local(8, 0, 0), utc: utc(7, 0, 0), values: [][2]int64{{0, 7}}})))
		if got := rep.Devices[0].Readings[0].At; !got.Equal(utc(7, 0, 0)) || skipped(rep, "zone?") != 1 {
			t.Fatalf("got %v, skipped %v", got, rep.Skipped)
		}
	})
	t.Run("no zone, no reading", func(t *testing.T) {
		f := oneLog(template(column(271, 1)), binaryLog(row{at: local(8, 0, 0), values: [][2]int64{{0, 7}}}))
		if _, err := taskdata.Read(f.fs(), nil); !errors.Is(err, taskdata.ErrZone) {
			t.Fatalf("got %v", err)
		}
	})
	t.Run("the hour that comes twice in autumn goes on", func(t *testing.T) {
		// 2026-10-25: at 03:00 summer time clocks go back to 02:00. 02:50 summer is 00:50Z, the 02:10 after it 01:10Z.
		zone, err := time.LoadLocation("Europe/Berlin")
		if err != nil {
			t.Fatal(err)
		}
		wall := func(h, m int) time.Time { return time.Date(2026, 10, 25, h, m, 0, 0, time.UTC) }
		f := oneLog(template(column(271, 1)), binaryLog(
			row{at: wall(2, 50), values: [][2]int64{{0, 7}}}, row{at: wall(2, 10), values: [][2]int64{{0, 8}}}))
		rep, err := taskdata.Read(f.fs(), zone)
		if err != nil {
			t.Fatal(err)
		}
		rds := rep.Devices[0].Readings
		if len(rds) != 2 || !rds[0].At.Equal(wall(0, 50)) || !rds[1].At.Equal(wall(1, 10)) {
			t.Fatalf("got %+v", rds)
		}
	})
}
