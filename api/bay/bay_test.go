package bay_test

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"mime/multipart"
	"net/http"
	"strings"
	"testing"
	"time"

	"rigledger/api"
	"rigledger/api/apitest"
	"rigledger/api/bay"
	"rigledger/events"
	"rigledger/fleet"
)

// A rig under the law of a place goes fit, is stopped by a failed gauge, is
// repaired and retested, and loses its certificate at local midnight.
func TestTheTestBayOnARunningService(t *testing.T) {
	h := apitest.New(t)
	body := apitest.RigBody("T01", "north")
	body["first_use"] = "2019-03-10"
	h.Send("manager", "POST", "/v1/rigs", body).Is(201)
	h.Send("reader", "GET", "/v1/rigs/T01/fitness", nil).Is(200).Has("/state", "do not use").Has("/reasons/0/code", "overdue-statutory-task")
	h.Send("manager", "POST", "/v1/rigs/T01/place", apitest.Obj{"place": "uk", "first_purchase": "2019-03-01"}).Is(200).
		Has("/place", "UK").Has("/next_inspection/overdue", true).Has("/next_inspection/strictest/0", "uk")
	h.Send("reader", "GET", "/v1/rigs/T01/fitness", nil).Is(200).Has("/reasons/0/code", "certificate-missing")

	// Entered late: it corrects the past.
	pdf := append([]byte("%PDF-1.7\n"), bytes.Repeat([]byte("x"), 1<<20+1<<19)...)
	file := h.Send("operator", "POST", "/v1/files?name=certificate.pdf", pdf, "Content-Type", "application/pdf").Is(201).Has("/type", "application/pdf")
	hash := file.At("/file").(string)
	h.Send("reader", "GET", "/v1/rigs/T01/fitness?at=2026-05-03T12:00:00Z", nil).Is(200).Has("/asked_about", "past")
	cert := h.Send("workshop", "POST", "/v1/certificates", apitest.Obj{
		"rig": "T01", "number": "4711", "sticker": "26-1", "tester": "L. Licensed", "inspected": "2023-06-15", "file": hash,
	}).Is(201).Has("/inspected", "2023-06-15").Has("/at", "2023-06-14T22:00:00Z")
	h.Send("reader", "GET", "/v1/rigs/T01/fitness", nil).Is(200).Has("/state", "fit")
	got := h.Send("reader", "GET", "/v1/files/"+hash, nil).Is(200)
	if !bytes.Equal(got.Body, pdf) || got.Header.Get("Content-Type") != "application/pdf" || !strings.HasPrefix(got.Header.Get("Content-Disposition"), "attachment") {
		t.Errorf("the file came back as %d bytes of %s, %s", len(got.Body), got.Header.Get("Content-Type"), got.Header.Get("Content-Disposition"))
	}

	// Failed gauge.
	h.Pass(time.Hour)
	failed := h.Send("workshop", "POST", "/v1/inspections", apitest.Obj{
		"rig": "T01", "tester": "B. Bench", "sheet": apitest.Obj{"measured": apitest.Obj{"gauge_error": apitest.Obj{"readings": []apitest.Obj{{"master_bar": 1.5, "gauge_bar": 1.8}}}}},
		"instruments": []apitest.Obj{{"name": "master gauge", "checked_until": "2027-01-31"}},
	}).Is(201).Has("/outcome", "fail").Has("/failed/0", "gauge_error").Has("/defects/0/safety", true).Has("/defects/0/open", true).
		Has("/ruleset", "iso-16122-2-2015").Has("/edition", "2015")
	first := failed.At("/inspection").(string)
	h.Send("reader", "GET", "/v1/rigs/T01", nil).Is(200).Has("/fitness/state", "do not use").Has("/test_bay/place", "UK").Has("/test_bay/inspect_by", "2026-06-15").Has("/test_bay/days_left", 42).Has("/test_bay/certificate/number", "4711")
	h.Send("reader", "GET", "/v1/defects/"+failed.At("/defects/0/defect").(string), nil).Is(200).Has("/code", "gauge_error").Has("/safety", true).Has("/inspection", first)

	// Repaired and retested.
	h.Pass(time.Hour)
	h.Send("workshop", "POST", "/v1/inspections", apitest.Obj{
		"rig": "T01", "tester": "B. Bench", "retest_of": first, "sheet": apitest.Obj{"measured": apitest.Obj{"gauge_error": apitest.Obj{"readings": []apitest.Obj{{"master_bar": 1.5, "gauge_bar": 1.55}}}}},
	}).Is(201).Has("/outcome", "incomplete").Has("/retested/0", "gauge_error")
	h.Send("reader", "GET", "/v1/rigs/T01/fitness", nil).Is(200).Has("/state", "fit").Has("/reasons/0", nil)
	h.Send("reader", "GET", "/v1/inspections/"+first, nil).Is(200).Has("/defects/0/open", false)
	kinds := strings.Join(h.Send("reader", "GET", "/v1/rigs/T01/timeline?limit=500&kind=rig.registered,rig.placed,certificate.issued,inspection.judged,defect.reported,defect.cleared", nil).Is(200).Names("/timeline", "kind"), " ")
	if kinds != "defect.cleared inspection.judged defect.reported inspection.judged certificate.issued rig.placed rig.registered" {
		t.Errorf("the timeline is %s", kinds)
	}
	h.Send("reader", "GET", "/v1/inspections?outcome=fail&rig=T01", nil).Is(200).Has("/inspections/0/inspection", first).Has("/inspections/1", nil)

	// Records verify; one changed digit and they do not.
	for _, path := range []string{"/v1/inspections/" + first + "/record", "/v1/rigs/T01/record"} {
		record := h.Send("reader", "GET", path, nil).Is(200)
		if _, err := fleet.VerifyRecord(context.Background(), h.Store, apitest.Zone, record.Body); err != nil {
			t.Errorf("%s: %v", path, err)
		}
		at := bytes.Index(record.Body, []byte("1.8"))
		if at < 0 {
			t.Fatalf("%s does not hold the reading: %s", path, record.Body)
		}
		bad := bytes.Clone(record.Body)
		bad[at+2] = '9'
		if _, err := fleet.VerifyRecord(context.Background(), h.Store, apitest.Zone, bad); err == nil {
			t.Errorf("%s verifies with the gauge's reading changed", path)
		}
	}

	// The certificate ends at local midnight of 15 June 2026: two hours ahead of UTC.
	h.Send("reader", "GET", "/v1/rigs/T01/fitness?at=2026-06-15", nil).Is(200).Has("/asked_about", "future").Has("/at", "2026-06-15T21:59:59.999Z")
	ends := func(path string) (found bool) {
		for _, code := range h.Send("reader", "GET", path, nil).Is(200).Names("/reasons", "code") {
			found = found || code == "certificate-expired"
		}
		return found
	}
	for path, want := range map[string]bool{"?at=2026-06-15": false, "?at=2026-06-15T21:59:59Z": false, "?at=2026-06-15T22:00:00Z": true, "?at=2026-06-16": true} {
		if got := ends("/v1/rigs/T01/fitness" + path); got != want {
			t.Errorf("asked ahead with %s: expired %v, want %v", path, got, want)
		}
	}
	h.SetClock(time.Date(2026, 6, 15, 21, 59, 59, 0, time.UTC))
	if ends("/v1/rigs/T01/fitness") {
		t.Error("expired a second before midnight")
	}
	h.Pass(time.Second)
	if !ends("/v1/rigs/T01/fitness") {
		t.Error("not expired at midnight")
	}
	h.Send("workshop", "POST", cert.Header.Get("Location")+"/withdraw", apitest.Obj{"reason": "x"}).Is(403)
	h.Send("manager", "POST", cert.Header.Get("Location")+"/withdraw", apitest.Obj{"reason": "another machine"}).Is(200).Has("/withdrawn/reason", "another machine")
	h.Send("reader", "GET", "/v1/certificates?rig=T01", nil).Is(200).Has("/certificates/0/number", "4711")
}

