package taskdata_test

import (
	"archive/zip"
	"bytes"
	"errors"
	"fmt"
	"io/fs"
	"strings"
	"testing"
	"testing/fstest"
	"time"

	"rigledger/api/exchange/taskdata"
	"rigledger/api/exchange/xmlguard"
)

func plain() string {
	return document(tree("DVC-1", boomSprayer, "S-77", 1),
		job("TSK1", interval("2026-05-04T08:00:00Z", "2026-05-04T09:00:00Z", dlv(116, 12_000, 1)), `<TLG A="TLG00001"/>`))
}

func TestNamesInAnyCaseAndInAFolder(t *testing.T) {
	bin := binaryLog(row{at: local(12, 0, 0), values: [][2]int64{{0, 13_000}}})
	for _, c := range [][3]string{
		{"TASKDATA.XML", "TLG00001.XML", "TLG00001.BIN"},
		{"TASKDATA/TASKDATA.XML", "TASKDATA/TLG00001.XML", "TASKDATA/TLG00001.BIN"},
		{"TaskData/taskdata.xml", "TaskData/tlg00001.xml", "TaskData/Tlg00001.bin"},
		{"export/of/may/Taskdata.Xml", "export/of/may/TLG00001.xml", "export/of/may/tlg00001.BIN"},
	} {
		f := files{c[0]: []byte(plain()), c[1]: []byte(template(column(116, 1))), c[2]: bin, "readme.txt": []byte("-")}
		if got := total(t, read(t, f), taskdata.Area); got.Base != 13_000 {
			t.Errorf("%v: %d", c, got.Base)
		}
		z := f.zip(t)
		rep, err := taskdata.ReadZip(z, z.Size(), summer, taskdata.Limits{})
		if err != nil {
			t.Fatal(err)
		}
		if got := total(t, rep, taskdata.Area); got.Base != 13_000 {
			t.Errorf("zip %v: %d", c, got.Base)
		}
	}
}

func TestAZipWithDotsBeforeItsNames(t *testing.T) {
	z := rawZip(t, func(z *zip.Writer) {
		if _, err := z.Create("./"); err != nil {
			t.Fatal(err)
		}
		entry(t, z, &zip.FileHeader{Name: "./TASKDATA/TASKDATA.XML"}, []byte(plain()))
	})
	rep, err := taskdata.ReadZip(z, z.Size(), summer, taskdata.Limits{})
	if err != nil || total(t, rep, taskdata.Area).Base != 12_000 {
		t.Fatalf("got %+v, %v", rep, err)
	}
}

func TestAMissingLogIsSkippedTheRestIsRead(t *testing.T) {
	rep := read(t, files{"TASKDATA.XML": []byte(plain())})
	if got := total(t, rep, taskdata.Area); got.Base != 12_000 || skipped(rep, "log TLG00001: TLG00001.XML: file is missing") != 1 {
		t.Fatalf("got %+v, skipped %v", got, rep.Skipped)
	}
}

func TestDevicesInAFileOfTheirOwn(t *testing.T) {
	main := document(`<XFR A="DVC00001" B="1"/>`, `<XFR A="../../x" B="1"/>`, job("TSK1", interval("2026-05-04T08:00:00Z", "2026-05-04T09:00:00Z", dlv(116, 12_000, 1))))
	rep := read(t, files{"TASKDATA.XML": []byte(main), "DVC00001.XML": []byte(`<XFC>` + tree("DVC-1", boomSprayer, "S-77", 1) + `</XFC>`)})
	if got := total(t, rep, taskdata.Area); got.Base != 12_000 {
		t.Fatalf("got %+v", got)
	}
	if skipped(rep, `"../../x" is not a file name`) != 1 {
		t.Errorf("skipped %v", rep.Skipped)
	}
}

