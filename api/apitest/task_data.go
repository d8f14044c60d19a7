package apitest

import (
	"archive/zip"
	"bytes"
	"fmt"
	"strings"
	"testing"
)

// Device is a NAME of device class 6, sprayers: its second byte is 6 << 1.
const Device = "A00C840012345678"

// Zip is a zip with one file in it.
func Zip(t *testing.T, name, text string) []byte {
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

// DLV is a value of the device; the raw number is as in the dictionary of ISO 11783-11.
func DLV(ddi, raw int) string { return fmt.Sprintf(`<DLV A="%04X" B="%d" C="DET-1"/>`, ddi, raw) }

// TaskDataText is task data of one device and one task; values are the DLVs of its only interval.
func TaskDataText(values ...string) string {
	return `<ISO11783_TaskData VersionMajor="4" VersionMinor="2"><DVC A="DVC-1" B="Sprayer" D="` + Device + `" E="SN-7"><DET A="DET-1" B="1" C="1" D="whole" E="1" F="0"/></DVC>` +
		`<TSK A="TSK1" B="Field spraying" G="4"><TIM A="2026-05-03T06:00:00Z" B="2026-05-03T07:00:00Z" D="4">` + strings.Join(values, "") + `</TIM></TSK></ISO11783_TaskData>`
}