func TestHandoverOpensThePumpAndCalibrationEndsTheWork(t *testing.T) {
	h := apitest.New(t)
	h.Register("T01", "north")
	h.Send("workshop", "POST", "/v1/rigs/T01/readings", apitest.Reading(h.Now().Add(-time.Hour), 12, 80)).Is(200)
	h.Pass(40 * 24 * time.Hour)
	h.Send("workshop", "POST", "/v1/rigs/T01/readings", apitest.Reading(h.Now().Add(-time.Hour), 500, 3000)).Is(200)
	h.Raise()
	item := "/v1/items/T01-pump.pump-diaphragms.1"
	shown := strings.Join(h.Send("reader", "GET", item, nil).Is(200).Names("/cautions", "kind"), " ")
	if shown != "any pump-pto pressure contaminated" {
		t.Errorf("the cautions shown are %s", shown)
	}
	start := apitest.Obj{"by": "A. Example", "cautions_read": true}
	if got := h.Send("workshop", "POST", item+"/start", apitest.Obj{"by": "A. Example"}).Is(422).Bad(); got != "/cautions_read" {
		t.Errorf("names %s", got)
	}
	h.Send("workshop", "POST", item+"/start", start).Is(403).Has("/type", "/problems/rule-forbids")
	if got := h.Send("operator", "POST", "/v1/rigs/T01/handover", apitest.Obj{"rinsed": true, "washed_outside": false, "last_products": []string{"Clearwater 20"}, "signed_by": "O"}).Is(422).Bad(); got != "/washed_outside" {
		t.Errorf("names %s", got)
	}
	h.Send("reader", "GET", "/v1/rigs/T01/handover", nil).Is(200).Has("/clean", false)
	h.Send("operator", "POST", "/v1/rigs/T01/handover", apitest.Obj{"rinsed": true, "washed_outside": true, "last_products": []string{"Clearwater 20"}, "signed_by": "O. Example"}).Is(201).
		Has("/clean", true).Has("/handovers/0/signed_by", "O. Example")
	h.Send("workshop", "POST", item+"/start", start).Is(200).Has("/stage", "in-hand")
	h.Send("reader", "GET", "/v1/rigs/T01/timeline?kind=item.started", nil).Is(200).Has("/timeline/0/fact/worker", "A. Example").Has("/timeline/0/fact/cautions/3", "contaminated")
	h.Send("workshop", "POST", item+"/finish", apitest.Obj{"by": "A. Example"}).Is(200)
	stops := func() string {
		codes := strings.Join(h.Send("reader", "GET", "/v1/rigs/T01/fitness", nil).Is(200).Names("/reasons", "code"), " ")
		return fmt.Sprint(strings.Contains(codes, "calibration-required"))
	}
	if stops() != "true" {
		t.Error("the diaphragms were changed, and no calibration is asked for")
	}
	h.Pass(time.Hour)
	cal := h.Send("operator", "POST", "/v1/calibrations", apitest.Obj{
		"rig": "T01", "nozzle": "blue", "tester": "O. Example", "bar": 3, "flows_l_min": []any{1.21, 1.19, 1.24, 1.18, 1.2, 1.2, 1.22, 1.17},
		"course": apitest.Obj{"course_m": 100, "seconds": 45}, "spacing_m": 0.5, "target_l_ha": 180,
	}).Is(201).Has("/outcome", "pass").Has("/km_h", 8).Has("/nominal_l_min", 1.2).Has("/worst_nozzle/position", 3)
	h.Send("reader", "GET", "/v1/rigs/T01", nil).Is(200).Has("/test_bay/last_calibration/worst_nozzle/position", 3).
		Has("/test_bay/nozzles/worst_nozzle/position", 3).Has("/test_bay/nozzles/inspection", nil)
	if stops() != "false" {
		t.Error("calibrated, and another calibration is asked for")
	}
	h.Send("reader", "GET", cal.Header.Get("Location")+"/record", nil).Is(200).Has("/calibration/tester", "O. Example")
	h.Send("operator", "GET", cal.Header.Get("Location")+"/record", nil).Is(403)
	h.Send("operator", "POST", "/v1/calibrations", apitest.Obj{
		"rig": "T01", "tester": "O", "bar": 3, "flows_l_min": []any{1.2, nil, 1.2}, "km_h": 8, "spacing_m": 0.5,
	}).Is(201).Has("/outcome", "incomplete").Has("/flows_l_min/1", nil)
	if got := h.Send("operator", "POST", "/v1/calibrations", apitest.Obj{
		"rig": "T01", "tester": "O", "bar": 3, "flows_l_min": []any{1.2, -1}, "km_h": 8, "spacing_m": 0.5,
	}).Is(422).Bad(); got != "/flows_l_min/1" {
		t.Errorf("names %s", got)
	}
}

