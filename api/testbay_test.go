package api

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

	"rigledger/events"
	"rigledger/fleet"
)

// A rig under the law of a place goes fit, is stopped by a failed gauge, is
// repaired and retested, and loses its certificate at local midnight.
func TestTheTestBayOnARunningService(t *testing.T) {
	h := newHouse(t)
	body := rigBody("T01", "north")
	body["first_use"] = "2019-03-10"
	h.send("manager", "POST", "/v1/rigs", body).is(201)
	h.send("reader", "GET", "/v1/rigs/T01/fitness", nil).is(200).has("/state", "do not use").has("/reasons/0/code", "overdue-statutory-task")
	h.send("manager", "POST", "/v1/rigs/T01/place", obj{"place": "uk", "first_purchase": "2019-03-01"}).is(200).
		has("/place", "UK").has("/next_inspection/overdue", true).has("/next_inspection/strictest/0", "uk")
	h.send("reader", "GET", "/v1/rigs/T01/fitness", nil).is(200).has("/reasons/0/code", "certificate-missing")

	// Entered late: it corrects the past.
	pdf := append([]byte("%PDF-1.7\n"), bytes.Repeat([]byte("x"), 1<<20+1<<19)...)
	file := h.send("operator", "POST", "/v1/files?name=certificate.pdf", pdf, "Content-Type", "application/pdf").is(201).has("/type", "application/pdf")
	hash := file.at("/file").(string)
	h.send("reader", "GET", "/v1/rigs/T01/fitness?at=2026-05-03T12:00:00Z", nil).is(200).has("/asked_about", "past")
	cert := h.send("workshop", "POST", "/v1/certificates", obj{
		"rig": "T01", "number": "4711", "sticker": "26-1", "tester": "L. Licensed", "inspected": "2023-06-15", "file": hash,
	}).is(201).has("/inspected", "2023-06-15").has("/at", "2023-06-14T22:00:00Z")
	h.send("reader", "GET", "/v1/rigs/T01/fitness", nil).is(200).has("/state", "fit")
	got := h.send("reader", "GET", "/v1/files/"+hash, nil).is(200)
	if !bytes.Equal(got.body, pdf) || got.header.Get("Content-Type") != "application/pdf" || !strings.HasPrefix(got.header.Get("Content-Disposition"), "attachment") {
		t.Errorf("the file came back as %d bytes of %s, %s", len(got.body), got.header.Get("Content-Type"), got.header.Get("Content-Disposition"))
	}

	// Failed gauge.
	h.pass(time.Hour)
	failed := h.send("workshop", "POST", "/v1/inspections", obj{
		"rig": "T01", "tester": "B. Bench", "sheet": obj{"measured": obj{"gauge_error": obj{"readings": []obj{{"master_bar": 1.5, "gauge_bar": 1.8}}}}},
		"instruments": []obj{{"name": "master gauge", "checked_until": "2027-01-31"}},
	}).is(201).has("/outcome", "fail").has("/failed/0", "gauge_error").has("/defects/0/safety", true).has("/defects/0/open", true).
		has("/ruleset", "iso-16122-2-2015").has("/edition", "2015")
	first := failed.at("/inspection").(string)
	h.send("reader", "GET", "/v1/rigs/T01", nil).is(200).has("/fitness/state", "do not use").has("/test_bay/place", "UK").has("/test_bay/inspect_by", "2026-06-15").has("/test_bay/days_left", 42).has("/test_bay/certificate/number", "4711")
	h.send("reader", "GET", "/v1/defects/"+failed.at("/defects/0/defect").(string), nil).is(200).has("/code", "gauge_error").has("/safety", true).has("/inspection", first)

	// Repaired and retested.
	h.pass(time.Hour)
	h.send("workshop", "POST", "/v1/inspections", obj{
		"rig": "T01", "tester": "B. Bench", "retest_of": first, "sheet": obj{"measured": obj{"gauge_error": obj{"readings": []obj{{"master_bar": 1.5, "gauge_bar": 1.55}}}}},
	}).is(201).has("/outcome", "incomplete").has("/retested/0", "gauge_error")
	h.send("reader", "GET", "/v1/rigs/T01/fitness", nil).is(200).has("/state", "fit").has("/reasons/0", nil)
	h.send("reader", "GET", "/v1/inspections/"+first, nil).is(200).has("/defects/0/open", false)
	kinds := strings.Join(h.send("reader", "GET", "/v1/rigs/T01/timeline?limit=500&kind=rig.registered,rig.placed,certificate.issued,inspection.judged,defect.reported,defect.cleared", nil).is(200).names("/timeline", "kind"), " ")
	if kinds != "defect.cleared inspection.judged defect.reported inspection.judged certificate.issued rig.placed rig.registered" {
		t.Errorf("the timeline is %s", kinds)
	}
	h.send("reader", "GET", "/v1/inspections?outcome=fail&rig=T01", nil).is(200).has("/inspections/0/inspection", first).has("/inspections/1", nil)

	// Records verify; one changed digit and they do not.
	for _, path := range []string{"/v1/inspections/" + first + "/record", "/v1/rigs/T01/record"} {
		record := h.send("reader", "GET", path, nil).is(200)
		if _, err := fleet.VerifyRecord(context.Background(), h.store, theZone, record.body); err != nil {
			t.Errorf("%s: %v", path, err)
		}
		at := bytes.Index(record.body, []byte("1.8"))
		if at < 0 {
			t.Fatalf("%s does not hold the reading: %s", path, record.body)
		}
		bad := bytes.Clone(record.body)
		bad[at+2] = '9'
		if _, err := fleet.VerifyRecord(context.Background(), h.store, theZone, bad); err == nil {
			t.Errorf("%s verifies with the gauge's reading changed", path)
		}
	}

	// The certificate ends at local midnight of 15 June 2026: two hours ahead of UTC.
	h.send("reader", "GET", "/v1/rigs/T01/fitness?at=2026-06-15", nil).is(200).has("/asked_about", "future").has("/at", "2026-06-15T21:59:59.999Z")
	ends := func(path string) (found bool) {
		for _, code := range h.send("reader", "GET", path, nil).is(200).names("/reasons", "code") {
			found = found || code == "certificate-expired"
		}
		return found
	}
	for path, want := range map[string]bool{"?at=2026-06-15": false, "?at=2026-06-15T21:59:59Z": false, "?at=2026-06-15T22:00:00Z": true, "?at=2026-06-16": true} {
		if got := ends("/v1/rigs/T01/fitness" + path); got != want {
			t.Errorf("asked ahead with %s: expired %v, want %v", path, got, want)
		}
	}
	h.clock.Store(time.Date(2026, 6, 15, 21, 59, 59, 0, time.UTC).UnixMilli())
	if ends("/v1/rigs/T01/fitness") {
		t.Error("expired a second before midnight")
	}
	h.pass(time.Second)
	if !ends("/v1/rigs/T01/fitness") {
		t.Error("not expired at midnight")
	}
	h.send("workshop", "POST", cert.header.Get("Location")+"/withdraw", obj{"reason": "x"}).is(403)
	h.send("manager", "POST", cert.header.Get("Location")+"/withdraw", obj{"reason": "another machine"}).is(200).has("/withdrawn/reason", "another machine")
	h.send("reader", "GET", "/v1/certificates?rig=T01", nil).is(200).has("/certificates/0/number", "4711")
}