func TestVersionsAndOtherFiles(t *testing.T) {
	for _, v := range []string{"2", "3", "4"} {
		if _, err := taskdata.Read(files{"TASKDATA.XML": []byte(strings.Replace(plain(), `VersionMajor="4"`, `VersionMajor="`+v+`"`, 1))}.fs(), summer); err != nil {
			t.Errorf("version %s: %v", v, err)
		}
	}
	for name, f := range map[string]files{
		"version 5":      {"TASKDATA.XML": []byte(strings.Replace(plain(), `VersionMajor="4"`, `VersionMajor="5"`, 1))},
		"another root":   {"TASKDATA.XML": []byte(`<Fleet/>`)},
		"cut off":        {"TASKDATA.XML": []byte(plain()[:300])},
		"no such file":   {"OTHER.XML": []byte(plain())},
		"nothing at all": {"TASKDATA.XML": nil},
	} {
		t.Run(name, func(t *testing.T) {
			if _, err := taskdata.Read(f.fs(), summer); !errors.Is(err, taskdata.ErrNotTaskData) {
				t.Fatalf("got %v", err)
			}
		})
	}
}

// rawZip is a zip made entry by entry.
func rawZip(t *testing.T, add func(*zip.Writer)) *bytes.Reader {
	t.Helper()
	var b bytes.Buffer
	z := zip.NewWriter(&b)
	add(z)
	if err := z.Close(); err != nil {
		t.Fatal(err)
	}
	return bytes.NewReader(b.Bytes())
}

func entry(t *testing.T, z *zip.Writer, h *zip.FileHeader, data []byte) {
	t.Helper()
	w, err := z.CreateHeader(h)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := w.Write(data); err != nil {
		t.Fatal(err)
	}
}

func TestUnsafeZipsAreRefused(t *testing.T) {
	link := &zip.FileHeader{Name: "TLG00001.BIN"}
	link.SetMode(fs.ModeSymlink | 0o777)
	locked := &zip.FileHeader{Name: "TLG00001.BIN", Flags: 1}
	zeros := make([]byte, 8<<20) // packs to about 8 KiB: a thousand to one
	small := taskdata.Limits{Entries: 10, EntryBytes: 4 << 20, TotalBytes: 6 << 20, Ratio: 200}
	for _, c := range []struct {
		name string
		lim  taskdata.Limits
		add  func(*zip.Writer)
	}{
		{"a bomb by ratio", taskdata.Limits{}, func(z *zip.Writer) {
			entry(t, z, &zip.FileHeader{Name: "TLG00001.BIN", Method: zip.Deflate}, zeros)
		}},
		{"an entry past the limit", small, func(z *zip.Writer) { entry(t, z, &zip.FileHeader{Name: "TLG00001.BIN", Method: zip.Deflate}, zeros) }},
		{"many that sum up past the limit", small, func(z *zip.Writer) {
			for _, n := range []string{"a", "b", "c"} {
				entry(t, z, &zip.FileHeader{Name: n}, zeros[:3<<20])
			}
		}},
		{"too many entries", small, func(z *zip.Writer) {
			for _, n := range strings.Split("abcdefghijk", "") {
				entry(t, z, &zip.FileHeader{Name: n}, nil)
			}
		}},
		{"a name that is empty", taskdata.Limits{}, func(z *zip.Writer) { entry(t, z, &zip.FileHeader{Name: ".//b"}, nil) }},
		{"a path that climbs", taskdata.Limits{}, func(z *zip.Writer) { entry(t, z, &zip.FileHeader{Name: "../TLG00001.BIN"}, nil) }},
		{"one that climbs in the middle", taskdata.Limits{}, func(z *zip.Writer) { entry(t, z, &zip.FileHeader{Name: "a/../../b"}, nil) }},
		{"one that climbs by the other slash", taskdata.Limits{}, func(z *zip.Writer) { entry(t, z, &zip.FileHeader{Name: `..\b`}, nil) }},
		{"an absolute path", taskdata.Limits{}, func(z *zip.Writer) { entry(t, z, &zip.FileHeader{Name: "/etc/b"}, nil) }},
		{"a drive", taskdata.Limits{}, func(z *zip.Writer) { entry(t, z, &zip.FileHeader{Name: `C:\b`}, nil) }},
		{"a link", taskdata.Limits{}, func(z *zip.Writer) { entry(t, z, link, []byte("/etc/hostname")) }},
		{"an encrypted entry", taskdata.Limits{}, func(z *zip.Writer) { entry(t, z, locked, nil) }},
		{"one name twice", taskdata.Limits{}, func(z *zip.Writer) {
			entry(t, z, &zip.FileHeader{Name: "b"}, nil)
			entry(t, z, &zip.FileHeader{Name: "b"}, nil)
		}},
		{"two sets", taskdata.Limits{}, func(z *zip.Writer) { entry(t, z, &zip.FileHeader{Name: "b/taskdata.xml"}, []byte(plain())) }},
		{"two names that differ in case only", taskdata.Limits{}, func(z *zip.Writer) {
			entry(t, z, &zip.FileHeader{Name: "TLG00001.XML"}, nil)
			entry(t, z, &zip.FileHeader{Name: "tlg00001.xml"}, nil)
		}},
	} {
		t.Run(c.name, func(t *testing.T) {
			z := rawZip(t, func(z *zip.Writer) {
				entry(t, z, &zip.FileHeader{Name: "TASKDATA.XML"}, []byte(plain()))
				c.add(z)
			})
			rep, err := taskdata.ReadZip(z, z.Size(), summer, c.lim)
			if !errors.Is(err, taskdata.ErrRefused) || rep != nil {
				t.Fatalf("got %v, %v", rep, err)
			}
		})
	}
}

