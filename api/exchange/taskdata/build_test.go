package taskdata_test

import (
	"archive/zip"
	"bytes"
	"encoding/binary"
	"fmt"
	"strings"
	"testing"
	"testing/fstest"
	"time"

	"rigledger/api/exchange/taskdata"
)

// The fixtures are built here, byte by byte, from ISO 11783-10 as the project's standards sheet gives it. No file of
// a real terminal is in the tests.

// boomSprayer is a NAME of device class 6: its second byte is 6 << 1 = 0x0C.
const boomSprayer = "A00C840012345678"

// tree is a device with a boom of two halves and a tank: object ids 1 (device), 2 (boom), 3 and 4 (halves), 5 (tank).
func tree(local, name, serial string, firstDET int) string {
	det := func(n, object, kind, up int) string {
		return fmt.Sprintf(`<DET A="DET-%d" B="%d" C="%d" D="e%d" E="%d" F="%d"/>`, firstDET+n, object, kind, n, n, up)
	}
	return fmt.Sprintf(`<DVC A="%s" B="Sprayer" D="%s" E="%s" F="00" G="00">%s</DVC>`, local, name, serial,
		det(0, 1, 1, 0)+det(1, 2, 2, 1)+det(2, 3, 4, 2)+det(3, 4, 4, 2)+det(4, 5, 3, 1))
}

func document(inside ...string) string {
	return `<?xml version="1.0" encoding="UTF-8"?><ISO11783_TaskData VersionMajor="4" VersionMinor="2" DataTransferOrigin="2">` +
		strings.Join(inside, "\n") + `</ISO11783_TaskData>`
}

func job(id string, inside ...string) string {
	return `<TSK A="` + id + `" B="Field spraying" E="PFD1" G="4">` + strings.Join(inside, "") + `</TSK>`
}

// interval is a TIM of effective work with values.
func interval(start, stop string, values ...string) string {
	return `<TIM A="` + start + `" B="` + stop + `" D="4">` + strings.Join(values, "") + `</TIM>`
}

func dlv(ddi int, raw int64, det int) string {
	return fmt.Sprintf(`<DLV A="%04X" B="%d" C="DET-%d"/>`, ddi, raw, det)
}

// template has all nine PTN attributes in the binary, then the columns.
func template(columns ...string) string {
	return `<TIM A="" D="4"><PTN A="" B="" C="" D="" E="" F="" G="" H="" I=""/>` + strings.Join(columns, "") + `</TIM>`
}

func column(ddi, det int) string { return fmt.Sprintf(`<DLV A="%04X" B="" C="DET-%d"/>`, ddi, det) }

// row is one binary record under template().
type row struct {
	at     time.Time // local clock: its wall time is written
	noFix  bool
	status byte      // 0: what noFix says
	zero   bool      // at 0,0 whatever the status
	utc    time.Time // satellite time; zero for none
	values [][2]int64
}

var epoch = time.Date(1980, 1, 1, 0, 0, 0, 0, time.UTC)

func days(t time.Time) uint16 {
	d := time.Date(t.Year(), t.Month(), t.Day(), 0, 0, 0, 0, time.UTC)
	return uint16(d.Sub(epoch) / (24 * time.Hour))
}

func msOfDay(t time.Time) uint32 {
	return uint32(((t.Hour()*60+t.Minute())*60+t.Second())*1000 + t.Nanosecond()/1_000_000)
}

func binaryLog(rows ...row) []byte {
	var b []byte
	le := binary.LittleEndian
	for _, r := range rows {
		b = le.AppendUint32(b, msOfDay(r.at))
		b = le.AppendUint16(b, days(r.at))
		lat, lon, status := int32(520_000_000), int32(100_000_000), byte(2)
		if r.noFix {
			lat, lon, status = 0, 0, 0
		}
		if r.zero {
			lat, lon = 0, 0
		}
		if r.status != 0 {
			status = r.status
		}
		b = le.AppendUint32(b, uint32(lat))
		b = le.AppendUint32(b, uint32(lon))
		b = le.AppendUint32(b, 80_000) // mm up
		b = append(b, status)
		b = le.AppendUint16(b, 12) // PDOP
		b = le.AppendUint16(b, 9)  // HDOP
		b = append(b, 11)          // satellites
		if r.utc.IsZero() {
			b = append(b, 0, 0, 0, 0, 0, 0)
		} else {
			b = le.AppendUint32(b, msOfDay(r.utc))
			b = le.AppendUint16(b, days(r.utc))
		}
		b = append(b, byte(len(r.values)))
		for _, v := range r.values {
			b = append(b, byte(v[0]))
			b = le.AppendUint32(b, uint32(int32(v[1])))
		}
	}
	return b
}

// files are the contents of a folder.
type files map[string][]byte

func (f files) fs() fstest.MapFS {
	m := fstest.MapFS{}
	for name, data := range f {
		m[name] = &fstest.MapFile{Data: data}
	}
	return m
}

func (f files) zip(t testing.TB) *bytes.Reader {
	t.Helper()
	var b bytes.Buffer
	z := zip.NewWriter(&b)
	for name, data := range f {
		w, err := z.Create(name)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := w.Write(data); err != nil {
			t.Fatal(err)
		}
	}
	if err := z.Close(); err != nil {
		t.Fatal(err)
	}
	return bytes.NewReader(b.Bytes())
}

// summer is two hours ahead of UTC: a local clock beside Z times.
var summer = time.FixedZone("summer", 2*3600)

func read(t *testing.T, f files) *taskdata.Report {
	t.Helper()
	rep, err := taskdata.Read(f.fs(), summer)
	if err != nil {
		t.Fatal(err)
	}
	return rep
}

// total of the first device, or a failure.
func total(t *testing.T, rep *taskdata.Report, m taskdata.Measure) taskdata.Total {
	t.Helper()
	if len(rep.Devices) == 0 {
		t.Fatal("no device in the report")
	}
	for _, x := range rep.Devices[0].Totals {
		if x.Measure == m {
			return x
		}
	}
	t.Fatalf("no total of %s; skipped: %v", m, rep.Skipped)
	return taskdata.Total{}
}

func skipped(rep *taskdata.Report, part string) int {
	n := 0
	for _, s := range rep.Skipped {
		if strings.Contains(s.Where+": "+s.Why, part) {
			n += s.Count
		}
	}
	return n
}

func utc(h, m, s int) time.Time   { return time.Date(2026, 5, 4, h, m, s, 0, time.UTC) }
func local(h, m, s int) time.Time { return time.Date(2026, 5, 4, h, m, s, 0, summer) }