func TestHandoverOpensThePumpAndCalibrationEndsTheWork(t *testing.T) {
	h := newHouse(t)
	h.register("T01", "north")
	h.send("workshop", "POST", "/v1/rigs/T01/readings", reading(h.now().Add(-time.Hour), 12, 80)).is(200)
	h.pass(40 * 24 * time.Hour)
	h.send("workshop", "POST", "/v1/rigs/T01/readings", reading(h.now().Add(-time.Hour), 500, 3000)).is(200)
	h.raise()
	item := "/v1/items/T01-pump.pump-diaphragms.1"
	shown := strings.Join(h.send("reader", "GET", item, nil).is(200).names("/cautions", "kind"), " ")
	if shown != "any pump-pto pressure contaminated" {
		t.Errorf("the cautions shown are %s", shown)
	}
	start := obj{"by": "A. Example", "cautions_read": true}
	if got := h.send("workshop", "POST", item+"/start", obj{"by": "A. Example"}).is(422).bad(); got != "/cautions_read" {
		t.Errorf("names %s", got)
	}
	h.send("workshop", "POST", item+"/start", start).is(403).has("/type", "/problems/rule-forbids")
	if got := h.send("operator", "POST", "/v1/rigs/T01/handover", obj{"rinsed": true, "washed_outside": false, "last_products": []string{"Clearwater 20"}, "signed_by": "O"}).is(422).bad(); got != "/washed_outside" {
		t.Errorf("names %s", got)
	}
	h.send("reader", "GET", "/v1/rigs/T01/handover", nil).is(200).has("/clean", false)
	h.send("operator", "POST", "/v1/rigs/T01/handover", obj{"rinsed": true, "washed_outside": true, "last_products": []string{"Clearwater 20"}, "signed_by": "O. Example"}).is(201).
		has("/clean", true).has("/handovers/0/signed_by", "O. Example")
	h.send("workshop", "POST", item+"/start", start).is(200).has("/stage", "in-hand")
	h.send("reader", "GET", "/v1/rigs/T01/timeline?kind=item.started", nil).is(200).has("/timeline/0/fact/worker", "A. Example").has("/timeline/0/fact/cautions/3", "contaminated")
	h.send("workshop", "POST", item+"/finish", obj{"by": "A. Example"}).is(200)
	stops := func() string {
		codes := strings.Join(h.send("reader", "GET", "/v1/rigs/T01/fitness", nil).is(200).names("/reasons", "code"), " ")
		return fmt.Sprint(strings.Contains(codes, "calibration-required"))
	}
	if stops() != "true" {
		t.Error("the diaphragms were changed, and no calibration is asked for")
	}
	h.pass(time.Hour)
	cal := h.send("operator", "POST", "/v1/calibrations", obj{
		"rig": "T01", "nozzle": "blue", "tester": "O. Example", "bar": 3, "flows_l_min": []any{1.21, 1.19, 1.24, 1.18, 1.2, 1.2, 1.22, 1.17},
		"course": obj{"course_m": 100, "seconds": 45}, "spacing_m": 0.5, "target_l_ha": 180,
	}).is(201).has("/outcome", "pass").has("/km_h", 8).has("/nominal_l_min", 1.2).has("/worst_nozzle/position", 3)
	h.send("reader", "GET", "/v1/rigs/T01", nil).is(200).has("/test_bay/last_calibration/worst_nozzle/position", 3)
	if stops() != "false" {
		t.Error("calibrated, and another calibration is asked for")
	}
	h.send("reader", "GET", cal.header.Get("Location")+"/record", nil).is(200).has("/calibration/tester", "O. Example")
	h.send("operator", "GET", cal.header.Get("Location")+"/record", nil).is(403)
	h.send("operator", "POST", "/v1/calibrations", obj{
		"rig": "T01", "tester": "O", "bar": 3, "flows_l_min": []any{1.2, nil, 1.2}, "km_h": 8, "spacing_m": 0.5,
	}).is(201).has("/outcome", "incomplete").has("/flows_l_min/1", nil)
	if got := h.send("operator", "POST", "/v1/calibrations", obj{
		"rig": "T01", "tester": "O", "bar": 3, "flows_l_min": []any{1.2, -1}, "km_h": 8, "spacing_m": 0.5,
	}).is(422).bad(); got != "/flows_l_min/1" {
		t.Errorf("names %s", got)
	}
}