func TestAZipWhoseDirectoryLiesIsStopped(t *testing.T) {
	// The directory says the XML has 100 bytes; it unpacks to four mebibytes.
	var packed bytes.Buffer
	z := zip.NewWriter(&packed)
	entry(t, z, &zip.FileHeader{Name: "TASKDATA.XML", Method: zip.Deflate}, []byte(plain()+strings.Repeat(" ", 4<<20)))
	if err := z.Close(); err != nil {
		t.Fatal(err)
	}
	b := packed.Bytes()
	at := bytes.LastIndex(b, []byte("PK\x01\x02")) // central directory: uncompressed size at 24
	copy(b[at+24:], []byte{100, 0, 0, 0})
	rep, err := taskdata.ReadZip(bytes.NewReader(b), int64(len(b)), summer, taskdata.Limits{EntryBytes: 1 << 20})
	if err == nil || rep != nil {
		t.Fatalf("got %v, %v", rep, err)
	}
}

func TestAFolderIsHeldToTheLimitsToo(t *testing.T) {
	f := files{"TASKDATA.XML": []byte(plain()), "TLG00001.XML": []byte(template()), "TLG00001.BIN": make([]byte, 1<<20), "x": nil}
	for name, lim := range map[string]taskdata.Limits{"one file": {EntryBytes: 1<<20 - 1}, "all of them": {TotalBytes: 1<<20 + 100}, "how many": {Entries: 3}} {
		if _, err := taskdata.ReadWithin(f.fs(), summer, lim); !errors.Is(err, taskdata.ErrRefused) {
			t.Errorf("%s: %v", name, err)
		}
	}
}

func TestXMLTricksAreRefused(t *testing.T) {
	for name, text := range map[string]string{
		"an entity from outside":   `<!DOCTYPE a [<!ENTITY x SYSTEM "file:///etc/hostname">]>` + plain(),
		"entities that multiply":   `<!DOCTYPE a [<!ENTITY x "xxxxxxxx"><!ENTITY y "&x;&x;&x;">]>` + plain(),
		"a huge attribute":         strings.Replace(plain(), "Sprayer", strings.Repeat("x", 1<<20), 1),
		"a nest without end":       `<ISO11783_TaskData VersionMajor="4">` + strings.Repeat("<GRP>", 10_000),
		"a document type in a log": "",
	} {
		t.Run(name, func(t *testing.T) {
			f := files{"TASKDATA.XML": []byte(text)}
			if text == "" {
				f = files{"TASKDATA.XML": []byte(plain()), "TLG00001.XML": []byte(`<!DOCTYPE a>` + template()), "TLG00001.BIN": nil}
			}
			if _, err := taskdata.Read(f.fs(), summer); !errors.Is(err, taskdata.ErrRefused) {
				t.Fatalf("got %v", err)
			}
		})
	}
}

