package fieldusage_test

import (
	"bytes"
	"fmt"
	"io"
	"reflect"
	"strings"
	"testing"
	"testing/fstest"
	"time"

	"rigledger/api/exchange/fieldusage"
	"rigledger/api/exchange/sheet"
	"rigledger/api/exchange/taskdata"
)

const name = "A00C840012345678"

// report reads task data of one boom sprayer: a device with number DET-1 and the intervals of one task.
func report(t *testing.T, intervals ...string) *taskdata.Report {
	t.Helper()
	doc := `<ISO11783_TaskData VersionMajor="4" VersionMinor="0"><DVC A="DVC-1" D="` + name + `" E="S-77"><DET A="DET-1" B="1" C="1" F="0"/></DVC>` +
		`<PFD A="PFD1" C="Long Acre, \"north\""/><TSK A="TSK1" B="=fungicide" E="PFD1" G="4">` + strings.Join(intervals, "") + `</TSK></ISO11783_TaskData>`
	doc = strings.ReplaceAll(doc, `\"`, "&quot;")
	rep, err := taskdata.Read(fstest.MapFS{"TASKDATA.XML": {Data: []byte(doc)}}, time.UTC)
	if err != nil {
		t.Fatal(err)
	}
	return rep
}

func interval(day string, from, to int, values map[int]int) string {
	out := fmt.Sprintf(`<TIM A="%sT%02d:00:00Z" B="%sT%02d:00:00Z" D="4">`, day, from, day, to)
	for ddi, v := range values {
		out += fmt.Sprintf(`<DLV A="%04X" B="%d" C="DET-1"/>`, ddi, v)
	}
	return out + `</TIM>`
}

func rigOf(k taskdata.Key) (string, bool) {
	rig, ok := map[taskdata.Key]string{{Name: name, Serial: "S-77"}: "S07"}[k]
	return rig, ok
}

func TestRowsByDay(t *testing.T) {
	// Cumulative: 4 May ends at 120,000 m², 2,400 l, 10,000 s; 5 May at 200,000 m², 4,000 l, 17,200 s. So 5 May is
	// 80,000 m² = 8 ha, 1,600 l = 200 l/ha, 7,200 s = 2 h. DDIs: 116 area, 80 volume, 119 effective time.
	rep := report(t, interval("2026-05-04", 8, 11, map[int]int{116: 120_000, 80: 2400, 119: 10_000}),
		interval("2026-05-05", 8, 11, map[int]int{116: 200_000, 80: 4000, 119: 17_200}))
	var b bytes.Buffer
	if err := sheet.WriteCSV(&b, fieldusage.Table(fieldusage.Rows([]*taskdata.Report{rep}, rigOf))); err != nil {
		t.Fatal(err)
	}
	want := "day,rig,device,field,task,hectares,litres,l_ha,hours,suspect\r\n" +
		"2026-05-04,S07,A00C840012345678/S-77,\"Long Acre, \"\"north\"\"\",'=fungicide,12,2400,200,2.78,\r\n" +
		"2026-05-05,S07,A00C840012345678/S-77,\"Long Acre, \"\"north\"\"\",'=fungicide,8,1600,200,2,\r\n"
	if b.String() != want {
		t.Fatalf("got\n%s\nwant\n%s", b.String(), want)
	}
}

func TestATaskInSeveralReportsCountsOnce(t *testing.T) {
	// The first export is of the evening of the 4th, the second of the 5th with the task so far; the first comes twice, and
	// in any order the result is the same.
	one := report(t, interval("2026-05-04", 8, 11, map[int]int{116: 120_000}))
	two := report(t, interval("2026-05-04", 8, 11, map[int]int{116: 120_000}), interval("2026-05-04", 12, 13, map[int]int{116: 150_000}),
		interval("2026-05-05", 8, 11, map[int]int{116: 200_000}))
	want := fieldusage.Rows([]*taskdata.Report{two}, rigOf)
	if len(want) != 2 || want[0].SquareMetres != 150_000 || want[1].SquareMetres != 50_000 {
		t.Fatalf("got %+v", want)
	}
	for _, list := range [][]*taskdata.Report{{one, two}, {two, one}, {one, one, two, two}} {
		if got := fieldusage.Rows(list, rigOf); !reflect.DeepEqual(got, want) {
			t.Errorf("got %+v, want %+v", got, want)
		}
	}
}

func TestWhatIsNotCountedIsNotZero(t *testing.T) {
	rows := fieldusage.Rows([]*taskdata.Report{report(t, interval("2026-05-04", 8, 11, map[int]int{116: 120_000}))}, func(taskdata.Key) (string, bool) { return "", false })
	if len(rows) != 1 || rows[0].Rig != "" || rows[0].Counted != (fieldusage.Counted{Area: true}) {
		t.Fatalf("got %+v", rows)
	}
	if c := fieldusage.Cells(rows[0]); c[6] != nil || c[7] != nil || c[8] != nil {
		t.Errorf("cells %v", c)
	}
}

func TestASuspectTotalMarksItsRow(t *testing.T) {
	rows := fieldusage.Rows([]*taskdata.Report{report(t, interval("2026-05-04", 8, 9, map[int]int{116: 120_000, 119: 90_000}))}, rigOf)
	if len(rows) != 1 || !strings.Contains(rows[0].Suspect, "claims 90000 s") {
		t.Fatalf("got %+v", rows)
	}
}

// FuzzRows: whatever task data can be read can be listed and written, and listing it twice changes nothing.
func FuzzRows(f *testing.F) {
	f.Add([]byte(`<ISO11783_TaskData VersionMajor="4"><DVC A="DVC-1" D="` + name + `"><DET A="DET-1" B="1"/></DVC><TSK A="T">` +
		interval("2026-05-04", 8, 11, map[int]int{116: 5}) + interval("2026-05-05", 8, 11, map[int]int{80: 5}) + `</TSK></ISO11783_TaskData>`))
	f.Fuzz(func(t *testing.T, doc []byte) {
		rep, err := taskdata.Read(fstest.MapFS{"TASKDATA.XML": {Data: doc}}, time.UTC)
		if err != nil {
			return
		}
		rows := fieldusage.Rows([]*taskdata.Report{rep}, rigOf)
		if err := sheet.WriteCSV(io.Discard, fieldusage.Table(rows)); err != nil {
			t.Fatal(err)
		}
		if again := fieldusage.Rows([]*taskdata.Report{rep, rep}, rigOf); !reflect.DeepEqual(rows, again) {
			t.Fatalf("once %+v, twice %+v", rows, again)
		}
	})
}