func TestCalculatorsAnswerAsWritten(t *testing.T) {
	h := apitest.New(t)
	for _, tc := range []struct {
		path string
		body any
		want map[string]any // pointer → value
	}{
		// The issue's own examples and trade.md sections 2 and 3.
		{"rate", apitest.Obj{"l_min": 1.3, "km_h": 8, "spacing_m": 0.5}, apitest.Obj{"/l_ha": 195}},
		{"rate", apitest.Obj{"l_ha": 144, "km_h": 10, "spacing_m": 0.5}, apitest.Obj{"/l_min": 1.2}},
		{"rate", apitest.Obj{"l_ha": 195, "l_min": 1.3, "spacing_m": 0.5}, apitest.Obj{"/km_h": 8}},
		{"flow", apitest.Obj{"l_min": 1.2, "bar": 3, "at_bar": 2}, apitest.Obj{"/l_min": 0.9798}},
		{"flow", apitest.Obj{"l_min": 1.2, "bar": 3, "at_l_min": 1.0}, apitest.Obj{"/bar": 2.0833}},
		{"catch", apitest.Obj{"nominal_l_min": 1.2, "flows_l_min": []any{1.21, 1.19, 1.24, 1.18, 1.33, 1.20, 1.22, 1.17}},
			apitest.Obj{"/mean_l_min": 1.2175, "/cv_percent": 4.1592, "/nozzles/4/from_nominal_percent": 10.8333, "/nozzles/4/from_mean_percent": 9.2402, "/nozzles/4/verdict": "fail", "/nozzles/0/verdict": "pass", "/change/0": 5}},
		{"catch", apitest.Obj{"flows_l_min": []any{1.0, nil, 1.0}}, apitest.Obj{"/nozzles/1/verdict": "not_done", "/missing/0": 2, "/verdict": "incomplete", "/judged_against": "mean"}},
		{"gauge", apitest.Obj{"points": []apitest.Obj{{"master_bar": 1.5, "read_bar": 1.8}}}, apitest.Obj{"/points/0/error_bar": 0.3, "/points/0/limit_bar": 0.2, "/points/0/verdict": "fail", "/verdict": "fail"}},
		{"gauge", apitest.Obj{"points": []apitest.Obj{{"master_bar": 5, "read_bar": 5.5}}}, apitest.Obj{"/points/0/limit_bar": 0.5, "/verdict": "pass"}},
		{"rinse", apitest.Obj{"residual_l": 30, "water_l": 300, "portions": 1}, apitest.Obj{"/dilution": 11}},
		{"rinse", apitest.Obj{"residual_l": 30, "water_l": 300, "portions": 2}, apitest.Obj{"/dilution": 36}},
		{"rinse", apitest.Obj{"residual_l": 30, "water_l": 300, "portions": 3}, apitest.Obj{"/dilution": 81.3704}}, // (1+100/30)³ = 81.370…; the issue and trade.md print 81
		{"rinse", apitest.Obj{"residual_l": 30, "water_l": 300, "wanted_dilution": 36}, apitest.Obj{"/portions": 2}},
		{"rinse", apitest.Obj{"residual_l": 30, "portions": 2, "wanted_dilution": 36}, apitest.Obj{"/water_l": 300}},
		{"capacity", apitest.Obj{"km_h": 12, "width_m": 24, "efficiency": 0.65}, apitest.Obj{"/ha_h": 18.72}},
		{"capacity", apitest.Obj{"mph": 6, "width_ft": 60, "efficiency": 0.68}, apitest.Obj{"/ac_h": 29.6727}}, // Iowa State A3-24 prints 29.7
		{"course", apitest.Obj{"course_m": 100, "seconds": 45}, apitest.Obj{"/km_h": 8}},
		{"course", apitest.Obj{"spacing_in": 20}, apitest.Obj{"/course_ft": 204.1875}}, // Ohio State FABE-520 prints 204
		{"nozzle", apitest.Obj{"nozzle": "blue", "bar": 3}, apitest.Obj{"/l_min": 1.2, "/nozzle": "03"}},
		{"units", apitest.Obj{"value": 1, "from": "gal_ac"}, apitest.Obj{"/l_ha": 9.354}},
		{"wear", apitest.Obj{"nominal_l_min": 1.2, "flows_l_min": []any{1.34, 1.2, 1.2}, "each_minor": 650, "set_minor": 1500}, apitest.Obj{"/change/0": 1, "/singles_minor": 650, "/set_cheaper": false}},
		{"speed-range", apitest.Obj{"l_ha": 180, "spacing_m": 0.5, "l_min": 1.2, "at_bar": 3, "low_bar": 3, "high_bar": 12}, apitest.Obj{"/lowest_km_h": 8, "/highest_km_h": 16}},
		{"distribution", apitest.Obj{"gutters_ml": []any{100, 100, 100}}, apitest.Obj{"/cv_percent": 0, "/verdict": "pass"}},
		{"boom-height", apitest.Obj{"width_m": 36, "heights_cm": []any{50, 68}, "target_cm": 50}, apitest.Obj{"/verdicts/1/limit": 18, "/verdict": "pass"}},
		{"pressure-drop", apitest.Obj{"gauge_point_bar": 3, "section_end_bar": []any{2.6}}, apitest.Obj{"/verdict": "fail"}},
		{"section-balance", apitest.Obj{"inlet_bar": []any{3, 3}}, apitest.Obj{"/verdict": "pass"}},
		{"section-closed", apitest.Obj{"working_bar": 3, "closed_bar": []any{3.3}}, apitest.Obj{"/verdict": "pass"}},
		{"pump", apitest.Obj{"measured_l_min": 180, "nominal_l_min": 200}, apitest.Obj{"/verdict": "pass"}},
		{"pulsation", apitest.Obj{"working_bar": 3, "lowest_bar": 2.6, "highest_bar": 3.2}, apitest.Obj{"/verdict": "fail"}},
		{"air-chamber", apitest.Obj{"working_bar": 3, "charge_bar": 1.5}, apitest.Obj{"/verdict": "pass"}},
		{"flow-meter", apitest.Obj{"indicated_l_min": 106, "reference_l_min": 100}, apitest.Obj{"/verdict": "fail"}},
		{"sensor", apitest.Obj{"indicated_km_h": 8.1, "reference_km_h": 8}, apitest.Obj{"/verdict": "pass"}},
		{"rinse-tank", apitest.Obj{"nominal_tank_l": 4000, "rinse_tank_l": 400}, apitest.Obj{"/verdict": "pass"}},
		{"residual", apitest.Obj{"nominal_tank_l": 4000, "boom_width_m": 24, "residual_l": 68.1}, apitest.Obj{"/verdicts/0/limit": 68, "/verdict": "fail"}},
	} {
		a := h.Send("reader", "POST", "/v1/testbay/"+tc.path, tc.body).Is(200)
		for pointer, want := range tc.want {
			a.Has(pointer, want)
		}
	}
	for _, tc := range []struct{ path, body, bad string }{
		{"rate", `{"l_min":-1,"km_h":8,"spacing_m":0.5}`, "/l_min"},
		{"rate", `{"l_min":"1","km_h":8,"spacing_m":0.5}`, "/l_min"},
		{"flow", `{"l_min":1.2,"bar":3}`, "/at_bar"},
		{"catch", `{"flows_l_min":[1.2,0,-1]}`, "/flows_l_min/1"},
		{"gauge", `{"points":[{"master_bar":1.5,"read_bar":1.5},{"master_bar":-2,"read_bar":1}]}`, "/points/1/master_bar"},
		{"gauge", `{"points":[{"master_bar":1.5,"read_bar":-1}]}`, "/points/0/read_bar"},
		{"rinse", `{"residual_l":30,"water_l":300,"portions":0}`, "/portions"},
		{"capacity", `{"km_h":12,"width_m":24,"efficiency":1.5}`, "/efficiency"},
		{"course", `{"course_m":0,"seconds":45}`, "/course_m"},
		{"nozzle", `{"nozzle":"pink","bar":3}`, "/nozzle"},
		{"units", `{"value":1,"from":"stone"}`, "/from"},
		{"pump", `{"measured_l_min":180}`, "/nominal_l_min"},
		{"pump", `{"measured_l_min":1e999}`, "/measured_l_min"},
	} {
		if got := h.Send("reader", "POST", "/v1/testbay/"+tc.path, tc.body).Is(422).Bad(); got != tc.bad {
			t.Errorf("%s %s names %q, want %q", tc.path, tc.body, got, tc.bad)
		}
	}
	if got := h.Send("reader", "POST", "/v1/testbay/gauge?ruleset=none", apitest.Obj{"points": []apitest.Obj{{"master_bar": 1.5, "read_bar": 1.8}}}).Is(422).Bad(); got != "ruleset" {
		t.Errorf("names %q", got)
	}
}