func TestTooManyRecordsAreRefused(t *testing.T) {
	bin := binaryLog(make([]row, 11)...)
	f := files{"TASKDATA.XML": []byte(plain()), "TLG00001.XML": []byte(template()), "TLG00001.BIN": bin}
	if _, err := taskdata.ReadWithin(f.fs(), summer, taskdata.Limits{Records: 10}); !errors.Is(err, taskdata.ErrRefused) {
		t.Fatalf("got %v", err)
	}
}

func TestDescriptionsPastTheBoundsAreRefused(t *testing.T) {
	many := func(n int, format string) string {
		var b strings.Builder
		for i := range n {
			fmt.Fprintf(&b, format, i, i+1)
		}
		return b.String()
	}
	for name, text := range map[string]string{
		"devices":  many(201, `<DVC A="DVC-%d" D="A00C84000000%04X" E="S"/>`),
		"tasks":    many(20_001, `<TSK A="TSK%d" B="%d"/>`),
		"elements": `<DVC A="DVC-1" D="` + boomSprayer + `">` + many(1001, `<DET A="DET-%d" B="%d" C="4"/>`) + `</DVC>`,
	} {
		t.Run(name, func(t *testing.T) {
			if _, err := taskdata.Read(files{"TASKDATA.XML": []byte(document(text))}.fs(), summer); !errors.Is(err, taskdata.ErrRefused) {
				t.Fatalf("got %v", err)
			}
		})
	}
}

func TestALargeHostileFileIsReadInSeconds(t *testing.T) {
	// 200 devices of 100 elements each, one task, 100,000 values spread over all of them.
	var devices, values strings.Builder
	for d := range 200 {
		fmt.Fprintf(&devices, `<DVC A="DVC-%d" D="A00C84000000%04X" E="S">`, d+1, d+1)
		for e := range 100 {
			fmt.Fprintf(&devices, `<DET A="DET-%d" B="%d" C="4" F="%d"/>`, d*100+e, e+1, e)
		}
		devices.WriteString(`</DVC>`)
	}
	for v := range 100_000 {
		values.WriteString(dlv(116, int64(v), v%20_000))
	}
	start := time.Now()
	rep := read(t, files{"TASKDATA.XML": []byte(document(devices.String(), job("TSK1", interval("2026-05-04T08:00:00Z", "2026-05-04T09:00:00Z", values.String()))))})
	if took := time.Since(start); len(rep.Devices) != 200 || took > 30*time.Second {
		t.Fatalf("%d devices in %v", len(rep.Devices), took)
	}
}

func TestParentsThatGoInCirclesEnd(t *testing.T) {
	loop := `<DVC A="DVC-1" D="` + boomSprayer + `" E="S"><DET A="DET-1" B="1" C="1" F="2"/><DET A="DET-2" B="2" C="4" F="1"/></DVC>`
	rep, err := taskdata.Read(fstest.MapFS{"TASKDATA.XML": {Data: []byte(document(loop,
		job("TSK1", interval("2026-05-04T08:00:00Z", "2026-05-04T09:00:00Z", dlv(116, 1, 1), dlv(116, 2, 2)))))}}, summer)
	if err != nil || len(rep.Devices) != 1 {
		t.Fatalf("got %v, %v", rep, err)
	}
}