func TestCalculatorsAnswerAsWritten(t *testing.T) {
	h := newHouse(t)
	for _, tc := range []struct {
		path string
		body any
		want map[string]any // pointer → value
	}{
		// The issue's own examples and trade.md sections 2 and 3.
		{"rate", obj{"l_min": 1.3, "km_h": 8, "spacing_m": 0.5}, obj{"/l_ha": 195}},
		{"rate", obj{"l_ha": 144, "km_h": 10, "spacing_m": 0.5}, obj{"/l_min": 1.2}},
		{"rate", obj{"l_ha": 195, "l_min": 1.3, "spacing_m": 0.5}, obj{"/km_h": 8}},
		{"flow", obj{"l_min": 1.2, "bar": 3, "at_bar": 2}, obj{"/l_min": 0.9798}},
		{"flow", obj{"l_min": 1.2, "bar": 3, "at_l_min": 1.0}, obj{"/bar": 2.0833}},
		{"catch", obj{"nominal_l_min": 1.2, "flows_l_min": []any{1.21, 1.19, 1.24, 1.18, 1.33, 1.20, 1.22, 1.17}},
			obj{"/mean_l_min": 1.2175, "/cv_percent": 4.1592, "/nozzles/4/from_nominal_percent": 10.8333, "/nozzles/4/from_mean_percent": 9.2402, "/nozzles/4/verdict": "fail", "/nozzles/0/verdict": "pass", "/change/0": 5}},
		{"catch", obj{"flows_l_min": []any{1.0, nil, 1.0}}, obj{"/nozzles/1/verdict": "not_done", "/missing/0": 2, "/verdict": "incomplete", "/judged_against": "mean"}},
		{"gauge", obj{"points": []obj{{"master_bar": 1.5, "read_bar": 1.8}}}, obj{"/points/0/error_bar": 0.3, "/points/0/limit_bar": 0.2, "/points/0/verdict": "fail", "/verdict": "fail"}},
		{"gauge", obj{"points": []obj{{"master_bar": 5, "read_bar": 5.5}}}, obj{"/points/0/limit_bar": 0.5, "/verdict": "pass"}},
		{"rinse", obj{"residual_l": 30, "water_l": 300, "portions": 1}, obj{"/dilution": 11}},
		{"rinse", obj{"residual_l": 30, "water_l": 300, "portions": 2}, obj{"/dilution": 36}},
		{"rinse", obj{"residual_l": 30, "water_l": 300, "portions": 3}, obj{"/dilution": 81.3704}}, // (1+100/30)³ = 81.370…; the issue and trade.md print 81
		{"rinse", obj{"residual_l": 30, "water_l": 300, "wanted_dilution": 36}, obj{"/portions": 2}},
		{"rinse", obj{"residual_l": 30, "portions": 2, "wanted_dilution": 36}, obj{"/water_l": 300}},
		{"capacity", obj{"km_h": 12, "width_m": 24, "efficiency": 0.65}, obj{"/ha_h": 18.72}},
		{"capacity", obj{"mph": 6, "width_ft": 60, "efficiency": 0.68}, obj{"/ac_h": 29.6727}}, // Iowa State A3-24 prints 29.7
		{"course", obj{"course_m": 100, "seconds": 45}, obj{"/km_h": 8}},
		{"course", obj{"spacing_in": 20}, obj{"/course_ft": 204.1875}}, // Ohio State FABE-520 prints 204
		{"nozzle", obj{"nozzle": "blue", "bar": 3}, obj{"/l_min": 1.2, "/nozzle": "03"}},
		{"units", obj{"value": 1, "from": "gal_ac"}, obj{"/l_ha": 9.354}},
		{"wear", obj{"nominal_l_min": 1.2, "flows_l_min": []any{1.34, 1.2, 1.2}, "each_minor": 650, "set_minor": 1500}, obj{"/change/0": 1, "/singles_minor": 650, "/set_cheaper": false}},
		{"speed-range", obj{"l_ha": 180, "spacing_m": 0.5, "l_min": 1.2, "at_bar": 3, "low_bar": 3, "high_bar": 12}, obj{"/lowest_km_h": 8, "/highest_km_h": 16}},
		{"distribution", obj{"gutters_ml": []any{100, 100, 100}}, obj{"/cv_percent": 0, "/verdict": "pass"}},
		{"boom-height", obj{"width_m": 36, "heights_cm": []any{50, 68}, "target_cm": 50}, obj{"/verdicts/1/limit": 18, "/verdict": "pass"}},
		{"pressure-drop", obj{"gauge_point_bar": 3, "section_end_bar": []any{2.6}}, obj{"/verdict": "fail"}},
		{"section-balance", obj{"inlet_bar": []any{3, 3}}, obj{"/verdict": "pass"}},
		{"section-closed", obj{"working_bar": 3, "closed_bar": []any{3.3}}, obj{"/verdict": "pass"}},
		{"pump", obj{"measured_l_min": 180, "nominal_l_min": 200}, obj{"/verdict": "pass"}},
		{"pulsation", obj{"working_bar": 3, "lowest_bar": 2.6, "highest_bar": 3.2}, obj{"/verdict": "fail"}},
		{"air-chamber", obj{"working_bar": 3, "charge_bar": 1.5}, obj{"/verdict": "pass"}},
		{"flow-meter", obj{"indicated_l_min": 106, "reference_l_min": 100}, obj{"/verdict": "fail"}},
		{"sensor", obj{"indicated_km_h": 8.1, "reference_km_h": 8}, obj{"/verdict": "pass"}},
		{"rinse-tank", obj{"nominal_tank_l": 4000, "rinse_tank_l": 400}, obj{"/verdict": "pass"}},
		{"residual", obj{"nominal_tank_l": 4000, "boom_width_m": 24, "residual_l": 68.1}, obj{"/verdicts/0/limit": 68, "/verdict": "fail"}},
	} {
		a := h.send("reader", "POST", "/v1/testbay/"+tc.path, tc.body).is(200)
		for pointer, want := range tc.want {
			a.has(pointer, want)
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
		if got := h.send("reader", "POST", "/v1/testbay/"+tc.path, tc.body).is(422).bad(); got != tc.bad {
			t.Errorf("%s %s names %q, want %q", tc.path, tc.body, got, tc.bad)
		}
	}
	if got := h.send("reader", "POST", "/v1/testbay/gauge?ruleset=none", obj{"points": []obj{{"master_bar": 1.5, "read_bar": 1.8}}}).is(422).bad(); got != "ruleset" {
		t.Errorf("names %q", got)
	}
}

func TestRuleSetsIntervalsAndFilesOverTheAPI(t *testing.T) {
	h := newHouse(t)
	h.register("N01", "north")
	h.register("S01", "south")
	h.token("northern", fleet.RoleManager, []string{"north"}, "")
	h.send("reader", "GET", "/v1/rulesets", nil).is(200).has("/rulesets/0/ruleset", "iso-16122-2-2015").has("/rulesets/0/built_in", true)
	h.send("reader", "GET", "/v1/rulesets/field-rules", nil).is(200).has("/limits/gauge_error_bar/value", 0.2)
	h.send("reader", "GET", "/v1/rulesets/none", nil).is(404)
	house := "id: house\nextends: iso-16122-2-2015\nstandard: House\nedition: \"1\"\nvalid_from: 2020-01-01\nwhere: here\nlimits:\n  gauge_error_bar: {value: 0.05, unit: bar, source: common practice}\n"
	h.send("northern", "POST", "/v1/rulesets", obj{"text": house}).is(403)
	h.send("manager", "POST", "/v1/rulesets", []byte(house), "Content-Type", "application/yaml").is(201).has("/limits/gauge_error_bar/value", 0.05).has("/built_in", false)
	h.send("manager", "POST", "/v1/rulesets", obj{"text": house}).is(200)
	if got := h.send("manager", "POST", "/v1/rulesets", obj{"text": "id: x"}).is(422).bad(); got != "/text" {
		t.Errorf("names %s", got)
	}
	h.send("reader", "POST", "/v1/testbay/gauge?ruleset=house", obj{"points": []obj{{"master_bar": 1.5, "read_bar": 1.6}}}).is(200).has("/points/0/limit_bar", 0.05).has("/verdict", "fail")
	h.send("reader", "GET", "/v1/intervals", nil).is(200).has("/intervals/1/id", "eu-base")
	isle := "rules:\n  - {id: isle, place: Isle, name: The isle, kind: law, valid_from: 2000-01-01, first: {months: 12, from: first_use}, then: {months: 12}, source: common practice}\n"
	h.send("manager", "POST", "/v1/intervals", obj{"text": isle}).is(201).has("/added/0/by", nil).has("/added/0/published_by", "manager")
	h.send("manager", "POST", "/v1/yards/south/place", obj{"place": "isle"}).is(200).has("/place", "Isle")
	h.send("northern", "POST", "/v1/yards/south/place", obj{"place": "isle"}).is(404)
	h.send("reader", "GET", "/v1/rigs/S01/place", nil).is(200).has("/of_yard", true).has("/next_inspection/due", "2026-03-01")
	h.send("reader", "GET", "/v1/rigs/S01", nil).is(200).has("/fitness/reasons/0/code", "certificate-missing")
	h.send("reader", "GET", "/v1/rigs/N01/place", nil).is(200).has("/place", "").has("/next_inspection", nil)

	// A file is seen where something of the caller's yards refers to it.
	var form bytes.Buffer
	w := multipart.NewWriter(&form)
	part, _ := w.CreateFormFile("file", "note.txt")
	_, _ = part.Write([]byte("seen by the tester\n"))
	_ = w.Close()
	sent := h.send("manager", "POST", "/v1/files", form.Bytes(), "Content-Type", w.FormDataContentType()).is(201).has("/name", "note.txt").has("/type", "text/plain")
	hash := sent.at("/file").(string)
	if hash != fleet.FileHash([]byte("seen by the tester\n")) {
		t.Errorf("hash %s", hash)
	}
	h.send("manager", "POST", "/v1/files?name=again.txt", []byte("seen by the tester\n"), "Content-Type", "text/plain").is(200).has("/name", "note.txt")
	h.send("northern", "GET", "/v1/files/"+hash, nil).is(404)
	h.send("workshop", "POST", "/v1/certificates", obj{"rig": "N01", "number": "1", "tester": "L", "inspected": "2026-05-01", "file": hash}).is(201)
	h.send("northern", "GET", "/v1/files/"+hash, nil).is(200)
	h.send("northern", "POST", "/v1/certificates", obj{"rig": "S01", "number": "1", "tester": "L", "inspected": "2026-05-01"}).is(422)
	h.send("manager", "POST", "/v1/files?name=a.exe", []byte("MZ\x90\x00"), "Content-Type", "application/octet-stream").is(422)
	h.send("manager", "POST", "/v1/files?name=a.svg", []byte("<svg/>"), "Content-Type", "image/svg+xml").is(415)
	h.send("manager", "POST", "/v1/files?name=a.txt", bytes.Repeat([]byte("a"), events.MaxFileBytes+1), "Content-Type", "text/plain").is(422)
	h.send("manager", "POST", "/v1/files?name=a.txt", bytes.Repeat([]byte("a"), fileBodyMost+1), "Content-Type", "text/plain").is(413)
	h.send("manager", "POST", "/v1/rigs", bytes.Repeat([]byte(" "), maxBody+1)).is(413)
	key := []string{"Idempotency-Key", "once-1"}
	cert := obj{"rig": "N01", "number": "2", "tester": "L", "inspected": "2026-05-02"}
	one := h.send("workshop", "POST", "/v1/certificates", cert, key...).is(201)
	two := h.send("workshop", "POST", "/v1/certificates", cert, key...).is(201)
	if a, b := one.at("/certificate"), two.at("/certificate"); a != b || two.header.Get("Idempotency-Replayed") != "true" {
		t.Errorf("made %v, then %v", a, b)
	}
}

func TestRecordsAreShownAsPages(t *testing.T) {
	h := newHouse(t)
	h.register("T01", "north")
	in := h.send("workshop", "POST", "/v1/inspections", obj{
		"rig": "T01", "tester": "B. <Bench>", "sheet": obj{"measured": obj{"gauge_error": obj{"readings": []obj{{"master_bar": 1.5, "gauge_bar": 1.8}}}}},
	}).is(201).at("/inspection").(string)
	h.token("southern", fleet.RoleReader, []string{"south"}, "")
	page := func(as, path string) (int, string, http.Header) {
		r, _ := http.NewRequest("GET", h.url+path, nil)
		if as != "" {
			r.AddCookie(&http.Cookie{Name: "rigledger", Value: h.tokens[as]})
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
		if err := json.Unmarshal(h.send("reader", "GET", "/v1"+path, nil).is(200).body, &doc); err != nil {
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