func TestRuleSetsIntervalsAndFilesOverTheAPI(t *testing.T) {
	h := apitest.New(t)
	h.Register("N01", "north")
	h.Register("S01", "south")
	h.Token("northern", fleet.RoleManager, []string{"north"}, "")
	h.Send("reader", "GET", "/v1/rulesets", nil).Is(200).Has("/rulesets/0/ruleset", "iso-16122-2-2015").Has("/rulesets/0/built_in", true)
	h.Send("reader", "GET", "/v1/rulesets/field-rules", nil).Is(200).Has("/limits/gauge_error_bar/value", 0.2)
	h.Send("reader", "GET", "/v1/rulesets/none", nil).Is(404)
	house := "id: house\nextends: iso-16122-2-2015\nstandard: House\nedition: \"1\"\nvalid_from: 2020-01-01\nwhere: here\nlimits:\n  gauge_error_bar: {value: 0.05, unit: bar, source: common practice}\n"
	h.Send("northern", "POST", "/v1/rulesets", apitest.Obj{"text": house}).Is(403)
	h.Send("manager", "POST", "/v1/rulesets", []byte(house), "Content-Type", "application/yaml").Is(201).Has("/limits/gauge_error_bar/value", 0.05).Has("/built_in", false)
	h.Send("manager", "POST", "/v1/rulesets", apitest.Obj{"text": house}).Is(200)
	if got := h.Send("manager", "POST", "/v1/rulesets", apitest.Obj{"text": "id: x"}).Is(422).Bad(); got != "/text" {
		t.Errorf("names %s", got)
	}
	h.Send("reader", "POST", "/v1/testbay/gauge?ruleset=house", apitest.Obj{"points": []apitest.Obj{{"master_bar": 1.5, "read_bar": 1.6}}}).Is(200).Has("/points/0/limit_bar", 0.05).Has("/verdict", "fail")
	h.Send("reader", "GET", "/v1/intervals", nil).Is(200).Has("/intervals/1/id", "eu-base")
	isle := "rules:\n  - {id: isle, place: Isle, name: The isle, kind: law, valid_from: 2000-01-01, first: {months: 12, from: first_use}, then: {months: 12}, source: common practice}\n"
	h.Send("manager", "POST", "/v1/intervals", apitest.Obj{"text": isle}).Is(201).Has("/added/0/by", nil).Has("/added/0/published_by", "manager")
	h.Send("manager", "POST", "/v1/yards/south/place", apitest.Obj{"place": "isle"}).Is(200).Has("/place", "Isle")
	h.Send("northern", "POST", "/v1/yards/south/place", apitest.Obj{"place": "isle"}).Is(404)
	h.Send("reader", "GET", "/v1/rigs/S01/place", nil).Is(200).Has("/of_yard", true).Has("/next_inspection/due", "2026-03-01")
	h.Send("reader", "GET", "/v1/rigs/S01", nil).Is(200).Has("/fitness/reasons/0/code", "certificate-missing")
	h.Send("reader", "GET", "/v1/rigs/N01/place", nil).Is(200).Has("/place", "").Has("/next_inspection", nil)

	// A file is seen where something of the caller's yards refers to it.
	var form bytes.Buffer
	w := multipart.NewWriter(&form)
	part, _ := w.CreateFormFile("file", "note.txt")
	_, _ = part.Write([]byte("seen by the tester\n"))
	_ = w.Close()
	sent := h.Send("manager", "POST", "/v1/files", form.Bytes(), "Content-Type", w.FormDataContentType()).Is(201).Has("/name", "note.txt").Has("/type", "text/plain")
	hash := sent.At("/file").(string)
	if hash != fleet.FileHash([]byte("seen by the tester\n")) {
		t.Errorf("hash %s", hash)
	}
	h.Send("manager", "POST", "/v1/files?name=again.txt", []byte("seen by the tester\n"), "Content-Type", "text/plain").Is(200).Has("/name", "note.txt")
	h.Send("northern", "GET", "/v1/files/"+hash, nil).Is(404)
	h.Send("workshop", "POST", "/v1/certificates", apitest.Obj{"rig": "N01", "number": "1", "tester": "L", "inspected": "2026-05-01", "file": hash}).Is(201)
	h.Send("northern", "GET", "/v1/files/"+hash, nil).Is(200)
	h.Send("northern", "POST", "/v1/certificates", apitest.Obj{"rig": "S01", "number": "1", "tester": "L", "inspected": "2026-05-01"}).Is(422)
	h.Send("manager", "POST", "/v1/files?name=a.exe", []byte("MZ\x90\x00"), "Content-Type", "application/octet-stream").Is(422)
	h.Send("manager", "POST", "/v1/files?name=a.svg", []byte("<svg/>"), "Content-Type", "image/svg+xml").Is(415)
	h.Send("manager", "POST", "/v1/files?name=a.txt", bytes.Repeat([]byte("a"), events.MaxFileBytes+1), "Content-Type", "text/plain").Is(422)
	h.Send("manager", "POST", "/v1/files?name=a.txt", bytes.Repeat([]byte("a"), bay.FileBodyMost+1), "Content-Type", "text/plain").Is(413)
	h.Send("manager", "POST", "/v1/rigs", bytes.Repeat([]byte(" "), api.MaxBody+1)).Is(413)
	key := []string{"Idempotency-Key", "once-1"}
	cert := apitest.Obj{"rig": "N01", "number": "2", "tester": "L", "inspected": "2026-05-02"}
	one := h.Send("workshop", "POST", "/v1/certificates", cert, key...).Is(201)
	two := h.Send("workshop", "POST", "/v1/certificates", cert, key...).Is(201)
	if a, b := one.At("/certificate"), two.At("/certificate"); a != b || two.Header.Get("Idempotency-Replayed") != "true" {
		t.Errorf("made %v, then %v", a, b)
	}
}