func FuzzReadZip(f *testing.F) {
	good := files{"TASKDATA.XML": []byte(plain()), "TLG00001.XML": []byte(template(column(116, 1), column(271, 1))),
		"TLG00001.BIN": binaryLog(row{at: local(8, 0, 0), values: [][2]int64{{0, 1}, {1, 2}}})}
	z := good.zip(f)
	b := make([]byte, z.Size())
	z.ReadAt(b, 0)
	f.Add(b)
	f.Add([]byte("PK\x05\x06" + strings.Repeat("\x00", 18)))
	lim := taskdata.Limits{Entries: 50, EntryBytes: 1 << 20, TotalBytes: 2 << 20, Records: 50_000, XML: xmlguard.Bounds{Elements: 20_000}}
	f.Fuzz(func(t *testing.T, data []byte) {
		rep, err := taskdata.ReadZip(bytes.NewReader(data), int64(len(data)), summer, lim)
		if (rep == nil) == (err == nil) {
			t.Fatal("neither a report nor an error, or both")
		}
		checkReport(t, rep)
	})
}

// FuzzDocument goes past the zip: the XML itself and a log beside it.
func FuzzDocument(f *testing.F) {
	f.Add([]byte(plain()), []byte(template(column(116, 1), column(271, 1))), binaryLog(row{at: local(8, 0, 0), values: [][2]int64{{0, 1}, {1, 2}}}))
	f.Add([]byte(document(tree("DVC-1", boomSprayer, "S", 1), job("T", interval("2026-05-04T08:00:00", "x", dlv(119, 4, 3), dlv(493, 4, 1))))), []byte(`<TIM A=""/>`), []byte{})
	f.Fuzz(func(t *testing.T, doc, tmpl, bin []byte) {
		m := fstest.MapFS{"TASKDATA.XML": {Data: doc}, "TLG00001.XML": {Data: tmpl}, "TLG00001.BIN": {Data: bin}}
		rep, err := taskdata.ReadWithin(m, summer, taskdata.Limits{Records: 50_000})
		if (rep == nil) == (err == nil) {
			t.Fatal("neither a report nor an error, or both")
		}
		checkReport(t, rep)
	})
}

// checkReport holds what must be true of every report, whatever was read.
func checkReport(t *testing.T, rep *taskdata.Report) {
	if rep == nil {
		return
	}
	for _, d := range rep.Devices {
		for i, r := range d.Readings {
			if r.Base < 0 || r.ID == "" || len(r.Elements) == 0 {
				t.Fatalf("reading %+v", r)
			}
			if i > 0 && d.Readings[i-1].Measure == r.Measure && d.Readings[i-1].At.After(r.At) {
				t.Fatal("readings out of order")
			}
			if i > 0 && d.Readings[i-1].Measure == r.Measure && d.Readings[i-1].Suspect == "" && r.Suspect == "" && d.Readings[i-1].Base > r.Base {
				t.Fatal("a reading falls and is not suspect")
			}
		}
		for _, x := range d.Totals {
			var sum int64
			for _, day := range x.Days {
				if day.Base <= 0 {
					t.Fatalf("day %+v", day)
				}
				sum += day.Base
			}
			if x.Base < 0 || sum > x.Base || x.Fingerprint == "" {
				t.Fatalf("total %+v", x)
			}
		}
	}
}

func FuzzLog(f *testing.F) {
	f.Add([]byte(template(column(116, 1), column(271, 1))), binaryLog(row{at: local(8, 0, 0), values: [][2]int64{{0, 1}, {1, 2}}}))
	f.Add([]byte(`<TIM A=""><PTN A="" B="" D="4"/></TIM>`), []byte{0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13, 0})
	f.Fuzz(func(t *testing.T, text, bin []byte) {
		tmpl, err := taskdata.ParseTemplate(text, xmlguard.Bounds{})
		if err != nil {
			return
		}
		rows := 0
		left, err := tmpl.Scan(bin, func(r taskdata.Record) error {
			rows++
			for _, v := range r.Values {
				if v.Index >= len(tmpl.Values) {
					t.Fatal("an index past the template got through")
				}
			}
			return nil
		})
		if left < 0 || left > len(bin) || rows*7 > len(bin) {
			t.Fatalf("%d rows, %d left of %d bytes", rows, left, len(bin))
		}
		if err != nil && !errors.Is(err, taskdata.ErrLog) {
			t.Fatal(err)
		}
	})
}
