package command

import (
	"strings"
	"testing"
)

// FuzzReadings feeds the CSV reader anything: it must refuse with words or give
// rows that have every column.
func FuzzReadings(f *testing.F) {
	for _, seed := range []string{
		"rig,time,meter,value,unit\nT01,2026-05-04T06:00:00Z,pump,10,HUR\n",
		"\ufeffRig, Time ,meter,value,unit,id\nT01,2026-05-04T06:00:00Z,pump,1e400,HUR,1:1\n",
		"rig,time\n", "", "rig,time,meter,value,unit\n\"open", "rig,rig,time,meter,value,unit\na,b,c,d,e,f\n",
	} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, text string) {
		rows, err := parseCSV("file", strings.NewReader(text))
		if err == nil && len(rows) == 0 {
			t.Error("neither rows nor an error")
		}
		for _, row := range rows {
			for _, column := range readingsHeader[:5] {
				if _, ok := row.fields[column]; !ok {
					t.Errorf("line %d lacks %s", row.line, column)
				}
			}
			if row.line < 1 {
				t.Errorf("line %d", row.line)
			}
		}
	})
}

// FuzzFleet feeds the fleet file's reader anything.
func FuzzFleet(f *testing.F) {
	for _, seed := range []string{
		`[{"rig":"T01","name":"x","class":"trailed","yard":"north","width_m":24,"tank_l":3500}]`,
		"{\"rig\":\"T01\"}\n{\"rig\":\"T02\",\"meters\":[{\"meter\":\"pump\",\"quantity\":\"hours\",\"value\":1e309}]}", "[null]", "null", `[[{}]]`, "",
	} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, text string) {
		rows, err := parseRigs("file", strings.NewReader(text))
		if err == nil && len(rows) == 0 {
			t.Error("neither rows nor an error")
		}
		for i, r := range rows {
			if r == nil {
				t.Errorf("row %d is nothing", i)
			}
		}
	})
}
