package api

import (
	"archive/zip"
	"bytes"
	"fmt"
	"strings"
	"testing"
)

// device is a NAME of device class 6, sprayers: its second byte is 6 << 1.
const device = "A00C840012345678"

// zipOf is a zip with one file in it.
func zipOf(t *testing.T, name, text string) []byte {
	t.Helper()
	var out bytes.Buffer
	z := zip.NewWriter(&out)
	w, err := z.Create(name)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := w.Write([]byte(text)); err != nil {
		t.Fatal(err)
	}
	if err := z.Close(); err != nil {
		t.Fatal(err)
	}
	return out.Bytes()
}

// dlv is a value of the device; the raw number is as in the dictionary of ISO 11783-11.
func dlv(ddi, raw int) string { return fmt.Sprintf(`<DLV A="%04X" B="%d" C="DET-1"/>`, ddi, raw) }

// taskDataText is task data of one device and one task; values are the DLVs of its only interval.
func taskDataText(values ...string) string {
	return `<ISO11783_TaskData VersionMajor="4" VersionMinor="2"><DVC A="DVC-1" B="Sprayer" D="` + device + `" E="SN-7"><DET A="DET-1" B="1" C="1" D="whole" E="1" F="0"/></DVC>` +
		`<TSK A="TSK1" B="Field spraying" G="4"><TIM A="2026-05-03T06:00:00Z" B="2026-05-03T07:00:00Z" D="4">` + strings.Join(values, "") + `</TIM></TSK></ISO11783_TaskData>`
}