func TestRecordsAreShownAsPages(t *testing.T) {
	h := apitest.New(t)
	h.Register("T01", "north")
	in := h.Send("workshop", "POST", "/v1/inspections", apitest.Obj{
		"rig": "T01", "tester": "B. <Bench>", "sheet": apitest.Obj{"measured": apitest.Obj{"gauge_error": apitest.Obj{"readings": []apitest.Obj{{"master_bar": 1.5, "gauge_bar": 1.8}}}}},
	}).Is(201).At("/inspection").(string)
	h.Token("southern", fleet.RoleReader, []string{"south"}, "")
	page := func(as, path string) (int, string, http.Header) {
		r, _ := http.NewRequest("GET", h.URL+path, nil)
		if as != "" {
			r.AddCookie(&http.Cookie{Name: "rigledger", Value: h.Tokens[as]})
		}
		client := &http.Client{CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
		a, err := client.Do(r)
		if err != nil {
			t.Fatal(err)
		}
		defer a.Body.Close()
		var b bytes.Buffer
		_, _ = b.ReadFrom(a.Body)
		return a.StatusCode, b.String(), a.Header
	}
	for _, path := range []string{"/rigs/T01/record", "/inspections/" + in + "/record"} {
		status, text, header := page("reader", path)
		var doc struct {
			Hash    string `json:"record_hash"`
			Commits []struct{ Hash string }
		}
		if err := json.Unmarshal(h.Send("reader", "GET", "/v1"+path, nil).Is(200).Body, &doc); err != nil {
			t.Fatal(err)
		}
		want := []string{"does not replace", "B. &lt;Bench&gt;", doc.Commits[0].Hash}
		if strings.HasPrefix(path, "/inspections") { // made at the same commit and time: the same record
			want = append(want, "0.3 bar at 1", "at most 0.2 bar", "gauge_bar&#34;:1.8", "Pressure gauge against a master", doc.Hash)
		} else {
			want = append(want, "do not use", "open safety defect", "rule set iso-16122-2-2015 edition 2015, point: Pressure gauge against a master")
		}
		for _, want := range want {
			if status != 200 || !strings.Contains(text, want) {
				t.Errorf("%s answers %d without %q", path, status, want)
			}
		}
		if csp := header.Get("Content-Security-Policy"); !strings.Contains(csp, "default-src 'none'") || strings.Contains(csp, "unsafe") || strings.Count(text, "<script") != 1 || !strings.Contains(text, `<script src="/console.js?v=`) || strings.Contains(text, "style=") {
			t.Errorf("%s under %q", path, csp)
		}
		if status, text, _ := page("", path); status != 200 || !strings.Contains(text, "Sign in") {
			t.Errorf("%s answers nobody with %d", path, status)
		}
		if status, _, _ := page("southern", path); status != 404 {
			t.Errorf("%s answers another yard's reader with %d", path, status)
		}
	}
}

// Who is held to a yard learns nothing of a file elsewhere, neither by naming its
// hash in something of his own nor by sending the same bytes.
func TestAFileOfAnotherYardIsAsIfItWereNotThere(t *testing.T) {
	h := apitest.New(t)
	h.Register("N01", "north")
	h.Register("S01", "south")
	h.Token("bench", fleet.RoleWorkshop, []string{"north"}, "")
	h.Send("manager", "POST", "/v1/rigs/N01/readings", apitest.Reading(h.Now().Add(-time.Minute), 12, 60)).Is(200)
	h.Raise()
	text := []byte("gauge 7 reads 0.4 bar too much\n")
	hash := h.Send("workshop", "POST", "/v1/files?name=south.txt", text, "Content-Type", "text/plain").Is(201).At("/file").(string)
	cert := func(as, rig, number, file string) apitest.Answer {
		return h.Send(as, "POST", "/v1/certificates", apitest.Obj{"rig": rig, "number": number, "tester": "L", "inspected": "2026-05-01", "file": file})
	}
	cert("workshop", "S01", "1", hash).Is(201)
	unknown := fleet.FileHash([]byte("nobody sent this"))
	for _, file := range []string{hash, unknown} {
		h.Send("bench", "GET", "/v1/files/"+file, nil).Is(404)
		cert("bench", "N01", "1", file).Is(422).Has("/errors/0/pointer", "/file").Has("/errors/0/detail", `there is no file "`+file+`"; send it first`)
		h.Send("bench", "POST", "/v1/inspections", apitest.Obj{"rig": "N01", "tester": "L", "file": file, "sheet": apitest.Obj{"seen": apitest.Obj{"guards": apitest.Obj{"ok": true}}}}).Is(422)
		h.Send("bench", "POST", "/v1/items/N01-filter-suction.suction-filter.1/finish", apitest.Obj{"by": "Ana", "files": []string{file}}).Is(422).Has("/errors/0/pointer", "/files/0")
	}
	// The same bytes, sent by who cannot know of them, are his under his own name.
	own := h.Send("bench", "POST", "/v1/files?name=mine.txt", text, "Content-Type", "text/plain").Is(201).Has("/name", "mine.txt").Has("/by", "bench")
	h.Send("bench", "POST", "/v1/files?name=twice.txt", text, "Content-Type", "text/plain").Is(200).Has("/name", "mine.txt").Has("/commit", own.At("/commit"))
	got := h.Send("bench", "GET", "/v1/files/"+hash, nil).Is(200)
	if !bytes.Equal(got.Body, text) || !strings.Contains(got.Header.Get("Content-Disposition"), "mine.txt") {
		t.Errorf("got %q as %s", got.Body, got.Header.Get("Content-Disposition"))
	}
	cert("bench", "N01", "2", hash).Is(201)
	h.Send("manager", "GET", "/v1/files/"+hash, nil).Is(200)
}
