package taskdata_test

import (
	"testing"
	"time"

	"rigledger/api/exchange/taskdata"
)

// dayLog is a long day: a record a second for ten hours, eight counters in each.
func dayLog() files {
	rows := make([]row, 36_000)
	for s := range rows {
		at := local(6, 0, 0).Add(time.Duration(s) * time.Second)
		n := int64(s)
		rows[s] = row{at: at, values: [][2]int64{{0, 8 * n}, {1, n}, {2, 0}, {3, n * 2}, {4, 20_000 + n/180}, {5, 5_000_000 + 8*n}, {6, 36_000 + n/360}, {7, 24_000}}}
	}
	return oneLog(template(column(116, 1), column(119, 1), column(120, 1), column(80, 1), column(215, 1), column(271, 1), column(493, 1), column(70, 1)), binaryLog(rows...))
}

func TestALongDay(t *testing.T) {
	// After 35,999 s: 287,992 m² (28.8 ha), 35,999 s; engine at 36,000 + 99 = 36,099 tenths of an hour. Each of three lifetime
	// counters: the first record and 40 quarters of an hour.
	rep := read(t, dayLog())
	if got := total(t, rep, taskdata.Area); got.Base != 287_992 || got.Suspect != "" {
		t.Fatalf("area %+v", got)
	}
	if got := total(t, rep, taskdata.EffectiveTime); got.Base != 35_999 || got.Suspect != "" {
		t.Fatalf("time %+v", got)
	}
	n := 0
	for _, r := range rep.Devices[0].Readings {
		if r.Suspect != "" {
			t.Errorf("suspect %+v", r)
		}
		if r.Measure == taskdata.EngineTime {
			n++
		}
	}
	if last := rep.Devices[0].Readings[2*41-1]; n != 41 || last.Base != 36_099*360 {
		t.Fatalf("%d readings of the engine, the last %+v", n, last)
	}
}

func BenchmarkADay(b *testing.B) {
	f := dayLog()
	fsys := f.fs()
	b.SetBytes(int64(len(f["TLG00001.BIN"])))
	b.ReportAllocs()
	for b.Loop() {
		if _, err := taskdata.Read(fsys, summer); err != nil {
			b.Fatal(err)
		}
	}
}
